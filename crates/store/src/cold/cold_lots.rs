//! Lots of strains that keep badly so cold.
//!
//! A store's own cold limit guards against freezing and is one for all that is in it. A strain may suffer well above it, so each strain has
//! a lowest temperature of its own, and a lot is told of when the air around it stayed below.

use gillbook_core::{
    Grams,
    text::{LotCode, PlaceCode},
    units::calendar::Span,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Result, Tx};

/// A lot in a store that is too cold for its strain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ChilledLot {
    /// The lot.
    pub lot: LotCode,
    /// The strain's name.
    pub strain: String,
    /// Grams of it there now.
    pub grams_g: Grams,
    /// The lowest temperature that the strain keeps well at, °C.
    pub lowest_c: f64,
    /// Whole hours of the span, since it last came, whose mean air was below that. Of two probes the warmer one counts.
    pub hours: i64,
    /// The lowest of those means, °C.
    pub coldest_c: f64,
}

impl Tx {
    /// The lots in a store now around which the air of whole hours of a span was colder than their strain keeps well at. An hour of which
    /// less than half is known tells nothing. What was reversed moved nothing: it neither took a lot away nor brought it anew.
    pub(crate) async fn chilled_lots(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<ChilledLot>> {
        Ok(sqlx::query_as!(
            ChilledLot,
            r#"select b.lot as "lot: _", s.name as strain, b.grams as "grams_g: _", s.lowest_safe_c as lowest_c, count(*) as "hours!",
                      min(h.air_integral_c_s / h.known_s) as "coldest_c!"
                 from balance b join lot l using (farm_id, lot) join strain s using (farm_id, strain)
                cross join lateral (
                    select max(x.at) as at from (
                        select a.happened_at as at, c.grams, sum(c.grams) over (order by a.happened_at, a.act_id) as stands
                          from movement m join act a using (farm_id, act_id)
                         cross join lateral (select case when m.to_place = b.place then m.grams else -m.grams end as grams) c
                         where m.farm_id = b.farm_id and m.lot = b.lot and b.place in (m.to_place, m.from_place) and a.kind <> 'reversal'
                           and not exists (select from act r where r.farm_id = a.farm_id and r.reverses = a.act_id)) x
                     where x.grams > 0 and x.stands <= x.grams) came
                 join hourly_figure h on h.farm_id = b.farm_id and h.place = b.place and h.hour >= greatest(came.at, $3) and h.hour < $4
                                  and h.known_s > 1800 and h.air_integral_c_s / nullif(h.known_s, 0) < s.lowest_safe_c
                where b.farm_id = $1 and b.place = $2 and b.grams > 0
                group by b.lot, s.name, b.grams, s.lowest_safe_c
                order by b.lot"#,
            self.farm.0,
            place.as_str(),
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
