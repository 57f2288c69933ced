//! What needs doing this morning.

use std::collections::BTreeMap;

use chrono::Days;
use gillbook_core::{
    Grams,
    calendar::day_of,
    text::{LotCode, StrainCode},
    words::OrderStatus,
};

use crate::{Page, Result, Tx};

/// What calls for attention this morning.
#[derive(Debug, Clone, PartialEq)]
pub struct Morning {
    /// Free and promised grams by strain.
    pub strains: Vec<(StrainCode, Grams, Grams)>,
    /// Orders for today or before that have not gone out.
    pub to_make_up: i64,
    /// Dockets on the way.
    pub on_the_way: i64,
    /// Lots on hold with stock.
    pub on_hold: i64,
    /// Grams short on orders until today.
    pub short_g: Grams,
}

impl Tx {
    /// What calls for attention this morning.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn morning(&mut self) -> Result<Morning> {
        let today = day_of(self.now, self.ways().await?.zone);
        let mut strains: BTreeMap<StrainCode, (Grams, Grams)> = BTreeMap::new();
        let stock = self.stock(None, None).await?;
        let held: std::collections::BTreeSet<&LotCode> = stock.iter().filter(|s| s.on_hold).map(|s| &s.lot).collect();
        let on_hold = i64::try_from(held.len()).unwrap_or(i64::MAX);
        for s in stock.iter().filter(|s| s.place_kind.sells() && !s.on_hold) {
            strains.entry(s.strain.clone()).or_default().0 += s.grams_g;
        }
        let orders = self
            .orders(None, Some(today + Days::new(2)), Some(OrderStatus::Confirmed), &Page { after: None, limit: 5000 })
            .await?;
        let products = self.products(&Page { after: None, limit: 5000 }).await?;
        for l in orders.iter().flat_map(|o| &o.lines) {
            // A product of several strains counts for its first.
            if let Some(strain) = products.iter().find(|p| p.product == l.product).and_then(|p| p.strains.first()) {
                strains.entry(strain.clone()).or_default().1 += l.grams_g;
            }
        }
        let due: Vec<_> = orders.iter().filter(|o| o.delivery_day <= today).collect();
        let on_the_way = sqlx::query_scalar!(
            r#"select count(*) as "n!" from customer_order where farm_id = $1 and status = 'dispatched'"#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(Morning {
            strains: strains.into_iter().map(|(s, (free, promised))| (s, free, promised)).collect(),
            to_make_up: i64::try_from(due.len()).unwrap_or(i64::MAX),
            on_the_way,
            on_hold,
            short_g: due.iter().flat_map(|o| &o.lines).map(|l| l.short_g).sum(),
        })
    }
}
