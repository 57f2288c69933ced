//! One payment, and how it is taken back.

use axum::{extract::State, response::Response};
use gillbook_core::{
    selling::payment::{NewPaymentReversal, Payment, PaymentMethod},
    text::PaymentCode,
};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use rust_decimal::Decimal;

use super::{
    Html, Layout,
    act::{ActPage, first},
    amount, date,
    resource::Resource,
    sheet::{Field, FormFields, Input, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

/// The list of them, which is looked through like any other.
pub(super) struct Payments;

impl Resource for Payments {
    const PATH: &'static str = "/payments";
    const TITLE: &'static str = "Payments";
    const ADD: &'static str = "";
    const CODE: &'static str = "payment";
    const SETTLED: &'static [&'static str] = &[];
    type Item = Payment;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Payment>> {
        tx.payments(None, page).await
    }

    fn code(payment: &Payment) -> String {
        payment.payment.to_string()
    }

    fn line(p: &Payment) -> (String, String) {
        let sum = format!("{} {}", amount(p.amount), p.currency);
        let of = p.docket.as_ref().map(|docket| format!("for {docket} at the door")).unwrap_or_default();
        let back = if p.reversed.is_some() { "taken back" } else { "" };
        let words = [sum.as_str(), how(p.method), &p.reference, &of, back];
        let rest = words.into_iter().filter(|word| !word.is_empty()).collect::<Vec<_>>().join(", ");
        (format!("{}, {}", date(p.paid_on), p.customer), rest)
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(Vec::new())
    }
}

pub(super) const fn how(method: PaymentMethod) -> &'static str {
    match method {
        PaymentMethod::BankTransfer => "bank transfer",
        PaymentMethod::Cash => "cash",
        PaymentMethod::Card => "card",
        PaymentMethod::WriteOff => "written off",
    }
}

async fn payment_page(app: &App, who: &Authenticated, code: &PaymentCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let payment = tx.payment(code).await?;
        let customer = tx.customer(&payment.customer).await?;
        let money = |sum: Decimal| format!("{} {}", amount(sum), payment.currency);
        let account = format!("/customers/{}/account", customer.customer);
        let mut page =
            ActPage::new(Layout::new(&farm, who, "/money"), format!("Payment {code}"), (&account, "The account"))
                .detail("From", customer.name)
                .detail(
                    "Amount",
                    if payment.amount.is_zero() {
                        "nothing: their credit was used".to_owned()
                    } else {
                        format!("{}, {}", money(payment.amount), how(payment.method))
                    },
                )
                .detail("Date", date(payment.paid_on));
        if !payment.reference.is_empty() {
            page = page.detail("Reference", payment.reference.clone());
        }
        for share in &payment.shares {
            page = page.link(
                format!("/invoices/{}", share.invoice),
                format!("{} of it for {}", money(share.amount), share.invoice),
            );
        }
        if let Some(docket) = &payment.docket {
            page = page
                .detail("Paid at the door", "when it was handed over")
                .link(format!("/dockets/{docket}"), format!("For {docket}"))
                .link(format!("/api/dockets/{docket}/receipt"), "Receipt (PDF)");
        }
        let settled: Decimal = payment.shares.iter().map(|s| s.amount).sum();
        if payment.amount > settled {
            page = page.detail("To their credit", money(payment.amount - settled));
        } else if settled > payment.amount {
            page = page.detail("Of their credit", money(settled - payment.amount));
        }
        page = page.detail("Entered by", payment.entered_by);
        Ok(match payment.reversed {
            Some(back) => {
                page.detail("Taken back", format!("{} by {}: {}", date(back.reversed_on), back.entered_by, back.reason))
            }
            None => page.sheet(
                "Take it back: what it settled is open again",
                Sheet::new(
                    format!("/payments/{code}/reversal"),
                    "Take it back",
                    vec![Field::new("reason", "Why", Input::Text).hint("it bounced, it was another customer's")],
                ),
            ),
        })
    })
}

pub(super) async fn get_payment(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<PaymentCode>,
) -> Result<Html<ActPage>, Problem> {
    first(payment_page(&app, &who, &code).await)
}

pub(super) async fn post_reversal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<PaymentCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act =
        async |new: NewPaymentReversal| create_tx!(app, who, &form.once, |tx| tx.reverse_payment(&code, &new).await);
    payment_page(&app, &who, &code).await?.take("/reversal", &form, act, |_| format!("/payments/{code}")).await
}
