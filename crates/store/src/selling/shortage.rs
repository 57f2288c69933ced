//! What keeps a line of an order from being sent: why it is short, and whether it has a price.

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    selling::{allocation::AvailableLot, order::Order},
    text::GradeCode,
};

use crate::{Result, Tx};

/// Why grams of a line are not set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Shortage {
    /// Nothing that is good enough is free: sold out, promised to others, on hold, or of a lower grade.
    NothingFree {
        /// The lowest grade that the product takes.
        least_grade: GradeCode,
    },
    /// What is free has too few days left for this customer.
    TooOld {
        /// Days that the customer wants left at delivery.
        least_days: i32,
        /// The last day of the longest-lasting free lot.
        last_day: NaiveDate,
    },
    /// Lots are free by now, or less than one pack of each is.
    Free {
        /// How much.
        grams_g: Grams,
    },
    /// More is free only of lots that are packed for it, and what is packed stays as it is.
    Packed {
        /// How much.
        grams_g: Grams,
    },
}

/// How far a line of an open order can be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineReadiness {
    /// Why it is short; nothing where it is not.
    pub shortage: Option<Shortage>,
    /// Whether the customer's list has a price for it now.
    pub has_price: bool,
}

impl Tx {
    /// How far each line of an open order can be sent.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.line_readiness", skip_all, fields(farm_id = self.farm.0))]
    pub async fn line_readiness(&mut self, order: &Order) -> Result<Vec<LineReadiness>> {
        let terms = self.order_terms(&order.order, None, self.now).await?;
        let least_days = terms.customer.least_days;
        let needed_until = order.delivery_day + Days::new(u64::from(least_days.unsigned_abs()));
        let products = terms.products_of_lines()?;
        let short = order.lines.iter().zip(&products).filter(|(line, _)| line.short_g > Grams::ZERO);
        let of = self.candidates(&short.map(|(_, product)| product).collect::<Vec<_>>(), None).await?;
        let mut lines = Vec::with_capacity(order.lines.len());
        for (line, product) in order.lines.iter().zip(products) {
            let has_price = terms.products.get(&product.product).is_some_and(|p| p.has_price(line.grams_g));
            if line.short_g <= Grams::ZERO {
                lines.push(LineReadiness { shortage: None, has_price });
                continue;
            }
            let candidates = of.get(&product.product).map(Vec::as_slice).unwrap_or_default();
            let is_packed = |c: &&AvailableLot| line.packed().any(|t| t.lot == c.lot && t.place == c.place);
            let fresh = || candidates.iter().filter(|c| c.expires_on >= needed_until);
            let sum = |of: &mut dyn Iterator<Item = &AvailableLot>| of.map(|c| c.free).sum::<Grams>();
            let (all, packed) = (sum(&mut fresh()), sum(&mut fresh().filter(is_packed)));
            let shortage = Some(match candidates.iter().map(|c| c.expires_on).max() {
                None => Shortage::NothingFree { least_grade: product.least_grade },
                Some(last_day) if all == Grams::ZERO => Shortage::TooOld { least_days, last_day },
                Some(_) if all == packed => Shortage::Packed { grams_g: packed },
                Some(_) => Shortage::Free { grams_g: all - packed },
            });
            lines.push(LineReadiness { shortage, has_price });
        }
        Ok(lines)
    }
}
