//! What customers owe: open invoices by age, and the statement of an account.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::payment::OpenInvoice;
use crate::text::CustomerCode;

/// What is open, by the days that it is overdue.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Ageing {
    /// Not due yet, or due today.
    #[schema(value_type = String)]
    pub not_due: Decimal,
    /// Overdue for 1 to 30 days.
    #[schema(value_type = String)]
    pub days_1_to_30: Decimal,
    /// Overdue for 31 to 60 days.
    #[schema(value_type = String)]
    pub days_31_to_60: Decimal,
    /// Overdue for 61 to 90 days.
    #[schema(value_type = String)]
    pub days_61_to_90: Decimal,
    /// Overdue for more than 90 days.
    #[schema(value_type = String)]
    pub over_90_days: Decimal,
}

impl Ageing {
    /// Sorts what is open by age.
    #[must_use]
    pub fn of<'a>(open: impl IntoIterator<Item = &'a OpenInvoice>, today: NaiveDate) -> Self {
        let mut ageing = Self::default();
        for invoice in open {
            let bucket = match (today - invoice.due_on).num_days() {
                ..=0 => &mut ageing.not_due,
                1..=30 => &mut ageing.days_1_to_30,
                31..=60 => &mut ageing.days_31_to_60,
                61..=90 => &mut ageing.days_61_to_90,
                _ => &mut ageing.over_90_days,
            };
            *bucket += invoice.open;
        }
        ageing
    }

    /// All that is open.
    #[must_use]
    pub fn open(&self) -> Decimal {
        self.not_due + self.overdue()
    }

    /// All that is overdue.
    #[must_use]
    pub fn overdue(&self) -> Decimal {
        self.days_1_to_30 + self.days_31_to_60 + self.days_61_to_90 + self.over_90_days
    }
}

/// What a customer owes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Receivable {
    /// The customer.
    pub customer: CustomerCode,
    /// Its name.
    pub name: String,
    /// Handed over and on no invoice, without tax; below zero where more is on invoices than was kept.
    #[schema(value_type = String)]
    pub not_invoiced_net: Decimal,
    /// Open on invoices.
    #[schema(value_type = String)]
    pub open: Decimal,
    /// Of that, overdue.
    #[schema(value_type = String)]
    pub overdue: Decimal,
    /// What is open, by age.
    pub ageing: Ageing,
    /// What the customer paid and no invoice has taken.
    #[schema(value_type = String)]
    pub credit: Decimal,
}

crate::kinds::string_enum!(/// What a row of a statement is.
StatementKind {
    /// An invoice.
    Invoice = "invoice",
    /// A credit note.
    CreditNote = "credit_note",
    /// A payment.
    Payment = "payment",
    /// A payment that was taken back.
    PaymentReversal = "payment_reversal",
});

/// A row of a statement.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StatementRow {
    /// The day.
    pub day: NaiveDate,
    /// What it is.
    pub kind: StatementKind,
    /// The code of the invoice, credit note or payment.
    pub document: String,
    /// What it adds to the debt; below zero for what takes off it.
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// The debt after it; below zero for credit.
    #[schema(value_type = String)]
    pub balance: Decimal,
}

/// A customer's account over some days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Statement {
    /// The customer.
    pub customer: CustomerCode,
    /// Its name.
    pub name: String,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub until: NaiveDate,
    /// ISO 4217 letters.
    pub currency: String,
    /// The debt before the first day.
    #[schema(value_type = String)]
    pub opening_balance: Decimal,
    /// What happened, oldest first.
    pub rows: Vec<StatementRow>,
    /// The debt after the last day.
    #[schema(value_type = String)]
    pub closing_balance: Decimal,
    /// Invoices that are open now.
    pub open_invoices: Vec<OpenInvoice>,
    /// What is open now, by age.
    pub ageing: Ageing,
    /// What the customer paid and no invoice has taken.
    #[schema(value_type = String)]
    pub credit: Decimal,
}

/// Rows with the debt after each, and the debt after all of them.
#[must_use]
pub fn run_balance(opening: Decimal, mut rows: Vec<StatementRow>) -> (Vec<StatementRow>, Decimal) {
    let mut balance = opening;
    for row in &mut rows {
        balance += row.amount;
        row.balance = balance;
    }
    (rows, balance)
}

#[cfg(test)]
mod tests {
    use super::{super::examples::day, *};

    /// The edges of each age, which the names of the columns give.
    #[test]
    fn a_debt_grows_old_by_the_day() {
        let aged = |days: i64| {
            let due_on = day(20) - chrono::TimeDelta::days(days);
            let open = OpenInvoice {
                invoice: "INV-1".parse().unwrap(),
                issued_on: due_on,
                due_on,
                total: Decimal::ONE,
                open: Decimal::ONE,
            };
            let a = Ageing::of([&open], day(20));
            assert_eq!(a.open(), Decimal::ONE);
            [a.not_due, a.days_1_to_30, a.days_31_to_60, a.days_61_to_90, a.over_90_days].map(|n| n == Decimal::ONE)
        };
        for (days, bucket) in [(-3, 0), (0, 0), (1, 1), (30, 1), (31, 2), (60, 2), (61, 3), (90, 3), (91, 4), (400, 4)]
        {
            assert!(aged(days)[bucket], "{days} days");
        }
    }

    #[test]
    fn a_balance_runs_on() {
        let row = |amount: i64| StatementRow {
            day: day(1),
            kind: StatementKind::Invoice,
            document: String::new(),
            amount: Decimal::from(amount),
            balance: Decimal::ZERO,
        };
        let (rows, closing) = run_balance(Decimal::TEN, vec![row(5), row(-20)]);
        assert_eq!(rows.iter().map(|r| r.balance).collect::<Vec<_>>(), [Decimal::from(15), Decimal::from(-5)]);
        assert_eq!(closing, Decimal::from(-5));
        assert_eq!(run_balance(Decimal::ONE, Vec::new()).1, Decimal::ONE);
    }
}
