//! What is left of the shelf life of lots, and of the life that a warm spell took: the facts gathered here, the figures of `core::path` and
//! `core::wear`.
//!
//! The number of queries does not grow with the lots: the family of all of them, its movements, its profiles, and a few of each place that
//! they stood in. Readings are read one by one of the last days only; further back the figures of the judged hours do.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::{
        exposure::mean_air,
        judgement::in_force,
        shelf_life::{LifeLeft, Profile, life_beyond, life_left},
        unknown_air::UnknownAir,
    },
    ledger::{
        path::{Leg, Moved, Paths},
        wear::{HourAir, MAX_AGE, PlaceAir, Profiles, Wearing, close_from, within},
    },
    text::{LotCode, PlaceCode, StrainCode},
    units::calendar::Span,
    words::{Form, Packaging, PlaceKind},
};
use uuid::Uuid;

use crate::{Result, Tx};

/// Days of life by which two ways must differ for both to be shown.
const WORTH_TELLING_DAYS: f64 = 1.0;

/// Life left of the grams of a lot at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LivesLeft {
    /// Of those that fared worst.
    pub worst: LifeLeft,
    /// Of those that fared best, where that is more than a day more.
    pub best: Option<LifeLeft>,
}

/// What stands where: lots and the ways that they went.
pub(crate) struct Ways {
    /// The ways.
    pub paths: Paths,
    kinds: BTreeMap<PlaceCode, PlaceKind>,
    profiles: Profiles,
}

impl Tx {
    /// Life left of fresh lots wherever they are in stock now. A lot of a strain without a life in its packaging has none.
    pub(crate) async fn lives_left(&mut self, lots: &[LotCode]) -> Result<BTreeMap<(LotCode, PlaceCode), LivesLeft>> {
        if lots.is_empty() {
            return Ok(BTreeMap::new());
        }
        let ways = self.ways_of(lots).await?;
        let mut wanted = Vec::new();
        for lot in lots.iter().collect::<BTreeSet<_>>() {
            let there = ways.kinds.iter().filter(|(_, kind)| kind.holds_stock());
            wanted.extend(there.filter_map(|(place, _)| Some((lot, place, ways.paths.now_at(lot, place)?))));
        }
        let stays: BTreeSet<usize> = wanted.iter().flat_map(|(_, _, stay)| ways.paths.behind(*stay)).collect();
        let airs = self.airs_of(&ways, &stays).await?;
        let mut wearing = Wearing::new(&ways.paths, &airs, &ways.profiles);
        let mut lives = BTreeMap::new();
        for (lot, place, stay) in wanted {
            let Some((fared, profile)) = wearing.fared(stay).zip(ways.profile(lot)) else { continue };
            let expected_c = airs[place].expected_c;
            let worst = life_left(profile, &fared.worst, expected_c);
            let best = life_left(profile, &fared.best, expected_c);
            let best = (best.days_left - worst.days_left > WORTH_TELLING_DAYS).then_some(best);
            lives.insert((lot.clone(), place.clone()), LivesLeft { worst, best });
        }
        Ok(lives)
    }

    /// Days of shelf life that the known air of a place took of lots in a span, each for the time that it stood there, beyond what the same
    /// time at the warm limit would have taken; counted in days at that limit. None of lots that were not there or have no life set, and none
    /// at all where the place has no limit.
    pub(crate) async fn life_lost(
        &mut self,
        place: &PlaceCode,
        span: Span,
        lots: &[LotCode],
    ) -> Result<BTreeMap<LotCode, f64>> {
        let rules = self.rules_of(place).await?;
        let Some(limit_c) = in_force(&rules, span.from).map(|r| r.warm_c) else { return Ok(BTreeMap::new()) };
        let known = self.known_air(place, &rules, span).await?;
        let ways = self.ways_of(lots).await?;
        let visits = ways.paths.visits();
        let mut lost = BTreeMap::new();
        for lot in lots {
            let there: Vec<Span> = visits
                .get(lot)
                .into_iter()
                .flatten()
                .filter(|v| &v.place == place && v.since < span.until && v.until.is_none_or(|u| u > span.from))
                .map(|v| Span { from: v.since, until: v.until.unwrap_or(span.until) })
                .collect();
            let Some(profile) = ways.profile(lot).filter(|_| !there.is_empty()) else { continue };
            let pieces = within(&known, &there);
            // Where no air is known, what it took is not known either.
            if pieces.iter().any(|p| p.span.until > p.span.from) {
                lost.insert(lot.clone(), life_beyond(profile, &pieces, limit_c));
            }
        }
        Ok(lost)
    }

    /// The ways of lots and of all that they were made of.
    pub(crate) async fn ways_of(&mut self, lots: &[LotCode]) -> Result<Ways> {
        let wanted: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let family = sqlx::query!(
            r#"with recursive up(lot) as (
                   select unnest($2::text[])
                   union
                   select k.parent from lot_link k join up on k.child = up.lot
                    where k.farm_id = $1 and not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
               select l.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.packaging as "packaging: Packaging", l.form as "form: Form",
                      lot_harvested_at(l.farm_id, l.lot) as "harvested_at!"
                 from lot l where l.farm_id = $1 and l.lot in (select lot from up)"#,
            self.farm.0,
            &wanted
        )
        .fetch_all(&mut *self.db)
        .await?;
        let codes: Vec<String> = family.iter().map(|l| l.lot.to_string()).collect();
        let harvested = family.iter().map(|l| (l.lot.clone(), l.harvested_at)).collect();
        let by_kind = self.profiles_of(&family.iter().map(|l| &l.strain).collect()).await?;
        let mut profiles = Profiles::default();
        for ((strain, packaging), profile) in by_kind {
            // A profile is one of fresh mushrooms.
            let of = family.iter().filter(|l| (&l.strain, l.packaging, l.form) == (&strain, packaging, Form::Fresh));
            profiles.of.extend(of.map(|l| (l.lot.clone(), profiles.all.len())));
            profiles.all.push(profile);
        }
        let (acts, kinds) = self.moves_of(&codes).await?;
        Ok(Ways { paths: Paths::follow(&acts, &harvested, self.now), kinds, profiles })
    }

    /// What moved some lots, in the order in which it happened, and the kinds of the places. What was reversed moved nothing.
    async fn moves_of(&mut self, lots: &[String]) -> Result<(Vec<Moved>, BTreeMap<PlaceCode, PlaceKind>)> {
        let rows = sqlx::query!(
            r#"select a.act_id, a.happened_at, m.lot as "lot: LotCode", m.grams as "grams: Grams", m.from_place as "from_place: PlaceCode",
                      f.kind as "from_kind: PlaceKind", m.to_place as "to_place: PlaceCode", t.kind as "to_kind: PlaceKind"
                 from movement m join act a using (farm_id, act_id)
                 join place f on f.farm_id = m.farm_id and f.place = m.from_place
                 join place t on t.farm_id = m.farm_id and t.place = m.to_place
                where m.farm_id = $1 and m.lot = any ($2) and a.kind <> 'reversal'
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                order by a.happened_at, a.recorded_at, a.act_id, m.leg"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let links = sqlx::query!(
            r#"select act_id, parent as "parent: LotCode", child as "child: LotCode" from lot_link
                where farm_id = $1 and child = any ($2) order by act_id, parent, child"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut made: BTreeMap<Uuid, Vec<(LotCode, LotCode)>> = BTreeMap::new();
        for link in links {
            made.entry(link.act_id).or_default().push((link.parent, link.child));
        }
        let mut kinds = BTreeMap::new();
        let mut acts: Vec<Moved> = Vec::new();
        let mut last = None;
        for r in rows {
            if last != Some(r.act_id) {
                acts.push(Moved {
                    at: r.happened_at,
                    legs: Vec::new(),
                    made: made.remove(&r.act_id).unwrap_or_default(),
                });
                last = Some(r.act_id);
            }
            kinds.insert(r.from_place.clone(), r.from_kind);
            kinds.insert(r.to_place.clone(), r.to_kind);
            let leg = Leg {
                lot: r.lot,
                from_kind: r.from_kind,
                from: r.from_place,
                to_kind: r.to_kind,
                to: r.to_place,
                grams: r.grams,
            };
            acts.last_mut().into_iter().for_each(|act| act.legs.push(leg.clone()));
        }
        Ok((acts, kinds))
    }

    /// The saleable-life profiles in force now of some strains, by packaging.
    async fn profiles_of(
        &mut self,
        strains: &BTreeSet<&StrainCode>,
    ) -> Result<BTreeMap<(StrainCode, Packaging), Profile>> {
        let strains: Vec<String> = strains.iter().map(ToString::to_string).collect();
        let rows = sqlx::query!(
            r#"select distinct on (l.strain, l.packaging) l.strain as "strain: StrainCode", l.packaging as "packaging: Packaging",
                      l.point_c, l.point_days, l.spread, s.lowest_safe_c
                 from strain_life l join strain s using (farm_id, strain)
                where l.farm_id = $1 and l.strain = any ($2) and l.effective_from <= $3
                order by l.strain, l.packaging, l.effective_from desc"#,
            self.farm.0,
            &strains,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        rows.into_iter()
            .map(|r| {
                let points: Vec<(f64, f64)> = r.point_c.into_iter().zip(r.point_days).collect();
                let profile = Profile::new(&points, r.lowest_safe_c, r.spread).map_err(crate::Error::Stored)?;
                Ok(((r.strain, r.packaging), profile))
            })
            .collect()
    }

    /// The air of the places of some stays.
    async fn airs_of(&mut self, ways: &Ways, stays: &BTreeSet<usize>) -> Result<BTreeMap<PlaceCode, PlaceAir>> {
        let mut spans: BTreeMap<&PlaceCode, Span> = BTreeMap::new();
        for stay in stays.iter().map(|n| &ways.paths.stays()[*n]) {
            let span = spans.entry(&stay.place).or_insert(stay.span);
            *span = Span { from: span.from.min(stay.span.from), until: span.until.max(stay.span.until) };
        }
        let mut airs = BTreeMap::new();
        for (place, span) in spans {
            let kind = ways.kinds.get(place).copied().unwrap_or(PlaceKind::Customer);
            airs.insert(place.clone(), self.air_of(place, kind, span).await?);
        }
        Ok(airs)
    }

    /// The air of a place in a span, as far as life is counted by it.
    async fn air_of(&mut self, place: &PlaceCode, kind: PlaceKind, span: Span) -> Result<PlaceAir> {
        let close_from = close_from(self.now);
        let rules = self.rules_of(place).await?;
        let unknown = UnknownAir::of(kind, in_force(&rules, self.now));
        let mut air = PlaceAir {
            hours: Vec::new(),
            close_from,
            pieces: Vec::new(),
            assumed_c: unknown.warmest_c,
            expected_c: unknown.allowed_c,
        };
        if !kind.holds_stock() {
            return Ok(air);
        }
        if span.from < close_from {
            let from = span.from.max(self.now - MAX_AGE) - TimeDelta::hours(1);
            let hours = self.hours_between(place, Span { from, until: close_from.min(span.until) }).await?;
            air.hours = hours
                .into_iter()
                .filter_map(|(hour, f)| {
                    let (mean_c, least_c, most_c) = (f.mean_c()?, f.least_c?, f.most_c?);
                    Some(HourAir { hour, known_s: f.known_s, mean_c, least_c, most_c })
                })
                .collect();
        }
        if span.until > close_from {
            let close = Span { from: close_from.max(span.from.min(self.now - TimeDelta::days(1))), until: span.until };
            air.pieces = self.known_air(place, &rules, close).await?;
            let day = Span { from: self.now - TimeDelta::days(1), until: self.now };
            air.expected_c = mean_air(&air.pieces, day).map_or(air.expected_c, |m| m.mean_c);
        }
        Ok(air)
    }
}

impl Ways {
    /// Whether a place is a store.
    pub(crate) fn is_store(&self, place: &PlaceCode) -> bool {
        self.kinds.get(place).is_some_and(|kind| kind.holds_stock())
    }

    fn profile(&self, lot: &LotCode) -> Option<&Profile> {
        self.profiles.of.get(lot).map(|n| &self.profiles.all[*n])
    }
}

/// The end of a life that lasts so many days more.
pub(crate) fn ends_at(now: DateTime<Utc>, days_left: f64) -> DateTime<Utc> {
    // Beyond a few years it no longer matters.
    #[expect(clippy::cast_possible_truncation, reason = "bounded to ten years of seconds")]
    let seconds = (days_left.clamp(-3650.0, 3650.0) * 86_400.0).floor() as i64;
    now + TimeDelta::seconds(seconds)
}
