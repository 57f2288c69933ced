//! Who buys, and on what terms.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::CustomerKind,
    text::{CustomerCode, Line, Note, PriceListCode, Text},
    units::quantity::Grams,
};

/// A customer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Customer {
    /// Code.
    pub customer: CustomerCode,
    /// Name.
    pub name: String,
    /// Kind, which is also the channel.
    pub kind: CustomerKind,
    /// The price list.
    pub price_list: PriceListCode,
    /// Days that must be left at delivery.
    pub least_days: i32,
    /// Wants the freshest.
    pub freshest: bool,
    /// Per cent over the ordered weight that it takes.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub over_percent: Decimal,
    /// Least weight of an order.
    pub min_order_g: Grams,
    /// Where it goes.
    pub address: String,
    /// E-mail.
    pub email: String,
    /// Days from an invoice to the day on which it is due.
    pub payment_days: i32,
    /// The number under which it is registered for tax; empty where there is none.
    pub tax_number: String,
    /// Goes up with every change.
    pub version: i32,
}

/// A customer to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCustomer {
    /// Code.
    pub customer: CustomerCode,
    /// Name.
    pub name: Line,
    /// Kind.
    pub kind: CustomerKind,
    /// The price list.
    pub price_list: PriceListCode,
    /// Days that must be left at delivery.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 365)]
    pub least_days: i32,
    /// Wants the freshest.
    #[serde(default)]
    pub freshest: bool,
    /// Per cent over the ordered weight that it takes; ten unless said.
    #[serde(default = "ten", with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 50)]
    pub over_percent: Decimal,
    /// Least weight of an order.
    #[serde(default)]
    pub min_order_g: Grams,
    /// Where it goes.
    #[serde(default)]
    pub address: Note,
    /// E-mail.
    #[serde(default)]
    pub email: Text<0, 254>,
    /// Days from an invoice to the day on which it is due; fourteen unless said.
    #[serde(default = "fortnight")]
    #[schema(minimum = 0, maximum = 365)]
    pub payment_days: i32,
    /// The number under which it is registered for tax.
    #[serde(default)]
    pub tax_number: Text<0, 60>,
}

/// Per cent, as a JSON number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(transparent)]
pub struct Percent(#[serde(with = "rust_decimal::serde::float")] pub Decimal);

/// Changes of a customer.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CustomerChange {
    /// Name.
    pub name: Option<Line>,
    /// Kind, which is also the channel: what was sold to it before counts under the new one in weeks that are not closed.
    pub kind: Option<CustomerKind>,
    /// The price list.
    pub price_list: Option<PriceListCode>,
    /// Days that must be left at delivery.
    pub least_days: Option<i32>,
    /// Wants the freshest.
    pub freshest: Option<bool>,
    /// Per cent over the ordered weight that it takes.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 50)]
    pub over_percent: Option<Percent>,
    /// Least weight of an order.
    pub min_order_g: Option<Grams>,
    /// Where it goes.
    pub address: Option<Note>,
    /// E-mail.
    pub email: Option<Text<0, 254>>,
    /// Days from an invoice to the day on which it is due. Invoices that are issued keep theirs.
    #[schema(minimum = 0, maximum = 365)]
    pub payment_days: Option<i32>,
    /// The number under which it is registered for tax; empty where there is none.
    pub tax_number: Option<Text<0, 60>>,
}

const fn fortnight() -> i32 {
    14
}

const fn ten() -> Decimal {
    Decimal::TEN
}
