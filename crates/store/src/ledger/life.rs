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
        evaluate::{Figures, in_force},
        exposure::{Segment, mean_air},
        shelf_life::{LifeLeft, Profile, life_beyond, life_left},
        unknown_air::UnknownAir,
    },
    kinds::{Form, Packaging, PlaceKind},
    ledger::{
        path::{Leg, Moved, Paths},
        wear::{HourAir, MAX_AGE, PlaceAir, Profiles, Wearing, close_from, within},
    },
    text::{LotCode, PlaceCode, StrainCode},
    units::calendar::Span,
};

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
pub(crate) struct LotPaths {
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
        let ways = self.paths_of(lots).await?;
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
        let known = self.known_air(place, span).await?;
        let ways = self.paths_of(lots).await?;
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
    pub(crate) async fn paths_of(&mut self, lots: &[LotCode]) -> Result<LotPaths> {
        let wanted: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let family = sqlx::query!(
            r#"with recursive up(lot) as (
                   select unnest($2::text[])
                   union
                   select k.parent from lot_link k join up on k.child = up.lot
                    where k.farm_id = $1 and not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
               select l.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.packaging as "packaging: Packaging", l.form as "form: Form",
                      h.at as "harvested_at!"
                 from lot l join lots_harvested_at($1, array(select lot from up)) h on h.lot = l.lot where l.farm_id = $1"#,
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
        Ok(LotPaths { paths: Paths::follow(&acts, &harvested, self.now), kinds, profiles })
    }

    /// What moved some lots, in the order in which it happened, and the kinds of the places. What was reversed moved nothing.
    async fn moves_of(&mut self, lots: &[String]) -> Result<(Vec<Moved>, BTreeMap<PlaceCode, PlaceKind>)> {
        let rows = sqlx::query!(
            r#"with link as materialized (
                   select k.act_id, array_agg(k.parent order by k.parent, k.child) as parents, array_agg(k.child order by k.parent, k.child) as children
                     from lot_link k where k.farm_id = $1 and k.child = any ($2) group by k.act_id)
               select a.act_id, a.happened_at, m.lot as "lot: LotCode", m.grams as "grams: Grams", m.from_place as "from_place: PlaceCode",
                      f.kind as "from_kind: PlaceKind", m.to_place as "to_place: PlaceCode", t.kind as "to_kind: PlaceKind",
                      coalesce(k.parents, '{}') as "parents!: Vec<LotCode>", coalesce(k.children, '{}') as "children!: Vec<LotCode>"
                 from movement m join act a on a.farm_id = $1 and a.act_id = m.act_id
                 join place f on f.farm_id = $1 and f.place = m.from_place
                 join place t on t.farm_id = $1 and t.place = m.to_place
                 left join link k on k.act_id = a.act_id
                where m.farm_id = $1 and m.lot = any ($2) and a.kind <> 'reversal'
                  and not exists (select from act x where x.farm_id = $1 and x.reverses = a.act_id)
                order by a.happened_at, a.recorded_at, a.act_id, m.leg"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut kinds = BTreeMap::new();
        let mut acts: Vec<Moved> = Vec::new();
        let mut last = None;
        for r in rows {
            if last != Some(r.act_id) {
                acts.push(Moved {
                    at: r.happened_at,
                    legs: Vec::new(),
                    made: r.parents.into_iter().zip(r.children).collect(),
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
    async fn airs_of(&mut self, ways: &LotPaths, stays: &BTreeSet<usize>) -> Result<BTreeMap<PlaceCode, PlaceAir>> {
        let mut spans: BTreeMap<&PlaceCode, Span> = BTreeMap::new();
        for stay in stays.iter().map(|n| &ways.paths.stays()[*n]) {
            let span = spans.entry(&stay.place).or_insert(stay.span);
            *span = Span { from: span.from.min(stay.span.from), until: span.until.max(stay.span.until) };
        }
        let stores: BTreeMap<&PlaceCode, Span> =
            spans.iter().filter(|(place, _)| ways.is_store(place)).map(|(place, span)| (*place, *span)).collect();
        let mut hours = self.long_past(&stores).await?;
        let mut pieces = self.of_late(&stores).await?;
        let mut airs = BTreeMap::new();
        for place in spans.into_keys() {
            let kind = ways.kinds.get(place).copied().unwrap_or(PlaceKind::Customer);
            let rules = self.rules_of(place).await?;
            let unknown = UnknownAir::of(kind, in_force(&rules, self.now));
            let pieces = pieces.remove(place).unwrap_or_default();
            let day = Span { from: self.now - TimeDelta::days(1), until: self.now };
            let air = PlaceAir {
                hours: hours.remove(place).unwrap_or_default(),
                close_from: close_from(self.now),
                assumed_c: unknown.warmest_c,
                expected_c: mean_air(&pieces, day).map_or(unknown.allowed_c, |m| m.mean_c),
                pieces,
            };
            airs.insert(place.clone(), air);
        }
        Ok(airs)
    }

    /// The whole hours of places before the air is known piece by piece.
    async fn long_past(&mut self, spans: &BTreeMap<&PlaceCode, Span>) -> Result<BTreeMap<PlaceCode, Vec<HourAir>>> {
        let until = close_from(self.now);
        let past: BTreeMap<&PlaceCode, Span> =
            spans.iter().filter(|(_, span)| span.from < until).map(|(place, span)| (*place, *span)).collect();
        let Some(oldest) = past.values().map(|span| span.from).min() else { return Ok(BTreeMap::new()) };
        let wide = Span { from: oldest.max(self.now - MAX_AGE) - TimeDelta::hours(1), until };
        let places: Vec<&PlaceCode> = past.keys().copied().collect();
        let hours = self.hours_of_places(&places, wide).await?;
        let as_air = |(hour, f): (DateTime<Utc>, Figures)| {
            let (mean_c, min_c, max_c) = (f.mean_c()?, f.min_c?, f.max_c?);
            Some(HourAir { hour, known_s: f.known_s, mean_c, min_c, max_c })
        };
        Ok(hours.into_iter().map(|(place, hours)| (place, hours.into_iter().filter_map(as_air).collect())).collect())
    }

    /// The pieces of the air of places from where it is known piece by piece. All are read as far back as the one that is asked for
    /// longest: one statement reads them.
    async fn of_late(&mut self, spans: &BTreeMap<&PlaceCode, Span>) -> Result<BTreeMap<PlaceCode, Vec<Segment>>> {
        let close_from = close_from(self.now);
        let late: Vec<&PlaceCode> =
            spans.iter().filter(|(_, span)| span.until > close_from).map(|(place, _)| *place).collect();
        let Some(oldest) = late.iter().map(|place| spans[*place].from).min() else { return Ok(BTreeMap::new()) };
        // The last day is looked at in any case: it tells what is expected of the place.
        let close = Span { from: close_from.max(oldest.min(self.now - TimeDelta::days(1))), until: self.now };
        self.known_air_of(&late, close).await
    }
}

impl LotPaths {
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
