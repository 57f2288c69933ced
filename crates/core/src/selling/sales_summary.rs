//! What was sold of some days, by customer, product and tax rate.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    text::{CustomerCode, ProductCode},
    units::{money::CurrencyRules, quantity::Grams},
};

/// What a customer had of a product at a tax rate: handed over, fetched or sold at a stall, less what came back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ProductSales {
    /// The customer; of a stall the one that stands for the people there.
    pub customer: CustomerCode,
    /// The product; none of what a stall sold and has no price for, or took for no goods.
    pub product: Option<ProductCode>,
    /// Tax rate, per cent; none of what a stall took for no goods, which counts at the highest rate.
    #[schema(value_type = Option<String>)]
    pub tax_percent: Option<Decimal>,
    /// How much.
    pub grams_g: Grams,
    /// Without tax.
    #[schema(value_type = String)]
    pub net: Decimal,
}

/// Adds up what was sold, each customer's together. What came to nothing is left out.
#[must_use]
pub fn add_up_sales(sold: impl IntoIterator<Item = ProductSales>, coinage: CurrencyRules) -> Vec<ProductSales> {
    let mut sums: BTreeMap<_, (Grams, Decimal)> = BTreeMap::new();
    for sale in sold {
        let rate = sale.tax_percent.map(|percent| percent.normalize());
        let sum = sums.entry((sale.customer, sale.product, rate)).or_default();
        sum.0 += sale.grams_g;
        sum.1 += sale.net;
    }
    let rows = sums.into_iter().map(|((customer, product, tax_percent), (grams_g, net))| ProductSales {
        customer,
        product,
        tax_percent,
        grams_g,
        net: coinage.round(net),
    });
    rows.filter(|row| row.grams_g != Grams::ZERO || !row.net.is_zero()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::money::Rounding;

    #[test]
    fn what_was_sold_is_added_up_by_customer_product_and_rate() {
        let sale = |customer: &str, product: Option<&str>, percent: &str, grams, net: &str| ProductSales {
            customer: customer.parse().unwrap(),
            product: product.map(|p| p.parse().unwrap()),
            tax_percent: product.map(|_| percent.parse().unwrap()),
            grams_g: Grams(grams),
            net: net.parse().unwrap(),
        };
        let coinage = CurrencyRules::new("EUR", Rounding::HalfUp).unwrap();
        let sold = [
            sale("PLUM", Some("OY"), "5.5", 1000, "14.00"),
            sale("ASH", Some("OY"), "5.5", 500, "7.00"),
            sale("PLUM", Some("OY"), "5.50", -200, "-2.80"),
            sale("PLUM", Some("OY"), "10", 100, "1.50"),
            sale("PLUM", Some("LM"), "5.5", 300, "6.00"),
            sale("PLUM", Some("LM"), "5.5", -300, "-6.00"),
            sale("ASH", None, "", 0, "1"),
        ];
        let expected = [
            sale("ASH", None, "", 0, "1.00"),
            sale("ASH", Some("OY"), "5.5", 500, "7.00"),
            sale("PLUM", Some("OY"), "5.5", 800, "11.20"),
            sale("PLUM", Some("OY"), "10", 100, "1.50"),
        ];
        assert_eq!(add_up_sales(sold, coinage), expected);
    }
}
