//! The journal: what was sold, invoiced and paid, as debits and credits of accounts.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::text::CustomerCode;

crate::kinds::string_enum!(/// An account of the journal.
JournalAccount {
    /// What customers owe on invoices.
    Receivables = "receivables",
    /// What was handed over and is on no invoice yet.
    DeliveredNotInvoiced = "delivered_not_invoiced",
    /// What was earned, without tax.
    Revenue = "revenue",
    /// Tax that is owed to the state.
    Tax = "tax",
    /// The bank.
    Bank = "bank",
    /// Coins and notes.
    Cash = "cash",
    /// What came by card.
    Card = "card",
    /// Debts that were given up.
    BadDebts = "bad_debts",
    /// Fees of stalls.
    StallFees = "stall_fees",
    /// What stalls took, in the box and by card.
    StallTakings = "stall_takings",
});

crate::kinds::string_enum!(/// What a line of the journal is booked by.
JournalKind {
    /// Goods that were handed over, came back, or were sold at a stall.
    Sale = "sale",
    /// An invoice.
    Invoice = "invoice",
    /// A credit note.
    CreditNote = "credit_note",
    /// A payment.
    Payment = "payment",
    /// A payment that was taken back.
    PaymentReversal = "payment_reversal",
});

/// A line of the journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct JournalLine {
    /// The day that it is booked on.
    pub booked_on: NaiveDate,
    /// What it is booked by.
    pub kind: JournalKind,
    /// The code of the docket, market day, invoice, credit note or payment.
    pub document: String,
    /// The account.
    pub account: JournalAccount,
    /// The customer.
    pub customer: CustomerCode,
    /// Debit above zero, credit below.
    #[schema(value_type = String)]
    pub amount: Decimal,
}

/// A sale as it is booked: what was handed over, came back, or was sold at a stall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sold {
    /// Whether at a stall, where it was paid at once.
    pub at_stall: bool,
    /// Without tax; below zero for what came back.
    pub net: Decimal,
    /// Tax that was taken with it; none of what is invoiced later.
    pub tax: Decimal,
    /// What it cost to sell it.
    pub fee: Decimal,
}

/// What a sale is booked as. It adds up to nothing.
#[must_use]
pub fn booked(sold: Sold) -> Vec<(JournalAccount, Decimal)> {
    let lines = if sold.at_stall {
        vec![
            (JournalAccount::StallTakings, sold.net + sold.tax - sold.fee),
            (JournalAccount::StallFees, sold.fee),
            (JournalAccount::Revenue, -sold.net),
            (JournalAccount::Tax, -sold.tax),
        ]
    } else {
        vec![(JournalAccount::DeliveredNotInvoiced, sold.net), (JournalAccount::Revenue, -sold.net)]
    };
    lines.into_iter().filter(|(_, amount)| !amount.is_zero()).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Whatever was sold, debits are credits.
        #[test]
        fn a_sale_adds_up_to_nothing(at_stall: bool, net in -100_000i64..100_000, tax in 0i64..10_000, fee in 0i64..10_000) {
            let cents = |n: i64| Decimal::new(n, 2);
            let lines = booked(Sold { at_stall, net: cents(net), tax: cents(tax), fee: cents(fee) });
            prop_assert_eq!(lines.iter().map(|(_, amount)| *amount).sum::<Decimal>(), Decimal::ZERO);
            prop_assert!(lines.iter().all(|(_, amount)| !amount.is_zero()));
        }
    }
}
