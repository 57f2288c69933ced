//! What gaps do to excursions, and what parts of hours come to: by series whose answer is plain without the program.

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    cold::{
        air::Reading,
        evaluate::{Excursion, Rules, State, evaluate_hour, figures_within, still_open},
    },
    kinds::ExcursionKind,
    units::calendar::Span,
};
use proptest::prelude::*;

fn at(second: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(1_770_001_200, 0).expect("an instant") + TimeDelta::seconds(second)
}

fn rules(lag_minutes: i64) -> Rules {
    Rules {
        from: at(-86_400),
        warm_c: 5.0,
        air_c: 10.0,
        cold_c: 0.0,
        grace: TimeDelta::minutes(30),
        hysteresis_c: 0.5,
        gap: TimeDelta::minutes(15),
        silence: TimeDelta::minutes(30),
        lag: TimeDelta::minutes(lag_minutes),
    }
}

fn reading(second: i64, c: f64) -> Reading {
    Reading { probe: 1, at: at(second), c: Some(c) }
}

/// Minutes of a range at one temperature.
fn minutes(range: std::ops::Range<i64>, c: f64) -> Vec<Reading> {
    range.map(|m| reading(m * 60, c)).collect()
}

/// Every excursion of a series, those that ended and those that are still open at its last reading.
fn excursions(rules: &Rules, readings: &[Reading]) -> Vec<Excursion> {
    let rules = [rules.clone()];
    let (mut state, mut all) = (State::default(), Vec::new());
    let last = readings.last().expect("a reading").at;
    let mut hour = at(0);
    while hour <= last {
        let end = hour + TimeDelta::hours(1);
        let (first, rest) = (readings.partition_point(|r| r.at < hour), readings.partition_point(|r| r.at < end));
        let next: Vec<Reading> = readings[rest..].first().copied().into_iter().collect();
        let judged = evaluate_hour(&rules, hour, &state, &readings[first..rest], &next);
        state = judged.state;
        all.extend(judged.ended);
        hour = end;
    }
    all.extend(still_open(&rules, &state, last));
    all
}

fn only(all: Vec<Excursion>) -> Excursion {
    let [one] = <[Excursion; 1]>::try_from(all).unwrap_or_else(|all| panic!("{all:#?}"));
    one
}

#[test]
fn a_warm_or_cold_store_with_readings_that_come_and_go_is_one_spell() {
    for (c, kind) in [(9.0, ExcursionKind::TooWarm), (-2.0, ExcursionKind::TooCold)] {
        // A day of 25 minutes of readings and 20 of none: longer than the gap limit, shorter than the grace time and the silence time.
        let series: Vec<Reading> = (0..32).flat_map(|n| minutes(n * 45..n * 45 + 25, c)).collect();
        let spell = only(excursions(&rules(20), &series));
        assert_eq!((spell.kind, spell.from, spell.until), (kind, at(0), None));
        let known = 32.0 * 24.0 * 60.0;
        assert!((spell.known_s - known).abs() < 1e-6, "the gaps are not known time: {}", spell.known_s);
    }
}

#[test]
fn a_spell_that_has_not_lasted_counts_through_a_gap_that_ends_cold() {
    // Twenty minutes at 9 °C, the food with them; an hour of nothing; then 2 °C. Nothing says that the food was cold meanwhile.
    let series = [minutes(0..20, 9.0), minutes(80..300, 2.0)].concat();
    let all = excursions(&rules(20), &series);
    let warm = only(all.iter().filter(|e| e.kind == ExcursionKind::TooWarm).cloned().collect());
    assert_eq!(warm.from, at(0));
    // From 9 °C towards 2 °C with a time constant of 20 minutes: below 4.5 °C after 20·ln(7 ÷ 2.5) minutes.
    let back = (warm.until.unwrap() - at(80 * 60)).as_seconds_f64() / 60.0;
    assert!((back - 20.0 * (7.0_f64 / 2.5).ln()).abs() < 0.01, "{back}");
    assert_eq!(all.iter().filter(|e| e.kind == ExcursionKind::NoData).count(), 1);
}

#[test]
fn a_probe_whose_readings_all_stand_alone_is_still_too_warm() {
    let series: Vec<Reading> = (0..10).map(|n| reading(n * 20 * 60, 9.0)).collect();
    let warm = only(excursions(&rules(20), &series));
    assert_eq!((warm.kind, warm.from, warm.until, warm.known_s), (ExcursionKind::TooWarm, at(0), None, 0.0));
    // Two of them, 20 minutes apart, have not lasted beyond the grace time.
    assert_eq!(excursions(&rules(20), &series[..2]), []);
    let series: Vec<Reading> = (0..10).map(|n| reading(n * 20 * 60, -1.0)).collect();
    assert_eq!(only(excursions(&rules(20), &series)).kind, ExcursionKind::TooCold);
}

#[test]
fn a_lone_reading_begins_a_spell_and_ends_none() {
    let spell = |lone: Reading, before: f64| {
        let series = [minutes(0..60, before), vec![lone], minutes(100..140, 9.0)].concat();
        only(excursions(&rules(20), &series).into_iter().filter(|e| e.kind == ExcursionKind::TooWarm).collect())
    };
    assert_eq!(spell(reading(80 * 60, 9.0), 2.0).from, at(80 * 60));
    let whole = spell(reading(80 * 60, 2.0), 9.0);
    assert_eq!((whole.from, whole.until), (at(0), None));
}

#[test]
fn no_silence_ends_a_cold_spell() {
    let series = [minutes(0..60, -2.0), minutes(100..300, 8.0)].concat();
    let all = excursions(&rules(20), &series);
    let cold = only(all.iter().filter(|e| e.kind == ExcursionKind::TooCold).cloned().collect());
    let back = (cold.until.unwrap() - at(100 * 60)).as_seconds_f64() / 60.0;
    assert!((back - 20.0 * (10.0_f64 / 7.5).ln()).abs() < 0.01, "above 0.5 °C by the cold estimate: {back}");
    // The warm estimate begins after the gap with the first air, 8 °C, and is one spell from there.
    let warm = only(all.into_iter().filter(|e| e.kind == ExcursionKind::TooWarm).collect());
    assert_eq!((warm.from, warm.until), (at(100 * 60), None));
}

#[test]
fn a_spell_of_the_air_alone_ends_with_the_gap_where_the_air_is_back() {
    // Food of four hours hardly moves in ten minutes at 12 °C, which only the air limit forbids.
    let pending = [minutes(0..60, 2.0), minutes(60..70, 12.0)].concat();
    assert_eq!(excursions(&rules(240), &[pending.clone(), minutes(90..200, 3.0)].concat()), []);
    let on = only(excursions(&rules(240), &[pending, minutes(90..120, 12.0)].concat()));
    assert_eq!((on.kind, on.until), (ExcursionKind::TooWarm, None));
    assert!(on.from > at(59 * 60) && on.from < at(60 * 60), "{}", on.from);
}

#[test]
fn two_silences_with_a_lone_reading_between_them_are_one() {
    let series = [minutes(0..10, 2.0), vec![reading(3000, 2.0)], minutes(100..110, 2.0)].concat();
    let silence = only(excursions(&rules(20), &series));
    assert_eq!((silence.kind, silence.from, silence.until), (ExcursionKind::NoData, at(540), Some(at(6000))));
}

#[test]
fn what_ends_in_the_last_half_millisecond_of_an_hour_ends_in_that_hour() {
    let rules = [rules(0)];
    // A straight line from 9 °C at 3000 s that passes 4.5 °C at 3599.9997 s.
    let series: Vec<Reading> = (0..=5).map(|n| reading(n * 600, 9.0)).collect();
    let next = reading(3600, 9.0 - 4.5 * 600.0 / 599.9997);
    let hour = evaluate_hour(&rules, at(0), &State::default(), &series, &[next]);
    let ended = only(hour.ended).until.unwrap();
    assert!(ended < at(3600) && ended > at(3599), "{ended}");
}

#[test]
fn a_triangle_above_the_limit_has_the_area_of_a_triangle() {
    let figures = |series: &[Reading]| evaluate_hour(&[rules(20)], at(0), &State::default(), series, &[]).figures;
    let triangle = figures(&[reading(0, 3.0), reading(600, 7.0), reading(1200, 3.0)]);
    assert!((triangle.above_s - 600.0).abs() < 1e-9 && (triangle.above_c_s - 600.0).abs() < 1e-9, "{triangle:?}");
    assert_eq!((triangle.mean_c(), triangle.known_s), (Some(5.0), 1200.0));
    // Exactly at the limit is within it.
    let level = figures(&[reading(0, 5.0), reading(600, 5.0)]);
    assert_eq!((level.above_s, level.above_c_s), (0.0, 0.0));
    // A lone reading is a point and covers nothing.
    let lone = figures(&[reading(1800, 9.0)]);
    assert_eq!((lone.known_s, lone.mean_c(), lone.max_c, lone.above_s), (0.0, None, Some(9.0), 0.0));
}

proptest! {
    /// Readings that are all beyond a limit by more than the hysteresis, with any gaps: one spell from the first of them, if it has lasted.
    #[test]
    fn what_is_beyond_a_limit_whenever_it_is_seen_is_one_spell(
        steps in prop::collection::vec((prop_oneof![6 => 20_i64..600, 2 => 900_i64..20_000], 5.6_f64..14.0), 3..200),
        cold in any::<bool>(),
    ) {
        let mut second = 0;
        let mut series = vec![reading(0, if cold { -1.0 } else { 6.0 }), reading(60, if cold { -1.0 } else { 6.0 })];
        for (step, c) in steps {
            second += step;
            series.push(reading(60 + second, if cold { 5.0 - c } else { c }));
        }
        // So that the last of them is known and not a point.
        series.push(reading(60 + second + 60, if cold { -1.0 } else { 6.0 }));
        let kind = if cold { ExcursionKind::TooCold } else { ExcursionKind::TooWarm };
        let spells: Vec<Excursion> = excursions(&rules(20), &series).into_iter().filter(|e| e.kind == kind).collect();
        if second + 120 > 1800 {
            prop_assert_eq!(spells.len(), 1, "{:?}", spells);
            prop_assert_eq!((spells[0].from, spells[0].until), (at(0), None));
        } else {
            prop_assert_eq!(spells, []);
        }
    }

    /// The parts of an hour add up to the hour, whatever the state that it begins with and wherever it is cut.
    #[test]
    fn an_hour_is_the_sum_of_its_parts(
        before in prop::collection::vec(-3.0_f64..14.0, 1..20),
        steps in prop::collection::vec((20_i64..1200, -3.0_f64..14.0), 1..60),
        cut in 1_i64..3600,
    ) {
        let rules = [rules(20)];
        let series: Vec<Reading> = before.iter().zip(0..).map(|(c, n)| reading(n * 170, *c)).collect();
        let begins = evaluate_hour(&rules, at(0), &State::default(), &series, &[]).state;
        let mut second = 3600;
        let mut readings: Vec<Reading> = steps.iter().map(|(step, c)| { second += step; reading(second, *c) }).collect();
        let next = readings.split_off(readings.partition_point(|r| r.at < at(7200)));
        let next = &next[..next.len().min(1)];
        let whole = evaluate_hour(&rules, at(3600), &begins, &readings, next).figures;
        let part = |from, until| figures_within(&rules, at(3600), &begins, &readings, next, Span { from: at(from), until: at(until) });
        let mut sum = part(3600, 3600 + cut);
        sum.add(&part(3600 + cut, 7200));
        prop_assert_eq!((sum.readings, sum.min_c, sum.max_c), (whole.readings, whole.min_c, whole.max_c));
        let product = |f: &gillbook_core::cold::evaluate::Figures| f.product_c.unwrap_or(f64::MIN);
        prop_assert!((product(&sum) - product(&whole)).abs() < 1e-9, "{:?} {:?}", sum.product_c, whole.product_c);
        for (a, b) in [(sum.known_s, whole.known_s), (sum.air_integral_c_s, whole.air_integral_c_s), (sum.above_s, whole.above_s), (sum.below_s, whole.below_s)] {
            prop_assert!((a - b).abs() < 1e-6, "{a} {b}");
        }
    }
}
