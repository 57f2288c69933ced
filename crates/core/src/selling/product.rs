//! What is sold, and at what price.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{Form, Packaging, PriceUnit},
    text::{GradeCode, Line, PriceListCode, ProductCode, StrainCode, Text},
    units::calendar::Instant,
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
    pub gtin: Option<String>,
    /// Goes up with every change.
    pub version: i32,
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
    pub gtin: Option<Text<8, 14>>,
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
}

/// A price list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PriceList {
    /// Code.
    pub price_list: PriceListCode,
    /// Name.
    pub name: Line,
}

/// A price, from a day on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Price {
    /// The list.
    pub price_list: PriceListCode,
    /// The product.
    pub product: ProductCode,
    /// Price of a unit without tax, in the farm's currency.
    #[schema(value_type = String, pattern = r"^\d{1,5}(\.\d{1,4})?$")]
    pub amount: Decimal,
    /// A kilogram, or a pack.
    pub unit: PriceUnit,
    /// Since when; now unless said.
    pub effective_from: Option<Instant>,
}
