//! The ways of grams against a ledger in which every gram is told apart.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::{exposure::Segment, shelf_life::Profile},
    kinds::PlaceKind,
    ledger::{
        path::{Leg, Moved, Paths},
        wear::{Fared, PlaceAir, Profiles, Wearing},
    },
    text::{LotCode, PlaceCode},
    units::calendar::Span,
};
use proptest::prelude::*;

const PLACES: [&str; 3] = ["F1", "F2", "VAN"];
const STEP: TimeDelta = TimeDelta::hours(5);

fn start() -> DateTime<Utc> {
    "2026-05-04T06:00:00Z".parse().expect("an instant")
}

fn lot() -> LotCode {
    "OY-260504-1".parse().expect("a code")
}

fn place(n: usize) -> PlaceCode {
    PLACES[n].parse().expect("a code")
}

fn leg(from: Option<usize>, to: Option<usize>, grams: i64) -> Leg {
    let end = |n: Option<usize>, sink: PlaceKind| {
        n.map_or_else(
            || (sink, sink.as_str().to_uppercase().parse().expect("a code")),
            |n| (PlaceKind::Fridge, place(n)),
        )
    };
    let ((from_kind, from), (to_kind, to)) = (end(from, PlaceKind::Room), end(to, PlaceKind::Waste));
    Leg { lot: lot(), from_kind, from, to_kind, to, grams: Grams(grams) }
}

fn moved(at: DateTime<Utc>, leg: Leg) -> Moved {
    Moved { at, legs: vec![leg], made: Vec::new() }
}

fn profiles() -> Profiles {
    let profile = Profile::new(&[(1.0, 17.0), (6.0, 10.0), (20.0, 2.5)], 0.0, 0.2).expect("a profile");
    Profiles { all: vec![profile], of: BTreeMap::from([(lot(), 0)]) }
}

/// Steady air in each place through two weeks; `known` cuts what is known of it short.
fn airs(warmth: [f64; 3], known: [i64; 3]) -> BTreeMap<PlaceCode, PlaceAir> {
    let air = |n: usize| PlaceAir {
        hours: Vec::new(),
        close_from: start() - TimeDelta::hours(1),
        pieces: (0..known[n])
            .map(|h| {
                let from = start() + TimeDelta::hours(h);
                let span = Span { from, until: from + TimeDelta::hours(1) };
                Segment { span, from_c: warmth[n], until_c: warmth[n] }
            })
            .collect(),
        assumed_c: 10.0,
        expected_c: 2.0,
    };
    (0..3).map(|n| (place(n), air(n))).collect()
}

fn fared(acts: &[Moved], airs: &BTreeMap<PlaceCode, PlaceAir>, at: usize, now: DateTime<Utc>) -> Option<Fared> {
    let paths = Paths::follow(acts, &BTreeMap::from([(lot(), start())]), now);
    let stay = paths.now_at(&lot(), &place(at))?;
    Wearing::new(&paths, airs, &profiles()).fared(stay)
}

/// A gram: where it is, and what it was moved by.
#[derive(Clone)]
struct Gram {
    at: Option<usize>,
    acts: Vec<Moved>,
}

type Op = (u8, usize, usize, usize, usize);

/// Plays weighings, transfers and waste; `which` turns the grams round before some are taken, so that any may be.
fn play(ops: &[Op]) -> (Vec<Moved>, Vec<Gram>) {
    let (mut acts, mut grams): (Vec<Moved>, Vec<Gram>) = (Vec::new(), Vec::new());
    for (n, (kind, from, to, count, which)) in ops.iter().enumerate() {
        let at = start() + STEP * i32::try_from(n).expect("a few");
        if *kind == 0 {
            acts.push(moved(at, leg(None, Some(*to), i64::try_from(*count).expect("a few"))));
            let one = Gram { at: Some(*to), acts: vec![moved(at, leg(None, Some(*to), 1))] };
            grams.extend(std::iter::repeat_n(one, *count));
            continue;
        }
        let there: Vec<usize> = (0..grams.len()).filter(|g| grams[*g].at == Some(*from)).collect();
        let goes = if *kind == 3 { None } else { Some(*to) };
        if there.is_empty() || goes == Some(*from) {
            continue;
        }
        let count = (*count).min(there.len());
        acts.push(moved(at, leg(Some(*from), goes, i64::try_from(count).expect("a few"))));
        for g in there.iter().cycle().skip(which % there.len()).take(count) {
            grams[*g].at = goes;
            grams[*g].acts.push(moved(at, leg(Some(*from), goes, 1)));
        }
    }
    (acts, grams)
}

fn op() -> impl Strategy<Value = Op> {
    (0u8..4, 0usize..3, 0usize..3, 1usize..5, 0usize..7)
}

proptest! {
    #[test]
    fn stays_join_and_grams_are_those_that_came_less_those_that_left(ops in prop::collection::vec(op(), 1..24)) {
        let (acts, grams) = play(&ops);
        let now = start() + STEP * 30;
        let paths = Paths::follow(&acts, &BTreeMap::from([(lot(), start())]), now);
        for n in 0..3 {
            let there = grams.iter().filter(|g| g.at == Some(n)).count();
            prop_assert_eq!(paths.grams(&lot(), &place(n)), Grams(i64::try_from(there).unwrap()));
            prop_assert_eq!(paths.now_at(&lot(), &place(n)).is_some(), there > 0);
            if let Some(stay) = paths.now_at(&lot(), &place(n)) {
                prop_assert_eq!(paths.stays()[stay].span.until, now);
            }
        }
        let weighed: Vec<DateTime<Utc>> = acts.iter().filter(|a| a.legs[0].from_kind == PlaceKind::Room).map(|a| a.at).collect();
        for (n, stay) in paths.stays().iter().enumerate() {
            prop_assert!(stay.span.from <= stay.span.until);
            if stay.before.is_empty() {
                prop_assert!(weighed.contains(&stay.span.from), "a way begins at the scale");
            }
            for before in &stay.before {
                prop_assert!(*before < n);
                prop_assert_eq!(paths.stays()[*before].span.until, stay.span.from);
            }
        }
        // A lot is at a place from its coming to its going without a break; only the last time there may last.
        let visits = paths.visits().remove(&lot()).unwrap_or_default();
        for (n, visit) in visits.iter().enumerate() {
            let after: Vec<_> = visits[n + 1..].iter().filter(|v| v.place == visit.place).collect();
            prop_assert!(visit.until.is_none_or(|u| visit.since <= u));
            prop_assert!(after.iter().all(|v| visit.until.is_some_and(|u| u < v.since)));
            let lasts = after.is_empty() && paths.grams(&lot(), &visit.place) > Grams::ZERO;
            prop_assert_eq!(visit.until.is_none(), lasts);
        }
    }

    /// Whatever grams were taken each time: none that is there fared worse than the worst way or better than the best.
    #[test]
    fn no_gram_fares_worse_than_the_worst_way(
        ops in prop::collection::vec(op(), 1..16), warmth in prop::array::uniform3(1.0f64..25.0), known in prop::array::uniform3(0i64..90),
    ) {
        let (acts, grams) = play(&ops);
        let now = start() + STEP * 17;
        for (airs, whole) in [(airs(warmth, known), false), (airs(warmth, [400; 3]), true)] {
            for gram in grams.iter().filter(|g| g.at.is_some()) {
                let at = gram.at.unwrap();
                let (all, one) = (fared(&acts, &airs, at, now).unwrap(), fared(&gram.acts, &airs, at, now).unwrap());
                prop_assert!((one.worst.used - one.best.used).abs() < 1e-12, "a gram goes one way");
                prop_assert!(one.worst.used <= all.worst.used + 1e-9, "{} {}", one.worst.used, all.worst.used);
                prop_assert!(all.best.used <= all.worst.used + 1e-12);
                prop_assert!((0.0..=1.0).contains(&(one.worst.known_s / one.worst.whole_s.max(1.0))));
                if whole {
                    prop_assert!(all.best.used <= one.worst.used + 1e-9);
                    prop_assert_eq!(one.worst.assumed_c, None);
                }
            }
        }
    }

    /// Life used adds up over any cut of a way, never goes down as time goes on, and is more where it is warmer.
    #[test]
    fn life_used_adds_up_and_never_comes_back(
        ops in prop::collection::vec(op(), 1..12), warmth in prop::array::uniform3(1.0f64..25.0), known in prop::array::uniform3(0i64..90),
        hours in 1i64..60, warmer in 0.0f64..6.0,
    ) {
        let (acts, grams) = play(&ops);
        let now = start() + STEP * 13;
        let later = now + TimeDelta::hours(hours);
        let profile = &profiles().all[0];
        for gram in grams.iter().filter(|g| g.at.is_some()) {
            let at = gram.at.unwrap();
            let some = airs(warmth, known);
            let (then, after) = (fared(&acts, &some, at, now).unwrap(), fared(&acts, &some, at, later).unwrap());
            prop_assert!(after.worst.used >= then.worst.used - 1e-12);
            let all = airs(warmth, [400; 3]);
            let (then, after) = (fared(&acts, &all, at, now).unwrap(), fared(&acts, &all, at, later).unwrap());
            let rest = Segment { span: Span { from: now, until: later }, from_c: warmth[at], until_c: warmth[at] };
            prop_assert!((after.worst.used - then.worst.used - profile.used(&rest)).abs() < 1e-9);
            let hot = airs(warmth.map(|c| c + warmer), [400; 3]);
            prop_assert!(fared(&acts, &hot, at, now).unwrap().worst.used >= then.worst.used - 1e-12);
        }
    }
}

#[test]
fn of_acts_at_one_instant_those_come_first_whose_grams_are_there() {
    let (weighed, then) = (start(), start() + TimeDelta::hours(2));
    let there = moved(then, leg(Some(0), Some(1), 9));
    let back = moved(then, leg(Some(1), Some(0), 4));
    let airs = airs([2.0, 12.0, 20.0], [400; 3]);
    let now = start() + TimeDelta::hours(5);
    let as_told = |last: [&Moved; 2]| {
        let acts = [moved(weighed, leg(None, Some(0), 9)), last[0].clone(), last[1].clone()];
        [0, 1].map(|at| fared(&acts, &airs, at, now).unwrap())
    };
    assert_eq!(as_told([&there, &back]), as_told([&back, &there]));
}

#[test]
fn an_hour_long_past_counts_by_its_figures_and_a_part_of_it_by_its_worst() {
    let acts = [moved(start() + TimeDelta::minutes(30), leg(None, Some(0), 5))];
    let now = start() + TimeDelta::hours(3);
    let hour = |n: i64, known_s: f64| gillbook_core::ledger::wear::HourAir {
        hour: start() + TimeDelta::hours(n),
        known_s,
        mean_c: 3.0,
        min_c: 2.0,
        max_c: 6.0,
    };
    let air = PlaceAir {
        hours: vec![hour(0, 3600.0), hour(1, 1800.0)],
        close_from: start() + TimeDelta::hours(2),
        pieces: vec![Segment {
            span: Span { from: start() + TimeDelta::hours(2), until: now },
            from_c: 4.0,
            until_c: 4.0,
        }],
        assumed_c: 10.0,
        expected_c: 3.0,
    };
    let got = fared(&acts, &BTreeMap::from([(place(0), air)]), 0, now).unwrap().worst;
    let life = |c: f64| profiles().all[0].life_days(c);
    // Half an hour at no more than 6 °C; an hour of which half is known, its mean a quarter of the way from 2 to 6 °C, the other half at
    // 6 °C; an hour at 4 °C. The profile's knots between 2 and 6 °C are none, so the chord is from end to end.
    let expected =
        (0.5 / life(6.0) + 0.5 * (0.75 / life(2.0) + 0.25 / life(6.0)) + 0.5 / life(6.0) + 1.0 / life(4.0)) / 24.0;
    assert!((got.used - expected).abs() < 1e-9, "{} {expected}", got.used);
    assert!((got.known_s - 3600.0 * 2.0).abs() < 1e-6 && (got.whole_s - 3600.0 * 2.5).abs() < 1e-6);
    assert_eq!(got.assumed_c, Some(6.0));
}
