//! What is billable: a docket's line by what the customer has of it and what of that is on invoices.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::PriceUnit,
    text::DocketCode,
    units::{money::CurrencyRules, quantity::Grams},
};

/// A docket's line as it stands: what the customer has of it, and what of that is on invoices.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BillableLine {
    /// The docket.
    pub docket: DocketCode,
    /// Its line.
    pub docket_line: i32,
    /// The day on which the customer had it.
    pub delivered_on: NaiveDate,
    /// The number that the customer knows the order by; empty where they gave none.
    pub order_reference: String,
    /// Name of the product when it went out.
    pub product_name: String,
    /// Grams of a pack, where it was sold in packs.
    pub pack_g: Option<i64>,
    /// Price of a unit when it went out.
    #[schema(value_type = String)]
    pub price: Decimal,
    /// A kilogram, or a pack.
    pub unit: PriceUnit,
    /// Tax rate when it went out, per cent.
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// What went out.
    pub sent_g: Grams,
    /// Net amount of what went out.
    #[schema(value_type = String)]
    pub sent_net: Decimal,
    /// What the customer has of it.
    pub kept_g: Grams,
    /// What is on invoices.
    pub billed_g: Grams,
    /// Net amount that is on invoices.
    #[schema(value_type = String)]
    pub billed_net: Decimal,
}

impl BillableLine {
    /// Net amount of so many grams of the line, which never is more than that of all of them.
    #[must_use]
    pub fn worth(&self, grams: Grams, coinage: CurrencyRules) -> Decimal {
        coinage.round(self.sent_net * Decimal::from(grams.0) / Decimal::from(self.sent_g.0.max(1)))
    }

    /// Grams that the customer has and no invoice; below zero where more is on invoices than the customer kept.
    #[must_use]
    pub fn unbilled_g(&self) -> Grams {
        self.kept_g - self.billed_g
    }

    /// Their net amount.
    #[must_use]
    pub fn unbilled_net(&self, coinage: CurrencyRules) -> Decimal {
        coinage.round(self.worth(self.kept_g, coinage) - self.billed_net)
    }

    /// Packs of a weight, where it was sold in packs and the weight is whole ones.
    #[must_use]
    pub fn packs(&self, grams: Grams) -> Option<i64> {
        self.pack_g.filter(|pack| *pack > 0 && grams.0 > 0 && grams.0 % pack == 0).map(|pack| grams.0 / pack)
    }
}
