//! The ledger in memory.

use std::collections::BTreeMap;

use anyhow::{Context, Result, ensure};
use chrono::NaiveDate;
use serde_json::Value;

/// A quotient of what is not below zero, halves up.
pub fn rounded(of: i64, by: i64) -> i64 {
    (2 * of + by) / (2 * by)
}

/// A line of a docket: what went out, what the customer has of it, what of that is on invoices.
#[derive(Debug)]
pub struct Line {
    pub tax: i64,
    pub grams: i64,
    pub net: i64,
    pub kept: i64,
    pub billed_g: i64,
    pub billed_net: i64,
}

impl Line {
    pub fn worth(&self, grams: i64) -> i64 {
        rounded(self.net * grams, self.grams)
    }
}

#[derive(Debug)]
pub struct Sale {
    pub code: String,
    pub customer: usize,
    pub delivered: bool,
    pub lines: Vec<Line>,
}

#[derive(Debug)]
pub struct InvoiceLine {
    /// The sale and its line; none of what is not goods.
    pub of: Option<(usize, usize)>,
    pub tax: i64,
    pub grams: i64,
    pub net: i64,
    pub credited_g: i64,
    pub credited_net: i64,
}

#[derive(Debug)]
pub struct Invoice {
    pub code: String,
    pub customer: usize,
    pub issued_on: NaiveDate,
    pub lines: Vec<InvoiceLine>,
    /// By rate: asked for, and credited of it.
    pub taxes: BTreeMap<i64, (i64, i64)>,
    pub total: i64,
    pub credited: i64,
}

#[derive(Debug)]
pub struct Payment {
    pub code: String,
    pub customer: usize,
    pub amount: i64,
    pub method: &'static str,
    pub shares: Vec<(usize, i64)>,
    pub reversed: bool,
}

/// The ledger.
#[derive(Debug, Default)]
pub struct Ledger {
    pub sales: Vec<Sale>,
    pub invoices: Vec<Invoice>,
    pub payments: Vec<Payment>,
}

impl Ledger {
    pub fn paid_of(&self, invoice: usize) -> i64 {
        let stand = self.payments.iter().filter(|p| !p.reversed).flat_map(|p| &p.shares);
        stand.filter(|(of, _)| *of == invoice).map(|(_, amount)| amount).sum()
    }

    pub fn open_of(&self, invoice: usize) -> i64 {
        (self.invoices[invoice].total - self.invoices[invoice].credited - self.paid_of(invoice)).max(0)
    }

    pub fn of(&self, customer: usize) -> impl Iterator<Item = usize> + '_ {
        (0..self.invoices.len()).filter(move |i| self.invoices[*i].customer == customer)
    }

    pub fn open(&self, customer: usize) -> i64 {
        self.of(customer).map(|i| self.open_of(i)).sum()
    }

    /// What is over of payments, and of invoices that were credited after they were paid.
    pub fn credit(&self, customer: usize) -> i64 {
        let payments = self.payments.iter().filter(|p| p.customer == customer && !p.reversed);
        let over: i64 = payments.map(|p| p.amount - p.shares.iter().map(|s| s.1).sum::<i64>()).sum();
        let invoices = self.of(customer);
        over + invoices
            .map(|i| (self.invoices[i].credited + self.paid_of(i) - self.invoices[i].total).max(0))
            .sum::<i64>()
    }

    pub fn balance(&self, customer: usize) -> i64 {
        let owed: i64 = self.of(customer).map(|i| self.invoices[i].total - self.invoices[i].credited).sum();
        let paid = self.payments.iter().filter(|p| p.customer == customer && !p.reversed);
        owed - paid.map(|p| p.amount).sum::<i64>()
    }

    pub fn not_invoiced(&self, customer: usize) -> i64 {
        let sales = self.sales.iter().filter(|s| s.customer == customer && s.delivered);
        sales.flat_map(|s| &s.lines).map(|l| l.worth(l.kept) - l.billed_net).sum()
    }
}

/// Money as it is sent, and as it is told.
pub fn text(cents: i64) -> String {
    let sign = if cents < 0 { "-" } else { "" };
    format!("{sign}{}.{:02}", cents.abs() / 100, cents.abs() % 100)
}

pub fn cents(told: &Value) -> Result<i64> {
    let text = told.as_str().with_context(|| format!("{told} is no amount"))?;
    let (whole, part) = text.split_once('.').with_context(|| format!("{text} has two decimals"))?;
    ensure!(part.len() == 2, "{text} has two decimals");
    Ok(format!("{whole}{part}").parse()?)
}
