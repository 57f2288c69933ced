//! What was sold of some days, by customer, product and tax rate.

use chrono::NaiveDate;
use gillbook_core::selling::sales_summary::{ProductSales, add_up_sales};

use crate::{Result, Tx};

impl Tx {
    /// What was sold from one day to another, both counted: its net sums are the revenue of the journal's sales of those days.
    ///
    /// # Errors
    /// Refuses days in the wrong order and more than a year.
    #[tracing::instrument(level = "debug", name = "store.reports.sales_summary", skip_all, fields(farm_id = self.farm.0))]
    pub async fn sales_summary(&mut self, from: NaiveDate, until: NaiveDate) -> Result<Vec<ProductSales>> {
        let span = self.span_of_books(from, until).await?;
        let coinage = self.farm_settings().await?.coinage;
        let sold = self.sales(Some(span)).await?.into_iter().map(|row| ProductSales {
            customer: row.customer,
            product: row.product,
            tax_percent: row.tax_percent,
            grams_g: row.grams,
            net: row.amount,
        });
        Ok(add_up_sales(sold, coinage))
    }
}
