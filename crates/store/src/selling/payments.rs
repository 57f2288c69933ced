//! Payments, and what they settle.

use chrono::NaiveDate;
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::payment::{
        NewPayment, NewPaymentReversal, OpenInvoice, Payment, PaymentFacts, PaymentMethod, PaymentReversal,
        PaymentShare, settle_invoices,
    },
    text::{CustomerCode, DocketCode, InvoiceCode, PaymentCode},
};
use rust_decimal::Decimal;
use serde_json::json;
use sqlx::types::Json;

use crate::{Pagination, Result, Tx};

/// An open invoice and whose it is.
pub(crate) struct Owed {
    pub customer: CustomerCode,
    pub invoice: OpenInvoice,
}

impl Tx {
    /// Enters a payment.
    ///
    /// # Errors
    /// As [`settle_invoices`] decides.
    #[tracing::instrument(level = "debug", name = "store.selling.enter_payment", skip_all, fields(farm_id = self.farm.0))]
    pub async fn enter_payment(&mut self, new: &NewPayment) -> Result<Payment> {
        self.enter_payment_for(new, None).await
    }

    /// Enters a payment, and the docket that it was paid for at the door.
    pub(super) async fn enter_payment_for(&mut self, new: &NewPayment, docket: Option<&DocketCode>) -> Result<Payment> {
        self.lock_account(&new.customer).await?;
        let open: Vec<OpenInvoice> =
            self.open_invoices(Some(&new.customer)).await?.into_iter().map(|owed| owed.invoice).collect();
        let facts = PaymentFacts {
            open: &open,
            credit: self.free_credit_of(&new.customer).await?,
            today: self.farm_day().await?,
            coinage: self.farm_settings().await?.coinage,
        };
        let plan = settle_invoices(new, &facts)?;
        let document = json!({
            "customer": new.customer, "paid_on": plan.paid_on, "amount": plan.amount, "method": new.method, "reference": new.reference, "docket": docket,
            "recorded_at": self.now, "entered_by": self.actor.name, "shares": plan.shares,
        });
        let code =
            sqlx::query_scalar!(r#"select post_payment($1, $2) as "payment!: PaymentCode""#, self.farm.0, document)
                .fetch_one(&mut *self.db)
                .await?;
        self.payment(&code).await
    }

    /// Takes a payment back: what it settled is open again.
    ///
    /// # Errors
    /// Refuses one that is taken back already, and one whose credit was used since.
    #[tracing::instrument(level = "debug", name = "store.selling.reverse_payment", skip_all, fields(farm_id = self.farm.0))]
    pub async fn reverse_payment(&mut self, code: &PaymentCode, new: &NewPaymentReversal) -> Result<Payment> {
        let customer = self.payment(code).await?.customer;
        self.lock_account(&customer).await?;
        if self.payment(code).await?.reversed.is_some() {
            return Err(Refusal::new(
                RefusalKind::AlreadyReversed,
                "This payment is taken back already. Nothing is left to do.",
            )
            .into());
        }
        let document = json!({
            "payment": code, "reversed_on": self.farm_day().await?, "reason": new.reason, "recorded_at": self.now,
            "entered_by": self.actor.name,
        });
        sqlx::query!("select reverse_payment($1, $2)", self.farm.0, document).execute(&mut *self.db).await?;
        self.payment(code).await
    }

    /// One payment.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.payment", skip_all, fields(farm_id = self.farm.0))]
    pub async fn payment(&mut self, code: &PaymentCode) -> Result<Payment> {
        self.payments_where(Some(code), None, None, &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(PaymentCode::NOUN, code).into())
    }

    /// Payments, of one customer or all, newest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.payments", skip_all, fields(farm_id = self.farm.0))]
    pub async fn payments(&mut self, of: Option<&CustomerCode>, page: &Pagination) -> Result<Vec<Payment>> {
        self.payments_where(None, of, None, page).await
    }

    /// What was paid at the door for a docket, newest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.payments_at_door", skip_all, fields(farm_id = self.farm.0))]
    pub async fn payments_at_door(&mut self, docket: &DocketCode) -> Result<Vec<Payment>> {
        self.payments_where(None, None, Some(docket), &Pagination { after: None, limit: i64::MAX }).await
    }

    async fn payments_where(
        &mut self,
        only: Option<&PaymentCode>,
        of: Option<&CustomerCode>,
        at_door: Option<&DocketCode>,
        page: &Pagination,
    ) -> Result<Vec<Payment>> {
        let settings = self.farm_settings().await?;
        let rows = sqlx::query!(
            r#"select p.payment as "payment: PaymentCode", p.customer as "customer: CustomerCode", p.paid_on, p.amount, p.method as "method: PaymentMethod",
                      p.reference, p.docket as "docket: DocketCode", p.entered_by, r.reversed_on as "reversed_on?", r.reason as "reason?", r.entered_by as "reversed_by?",
                      coalesce((select jsonb_agg(jsonb_build_object('invoice', s.invoice, 'amount', s.amount::text) order by i.number)
                         from payment_share s join invoice i using (farm_id, invoice)
                        where s.farm_id = $1 and s.payment = p.payment), '[]') as "shares!: Json<Vec<PaymentShare>>"
                 from payment p left join payment_reversal r using (farm_id, payment)
                where p.farm_id = $1 and ($2::text is null or p.payment = $2) and ($3::text is null or p.customer = $3) and ($6::text is null or p.docket = $6)
                  and ($4::text is null or p.number < (select o.number from payment o where o.farm_id = $1 and o.payment = $4))
                order by p.number desc limit $5"#,
            self.farm.0,
            only.map(PaymentCode::as_str),
            of.map(CustomerCode::as_str),
            page.after,
            page.limit,
            at_door.map(DocketCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        let round = |amount: Decimal| settings.coinage.round(amount);
        let share = |s: PaymentShare| PaymentShare { amount: round(s.amount), ..s };
        Ok(rows
            .into_iter()
            .map(|r| Payment {
                payment: r.payment,
                customer: r.customer,
                paid_on: r.paid_on,
                amount: round(r.amount),
                method: r.method,
                reference: r.reference,
                docket: r.docket,
                shares: r.shares.0.into_iter().map(share).collect(),
                currency: settings.coinage.currency().to_owned(),
                reversed: reversal(r.reversed_on, r.reason, r.reversed_by),
                entered_by: r.entered_by,
            })
            .collect())
    }

    /// Invoices on which something is open, of one customer or all, those that are due first before the others.
    pub(crate) async fn open_invoices(&mut self, of: Option<&CustomerCode>) -> Result<Vec<Owed>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select s.customer as "customer!: CustomerCode", s.invoice as "invoice!: InvoiceCode", s.issued_on as "issued_on!", s.due_on as "due_on!",
                      s.total as "total!", s.total - s.credited - s.paid as "open!"
                 from invoice_settled s where s.farm_id = $1 and ($2::text is null or s.customer = $2) and s.total > s.credited + s.paid
                order by s.due_on, s.issued_on, length(s.invoice), s.invoice"#,
            self.farm.0,
            of.map(CustomerCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Owed {
                customer: r.customer,
                invoice: OpenInvoice {
                    invoice: r.invoice,
                    issued_on: r.issued_on,
                    due_on: r.due_on,
                    total: coinage.round(r.total),
                    open: coinage.round(r.open),
                },
            })
            .collect())
    }

    /// What a customer paid and no invoice has taken, less what was paid at the door for dockets that wait for theirs.
    pub(super) async fn free_credit_of(&mut self, customer: &CustomerCode) -> Result<Decimal> {
        let credit = sqlx::query_scalar!(
            r#"select greatest(credit_of($1, $2) - credit_at_door($1, $2), 0) as "credit!""#,
            self.farm.0,
            customer.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(self.farm_settings().await?.coinage.round(credit))
    }

    /// What a customer paid and no invoice has taken.
    pub(crate) async fn credit_of(&mut self, customer: &CustomerCode) -> Result<Decimal> {
        let credit = sqlx::query_scalar!(r#"select credit_of($1, $2) as "credit!""#, self.farm.0, customer.as_str())
            .fetch_one(&mut *self.db)
            .await?;
        Ok(self.farm_settings().await?.coinage.round(credit))
    }
}

fn reversal(on: Option<NaiveDate>, reason: Option<String>, by: Option<String>) -> Option<PaymentReversal> {
    Some(PaymentReversal { reversed_on: on?, reason: reason?, entered_by: by? })
}
