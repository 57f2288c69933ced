//! The receipt of what was paid at the door for a docket.

use gillbook_core::{
    refusal::Refusal,
    selling::{
        docket::Docket,
        payment::{Payment, received},
    },
    text::DocketCode,
};
use gillbook_documents::receipt as paper;
use gillbook_store::{Result as StoreResult, Tx, farm::farms::Farm};

use super::{amount, date, payments::how};
use crate::{documents::set, extract::capital, problem::Problem};

/// All that a receipt prints.
pub(crate) struct ReceiptPaper {
    farm: Farm,
    docket: Docket,
    payments: Vec<Payment>,
}

impl ReceiptPaper {
    /// # Errors
    /// Refuses a docket for which nothing was paid at the door.
    pub(crate) async fn read(tx: &mut Tx, code: &DocketCode) -> StoreResult<Self> {
        let (farm, docket) = (tx.farm().await?, tx.docket(code).await?);
        let mut payments = tx.payments_at_door(code).await?;
        if payments.is_empty() {
            return Err(Refusal::not_found("receipt for docket", code).into());
        }
        payments.reverse();
        Ok(Self { farm, docket, payments })
    }

    /// What the file is called.
    pub(crate) fn name(&self) -> String {
        format!("receipt-{}.pdf", self.docket.docket)
    }

    pub(crate) async fn pdf(self) -> Result<Vec<u8>, Problem> {
        let Self { farm, docket, payments } = self;
        let sheet = paper::Receipt {
            docket: format!("{} {}", capital(farm.word("docket")), docket.docket),
            customer: docket.customer_name,
            address: docket.address,
            paid: payments.iter().map(paid).collect(),
            total: amount(received(&payments)),
            currency: docket.currency,
            farm_address: farm.letterhead(),
            paper_size: farm.paper_size,
            farm: farm.name,
        };
        set(move || sheet.pdf()).await
    }
}

fn paid(payment: &Payment) -> paper::Paid {
    paper::Paid {
        payment: payment.payment.to_string(),
        day: date(payment.paid_on),
        how: how(payment.method).to_owned(),
        amount: amount(payment.amount),
        taken_by: payment.entered_by.clone(),
        taken_back: payment.reversed.is_some(),
    }
}
