//! What the book knows of lots at a place at the instant of a count, and of the air there before.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::{evaluate::in_force, unknown_air::UnknownAir},
    kinds::{Form, Packaging, PlaceKind},
    ledger::booked::{AirBefore, Booked, Moved},
    text::{LotCode, PlaceCode, StrainCode},
    units::calendar::Span,
};

use crate::{Result, Tx};

impl Tx {
    /// What the book has of lots at a place, by the times at which things happened. Lots that were never there are left out.
    pub(crate) async fn booked(
        &mut self,
        place: &PlaceCode,
        lots: &[LotCode],
        counted_at: DateTime<Utc>,
    ) -> Result<BTreeMap<LotCode, Booked>> {
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let facts = sqlx::query!(
            r#"select l.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.packaging as "packaging: Packaging", l.form as "form: Form", b.grams as "grams: Grams",
                      max(a.happened_at) filter (where a.happened_at <= $4 and c.counted_g <> c.book_g) as counted_before,
                      max(a.happened_at) filter (where a.happened_at > $4) as counted_after
                 from lot l join balance b on b.farm_id = l.farm_id and b.lot = l.lot and b.place = $3
                 left join (stock_count c join act a using (farm_id, act_id)) on c.farm_id = l.farm_id and c.lot = l.lot and c.place = $3
                      and not exists (select from act x where x.farm_id = c.farm_id and x.reverses = c.act_id)
                where l.farm_id = $1 and l.lot = any ($2)
                group by l.lot, l.strain, l.packaging, l.form, b.grams"#,
            self.farm.0,
            &codes,
            place.as_str(),
            counted_at
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut booked: BTreeMap<LotCode, Booked> = facts
            .into_iter()
            .map(|f| {
                let booked = Booked {
                    strain: f.strain,
                    packaging: f.packaging,
                    form: f.form,
                    grams_now: f.grams,
                    counted_before: f.counted_before,
                    counted_after: f.counted_after,
                    moved: Vec::new(),
                };
                (f.lot, booked)
            })
            .collect();
        let moved = sqlx::query!(
            r#"select m.lot as "lot: LotCode", a.happened_at, sum(case when m.to_place = $3 then m.grams else -m.grams end)::bigint as "grams!: Grams",
                      bool_or(m.to_place = $3 and p.kind in ('fridge', 'shelf', 'van', 'stall')) as "from_store!"
                 from movement m join act a using (farm_id, act_id) join place p on p.farm_id = m.farm_id and p.place = m.from_place
                where m.farm_id = $1 and m.lot = any ($2) and $3 in (m.from_place, m.to_place) and a.happened_at <= $4
                group by m.lot, a.happened_at order by a.happened_at"#,
            self.farm.0,
            &codes,
            place.as_str(),
            counted_at
        )
        .fetch_all(&mut *self.db)
        .await?;
        for m in moved.into_iter().filter(|m| m.grams != Grams::ZERO) {
            if let Some(lot) = booked.get_mut(&m.lot) {
                lot.moved.push(Moved { at: m.happened_at, grams: m.grams, from_store: m.from_store });
            }
        }
        Ok(booked)
    }

    /// The air of a place before a count, as far back as some lots are looked at.
    pub(crate) async fn air_before(
        &mut self,
        place: &PlaceCode,
        kind: PlaceKind,
        booked: &BTreeMap<LotCode, Booked>,
        counted_at: DateTime<Utc>,
    ) -> Result<AirBefore> {
        let rules = self.rules_of(place).await?;
        let humidity_percent = sqlx::query_scalar!(
            "select humidity_percent from place where farm_id = $1 and place = $2",
            self.farm.0,
            place.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?;
        let day = Span { from: counted_at - TimeDelta::days(1), until: counted_at };
        let oldest = booked.values().filter_map(Booked::since).min().unwrap_or(day.from).min(day.from);
        let known = self.known_air(place, Span { from: oldest, until: counted_at }).await?;
        Ok(AirBefore::new(known, UnknownAir::of(kind, in_force(&rules, counted_at)), humidity_percent, counted_at))
    }
}
