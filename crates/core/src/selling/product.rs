//! What is sold, and at what price.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{Form, Packaging, PriceUnit},
    selling::gtin::Gtin,
    text::{GradeCode, Line, PriceListCode, ProductCode, StrainCode},
    units::{calendar::Instant, quantity::Grams},
};

/// A product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Product {
    /// Code.
    pub product: ProductCode,
    /// Name.
    pub name: String,
    /// The strains that it is sold of; any of them will do.
    pub strains: Vec<StrainCode>,
    /// The least grade; better ones will do.
    pub least_grade: GradeCode,
    /// The packaging it must be in; any unless said.
    pub packaging: Option<Packaging>,
    /// Fresh or dried.
    pub form: Form,
    /// Nominal grams of a pack; sold loose by weight without.
    pub pack_g: Option<i32>,
    /// Tax rate, per cent.
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// Its GTIN, if it has one.
    #[schema(value_type = Option<String>)]
    pub gtin: Option<Gtin>,
    /// The least price of a kilogram without tax that is taken for it unless a lower one is said to be meant; zero where there is none, and not
    /// told to whom prices are not.
    #[schema(value_type = Option<String>)]
    pub floor_per_kg: Option<Decimal>,
    /// Goes up with every change.
    pub version: i32,
}

impl Product {
    /// The same for whom prices are not for.
    #[must_use]
    pub fn without_prices(self) -> Self {
        Self { floor_per_kg: None, ..self }
    }
}

/// A product to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewProduct {
    /// Code.
    pub product: ProductCode,
    /// Name.
    pub name: Line,
    /// The strains that it is sold of.
    #[schema(min_items = 1, max_items = 20)]
    pub strains: Vec<StrainCode>,
    /// The least grade.
    pub least_grade: GradeCode,
    /// The packaging it must be in.
    pub packaging: Option<Packaging>,
    /// Fresh unless said.
    pub form: Option<Form>,
    /// Nominal grams of a pack.
    #[schema(minimum = 1, maximum = 25_000)]
    pub pack_g: Option<i32>,
    /// Tax rate, per cent.
    #[schema(value_type = String, pattern = r"^\d{1,3}(\.\d{1,3})?$")]
    pub tax_percent: Decimal,
    /// Its GTIN, if it has one.
    #[schema(value_type = Option<String>, pattern = "^([0-9]{8}|[0-9]{12,14})$")]
    pub gtin: Option<Gtin>,
    /// The least price of a kilogram without tax, in the farm's currency; none unless said.
    #[serde(default)]
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub floor_per_kg: Decimal,
}

/// Changes of a product.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProductChange {
    /// Name.
    pub name: Option<Line>,
    /// Tax rate, per cent.
    #[schema(value_type = Option<String>, pattern = r"^\d{1,3}(\.\d{1,3})?$")]
    pub tax_percent: Option<Decimal>,
    /// The least price of a kilogram without tax; zero takes it away. Prices that are set stay.
    #[schema(value_type = Option<String>, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub floor_per_kg: Option<Decimal>,
}

/// A price list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PriceList {
    /// Code.
    pub price_list: PriceListCode,
    /// Name.
    pub name: Line,
    /// Whether its prices have tax in them, as what people pay at a stall; they have none unless said. It cannot be changed later.
    #[serde(default)]
    pub tax_included: bool,
}

/// A price, from an instant on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Price {
    /// The list.
    pub price_list: PriceListCode,
    /// The product.
    pub product: ProductCode,
    /// The least weight of a line that has it, by what was ordered.
    pub from_g: Grams,
    /// Price of a unit in the farm's currency, with tax or without as its list says; none where it is taken off the list.
    #[schema(value_type = Option<String>)]
    pub amount: Option<Decimal>,
    /// A kilogram, or a pack.
    pub unit: PriceUnit,
    /// Whether tax is in it.
    pub tax_included: bool,
    /// Since when.
    pub effective_from: Instant,
}

/// A price to be set.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPrice {
    /// The list.
    pub price_list: PriceListCode,
    /// The product.
    pub product: ProductCode,
    /// The least weight of a line that has it, by what was ordered; every line unless said.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1_000_000)]
    pub from_g: Grams,
    /// Price of a unit in the farm's currency, with tax or without as its list says.
    #[schema(value_type = Option<String>, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub amount: Option<Decimal>,
    /// A kilogram, or a pack.
    pub unit: PriceUnit,
    /// Since when; now unless said.
    pub effective_from: Option<Instant>,
    /// In place of a price: takes the product off the list. At no weight that ends its prices of every weight.
    #[serde(default)]
    pub off_list: bool,
    /// Whether a price below the product's floor, or of nothing, is meant.
    #[serde(default)]
    pub below_floor: bool,
}
