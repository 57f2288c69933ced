//! What an invoice adds up to, with the tax of each rate.
//!
//! The sums follow EN 16931-1:2017, 6.4: lines make the net sum, each rate has its tax, net and tax make the total.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::units::money::CurrencyRules;

crate::kinds::string_enum!(/// Of what the tax of an invoice is rounded. Tax offices allow the one or the other.
TaxBy {
    /// Of the net sum of each rate, as EN 16931 has it (BR-CO-17).
    Rate = "rate",
    /// Of each line.
    Line = "line",
});

/// The tax of one rate (BG-23).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TaxTotal {
    /// Tax rate, per cent (BT-119).
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// Net amount (BT-116).
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Tax (BT-117).
    #[schema(value_type = String)]
    pub tax: Decimal,
}

/// The sums of an invoice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sums {
    /// Tax by rate, lowest first.
    pub taxes: Vec<TaxTotal>,
    /// Net.
    pub net: Decimal,
    /// Tax.
    pub tax: Decimal,
    /// Both.
    pub total: Decimal,
}

/// Adds up lines of a rate and a net amount each.
#[must_use]
pub fn add_up(lines: &[(Decimal, Decimal)], tax_by: TaxBy, coinage: CurrencyRules) -> Sums {
    let tax_of = |net: Decimal, percent: Decimal| coinage.round(net * percent / Decimal::ONE_HUNDRED);
    let mut rates: BTreeMap<Decimal, (Decimal, Decimal)> = BTreeMap::new();
    for (percent, net) in lines {
        let sum = rates.entry(percent.normalize()).or_default();
        sum.0 += net;
        sum.1 += tax_of(*net, *percent);
    }
    let taxes: Vec<TaxTotal> = rates
        .into_iter()
        .map(|(tax_percent, (net, by_line))| {
            let tax = match tax_by {
                TaxBy::Rate => tax_of(net, tax_percent),
                TaxBy::Line => by_line,
            };
            TaxTotal { tax_percent, net: coinage.round(net), tax: coinage.round(tax) }
        })
        .collect();
    let net = coinage.round(taxes.iter().map(|t| t.net).sum());
    let tax = coinage.round(taxes.iter().map(|t| t.tax).sum());
    Sums { taxes, net, tax, total: net + tax }
}
