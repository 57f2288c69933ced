//! Payments: what came, and which invoices it settles.

use chrono::{NaiveDate, TimeDelta};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    refusal::{Refusal, RefusalKind},
    text::{CustomerCode, DocketCode, InvoiceCode, Line, PaymentCode, Text},
    units::{calendar::Day, money::CurrencyRules},
};

/// Most invoices that one payment settles.
pub const MAX_SHARES: usize = 200;
/// How long ago a payment may have come. A mistyped year would hide it from every statement.
const MAX_AGE: TimeDelta = TimeDelta::days(366);

crate::kinds::string_enum!(/// How it was paid.
PaymentMethod {
    /// To the bank.
    BankTransfer = "bank_transfer",
    /// In coins and notes.
    Cash = "cash",
    /// By card.
    Card = "card",
    /// Not at all: the debt is given up.
    WriteOff = "write_off",
});

/// What a payment settles of an invoice.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PaymentShare {
    /// The invoice.
    pub invoice: InvoiceCode,
    /// How much of it.
    #[schema(value_type = String)]
    pub amount: Decimal,
}

/// A payment to be entered.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPayment {
    /// The customer.
    pub customer: CustomerCode,
    /// The amount; nothing where only credit is used that the customer has.
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// How it was paid.
    pub method: PaymentMethod,
    /// The day on which it came; today unless said.
    pub paid_on: Option<Day>,
    /// What stands on it: a number, a name.
    #[serde(default)]
    pub reference: Text<0, 200>,
    /// What it settles; the oldest invoices first unless said. What it does not settle is the customer's credit.
    #[schema(max_items = 200)]
    pub shares: Option<Vec<PaymentShare>>,
}

/// A payment that is taken back.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPaymentReversal {
    /// Why: it bounced, it was another customer's.
    pub reason: Line,
}

/// A payment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Payment {
    /// Code.
    pub payment: PaymentCode,
    /// The customer.
    pub customer: CustomerCode,
    /// The day on which it came.
    pub paid_on: NaiveDate,
    /// The amount.
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// How it was paid.
    pub method: PaymentMethod,
    /// What stands on it.
    pub reference: String,
    /// The docket that it was paid for at the door.
    pub docket: Option<DocketCode>,
    /// What it settled.
    pub shares: Vec<PaymentShare>,
    /// ISO 4217 letters.
    pub currency: String,
    /// The day on which it was taken back, and why.
    pub reversed: Option<PaymentReversal>,
    /// Who entered it.
    pub entered_by: String,
}

/// That a payment was taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PaymentReversal {
    /// The day.
    pub reversed_on: NaiveDate,
    /// Why.
    pub reason: String,
    /// Who entered it.
    pub entered_by: String,
}

/// An invoice on which something is open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OpenInvoice {
    /// The invoice.
    pub invoice: InvoiceCode,
    /// The day that it bears.
    pub issued_on: NaiveDate,
    /// The day on which it is due.
    pub due_on: NaiveDate,
    /// What it asked for.
    #[schema(value_type = String)]
    pub total: Decimal,
    /// What is still owed of it.
    #[schema(value_type = String)]
    pub open: Decimal,
}

/// What a payment is decided on.
#[derive(Debug, Clone, Copy)]
pub struct PaymentFacts<'a> {
    /// The customer's open invoices.
    pub open: &'a [OpenInvoice],
    /// What the customer paid and no invoice has taken, less what was paid at the door for dockets that wait for theirs.
    pub credit: Decimal,
    /// The farm's day.
    pub today: NaiveDate,
    /// The farm's coinage.
    pub coinage: CurrencyRules,
}

/// A payment to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PaymentPlan {
    /// The day on which it came.
    pub paid_on: NaiveDate,
    /// The amount.
    pub amount: Decimal,
    /// What it settles.
    pub shares: Vec<PaymentShare>,
}

/// How much of an invoice is settled by what was paid at the door for its dockets: as far as it is the customer's credit still.
#[must_use]
pub fn settled_from_door(paid: Decimal, credit: Decimal, total: Decimal) -> Decimal {
    paid.min(credit).min(total).max(Decimal::ZERO)
}

/// What was received by payments: those that were taken back are none.
#[must_use]
pub fn received(payments: &[Payment]) -> Decimal {
    payments.iter().filter(|p| p.reversed.is_none()).map(|p| p.amount).sum()
}

/// Decides what a payment settles. More than is owed is kept as credit.
///
/// # Errors
/// Refuses a day to come or more than a year ago, an invoice that is not the customer's or has nothing open, one that is named twice, a share beyond what is open,
/// shares beyond the amount and the credit, a payment of nothing that settles nothing, and a debt given up beyond what is owed.
pub fn settle_invoices(new: &NewPayment, facts: &PaymentFacts<'_>) -> Result<PaymentPlan, Refusal> {
    facts.coinage.ensure_amount(new.amount, "/amount")?;
    let amount = facts.coinage.round(new.amount);
    let paid_on = new.paid_on.map_or(facts.today, |day| day.0);
    if paid_on > facts.today {
        return Err(Refusal::field("/paid_on", "That day is still to come. Use today or an earlier day."));
    }
    if facts.today - paid_on > MAX_AGE {
        return Err(Refusal::field("/paid_on", "That day is more than a year ago. Check the year."));
    }
    // A debt is not given up with somebody's credit.
    let credit = if new.method == PaymentMethod::WriteOff { Decimal::ZERO } else { facts.credit };
    let shares = match &new.shares {
        Some(shares) => named(shares, facts)?,
        None => oldest_first(amount + credit, facts.open),
    };
    let settled: Decimal = shares.iter().map(|s| s.amount).sum();
    if settled > amount + credit {
        return Err(Refusal::field(
            "/shares",
            format!(
                "The shares add up to {settled}, and there are {amount} of this payment and {credit} of credit. Lower one of them."
            ),
        ));
    }
    if amount.is_zero() && settled.is_zero() {
        return Err(Refusal::field("/amount", "Nothing was paid and nothing is settled. Give the amount that came."));
    }
    if new.method == PaymentMethod::WriteOff && settled != amount {
        return Err(Refusal::field(
            "/amount",
            format!("{settled} are open of what this gives up. Give up no more than that."),
        ));
    }
    Ok(PaymentPlan { paid_on, amount, shares })
}

fn named(shares: &[PaymentShare], facts: &PaymentFacts<'_>) -> Result<Vec<PaymentShare>, Refusal> {
    if shares.len() > MAX_SHARES {
        return Err(Refusal::field("/shares", format!("A payment settles {MAX_SHARES} invoices at most. Enter two.")));
    }
    let mut done: Vec<PaymentShare> = Vec::new();
    for (n, share) in shares.iter().enumerate() {
        let at = |field: &str| format!("/shares/{n}/{field}");
        facts.coinage.ensure_amount(share.amount, &at("amount"))?;
        if share.amount.is_zero() {
            return Err(Refusal::field(at("amount"), "Give an amount above zero, or leave the invoice out."));
        }
        if done.iter().any(|s| s.invoice == share.invoice) {
            return Err(Refusal::field(at("invoice"), format!("{} is named twice. Name it once.", share.invoice)));
        }
        let Some(open) = facts.open.iter().find(|i| i.invoice == share.invoice) else {
            return Err(Refusal::new(
                RefusalKind::Invalid,
                format!("{} is not this customer's, or nothing of it is open. Check the code.", share.invoice),
            )
            .at(at("invoice")));
        };
        if share.amount > open.open {
            return Err(Refusal::field(
                at("amount"),
                format!(
                    "{} is open of {}. Settle no more than that; the rest is kept as credit.",
                    open.open, share.invoice
                ),
            ));
        }
        done.push(PaymentShare { invoice: share.invoice.clone(), amount: facts.coinage.round(share.amount) });
    }
    Ok(done)
}

/// Shares of the invoices that were due first, as far as the money goes.
fn oldest_first(mut money: Decimal, open: &[OpenInvoice]) -> Vec<PaymentShare> {
    let mut open: Vec<&OpenInvoice> = open.iter().collect();
    open.sort_by_key(|i| (i.due_on, i.issued_on, i.invoice.as_str().len(), i.invoice.clone()));
    let mut shares = Vec::new();
    for invoice in open.into_iter().take(MAX_SHARES) {
        let amount = invoice.open.min(money);
        if amount <= Decimal::ZERO {
            break;
        }
        money -= amount;
        shares.push(PaymentShare { invoice: invoice.invoice.clone(), amount });
    }
    shares
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::{
        super::examples::{changed, day, euro},
        *,
    };

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn open(code: &str, due: u32, amount: &str) -> OpenInvoice {
        OpenInvoice {
            invoice: code.parse().unwrap(),
            issued_on: day(1),
            due_on: day(due),
            total: d("100"),
            open: d(amount),
        }
    }

    fn paid(changes: serde_json::Value) -> NewPayment {
        changed(json!({"customer": "CAFE", "amount": "50", "method": "bank_transfer"}), changes)
    }

    fn decide(new: &NewPayment, credit: &str) -> Result<PaymentPlan, Refusal> {
        let open = [open("INV-2", 9, "40.00"), open("INV-1", 5, "30.00"), open("INV-10", 9, "1.00")];
        settle_invoices(new, &PaymentFacts { open: &open, credit: d(credit), today: day(20), coinage: euro() })
    }

    fn shares(plan: &PaymentPlan) -> Vec<(&str, Decimal)> {
        plan.shares.iter().map(|s| (s.invoice.as_str(), s.amount)).collect()
    }

    #[test]
    fn what_was_due_first_is_settled_first_and_the_rest_is_credit() {
        assert_eq!(shares(&decide(&paid(json!({})), "0").unwrap()), [("INV-1", d("30")), ("INV-2", d("20"))]);
        let over = decide(&paid(json!({"amount": "100"})), "0").unwrap();
        assert_eq!(shares(&over), [("INV-1", d("30")), ("INV-2", d("40")), ("INV-10", d("1"))]);
        assert_eq!(over.amount, d("100"));
        // Credit goes with it, and may go alone.
        assert_eq!(shares(&decide(&paid(json!({"amount": "0"})), "12.50").unwrap()), [("INV-1", d("12.50"))]);
    }

    #[test]
    fn a_refusal_names_the_amount_or_the_share() {
        let refused = |changes: serde_json::Value, credit: &str| {
            decide(&paid(changes), credit).unwrap_err().faults[0].pointer.clone()
        };
        assert_eq!(refused(json!({"amount": "1.005"}), "0"), "/amount");
        assert_eq!(refused(json!({"amount": "-1"}), "0"), "/amount");
        assert_eq!(refused(json!({"amount": "0"}), "0"), "/amount");
        assert_eq!(refused(json!({"paid_on": "2026-05-21"}), "0"), "/paid_on");
        assert_eq!(refused(json!({"paid_on": "2016-05-20"}), "0"), "/paid_on");
        let share = |invoice: &str, amount: &str| json!({"invoice": invoice, "amount": amount});
        assert_eq!(refused(json!({"shares": [share("INV-1", "30.01")]}), "0"), "/shares/0/amount");
        assert_eq!(refused(json!({"shares": [share("INV-1", "0")]}), "0"), "/shares/0/amount");
        assert_eq!(refused(json!({"shares": [share("INV-9", "1")]}), "0"), "/shares/0/invoice");
        assert_eq!(refused(json!({"shares": [share("INV-1", "1"), share("INV-1", "1")]}), "0"), "/shares/1/invoice");
        assert_eq!(refused(json!({"shares": [share("INV-1", "30"), share("INV-2", "30")]}), "9.99"), "/shares");
        assert!(decide(&paid(json!({"shares": [share("INV-1", "30"), share("INV-2", "30")]})), "10").is_ok());
    }

    #[test]
    fn no_more_is_given_up_than_is_owed_and_not_with_credit() {
        let give_up = |amount: &str| decide(&paid(json!({"method": "write_off", "amount": amount})), "500");
        assert_eq!(shares(&give_up("30.00").unwrap()), [("INV-1", d("30"))]);
        assert_eq!(give_up("71.01").unwrap_err().faults[0].pointer, "/amount");
        assert_eq!(give_up("0").unwrap_err().faults[0].pointer, "/amount");
    }

    proptest! {
        /// No share is more than is open, and none is left while money and something open are.
        #[test]
        fn money_goes_as_far_as_it_goes(cents in prop::collection::vec((1u32..28, 1i64..10_000), 0..8), amount in 1i64..40_000, credit in 0i64..20_000) {
            let open: Vec<OpenInvoice> = cents
                .iter()
                .enumerate()
                .map(|(n, (due, cents))| OpenInvoice { open: Decimal::new(*cents, 2), ..open(&format!("INV-{n}"), *due, "0") })
                .collect();
            let new = paid(json!({"amount": Decimal::new(amount, 2)}));
            let facts = PaymentFacts { open: &open, credit: Decimal::new(credit, 2), today: day(20), coinage: euro() };
            let plan = settle_invoices(&new, &facts).unwrap();
            let settled: Decimal = plan.shares.iter().map(|s| s.amount).sum();
            let owed: Decimal = open.iter().map(|i| i.open).sum();
            prop_assert_eq!(settled, owed.min(Decimal::new(amount + credit, 2)));
            for share in &plan.shares {
                prop_assert!(share.amount <= open.iter().find(|i| i.invoice == share.invoice).unwrap().open);
            }
        }
    }
}
