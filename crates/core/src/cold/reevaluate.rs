//! Re-evaluates what a late reading, a changed limit or a changed offset touched, and no more.
//!
//! Begins at the first touched hour, less the gap limit that a line may reach back. Stops at the first hour after the last touched one whose
//! end state equals the stored one: everything later is then unchanged. The caller loads readings and stored states span by span and
//! replaces what [`Replacement`] says.
//!
//! The state is compared to the last bit. After a gap it holds two estimates of the product, which the same air brings together again
//! within some time constants, so that a gap makes the stretch to be evaluated again longer by some hours at most.

use std::collections::BTreeMap;

use chrono::{DateTime, DurationRound, TimeDelta, Utc};

use crate::{
    cold::{
        air::Reading,
        evaluate::{Excursion, GAP_WITHOUT_RULES, Hour, Rules, State, evaluate_hour, gap_at},
    },
    units::calendar::Span,
};

/// The hour that an instant is in.
#[must_use]
pub fn hour_of(at: DateTime<Utc>) -> DateTime<Utc> {
    at.duration_trunc(TimeDelta::hours(1)).unwrap_or(at)
}

/// The widest gap limit of any rules: how far a reading can reach.
#[must_use]
pub fn reach(rules: &[Rules]) -> TimeDelta {
    rules.iter().map(|r| r.gap).chain([GAP_WITHOUT_RULES]).max().unwrap_or(GAP_WITHOUT_RULES)
}

/// The hour at which judging must begin for something that touched an instant: the line that ends there may begin as much earlier as
/// the gap limit allows.
#[must_use]
pub fn first_dirty_hour(rules: &[Rules], touched: DateTime<Utc>) -> DateTime<Utc> {
    hour_of(touched - reach(rules))
}

/// A re-evaluation, half-way.
#[derive(Debug)]
pub struct Reevaluation<'a> {
    rules: &'a [Rules],
    began: DateTime<Utc>,
    hour: DateTime<Utc>,
    through: DateTime<Utc>,
    state: State,
    hours: BTreeMap<DateTime<Utc>, Hour>,
    settled: Option<DateTime<Utc>>,
}

/// What has to be replaced.
#[derive(Debug, Clone, PartialEq)]
pub struct Replacement {
    /// The first instant of it.
    pub from: DateTime<Utc>,
    /// The first instant after it; nothing if it goes to the end.
    pub until: Option<DateTime<Utc>>,
    /// The hours that stand there now. Hours in which nothing was known have none.
    pub hours: BTreeMap<DateTime<Utc>, Hour>,
    /// The state after the last of them.
    pub state: State,
}

impl Replacement {
    /// The excursions that end there now.
    pub fn ended(&self) -> impl Iterator<Item = &Excursion> {
        self.hours.values().flat_map(|h| &h.ended)
    }
}

impl<'a> Reevaluation<'a> {
    /// Begins at an hour with the end state of the last stored hour before it, and goes on at least through the hour of `through`.
    #[must_use]
    pub fn new(rules: &'a [Rules], hour: DateTime<Utc>, begins: State, through: DateTime<Utc>) -> Self {
        let through = hour_of(through).max(hour);
        Self { rules, began: hour, hour, through, state: begins, hours: BTreeMap::new(), settled: None }
    }

    /// The next span to evaluate. Readings are needed of it and, for the lines that leave it, of [`reach`] beyond it.
    #[must_use]
    pub fn next_span(&self) -> Span {
        let far = self.through + TimeDelta::hours(2);
        let most = self.hour + TimeDelta::days(2);
        Span { from: self.hour, until: if far > self.hour { far.min(most) } else { self.hour + TimeDelta::hours(6) } }
    }

    /// Evaluates the hours of a span that it wanted.
    ///
    /// `readings` in time order, from the span and as far beyond it as lines may reach; `stored` the states that stored hours of the span
    /// ended in. Returns whether it is settled.
    pub fn judge(&mut self, span: Span, readings: &[Reading], stored: &BTreeMap<DateTime<Utc>, State>) -> bool {
        while self.hour < span.until && self.settled.is_none() {
            let hour = self.hour;
            self.hour = hour + TimeDelta::hours(1);
            let first = readings.partition_point(|r| r.at < hour);
            let rest = readings.partition_point(|r| r.at < self.hour);
            let next = self.next_of_each(&readings[rest..]);
            if first == rest && !self.is_crossed(&next) {
                continue;
            }
            let judged = evaluate_hour(self.rules, hour, &self.state, &readings[first..rest], &next);
            self.state = judged.state.clone();
            if hour >= self.through && stored.get(&hour) == Some(&self.state) {
                self.settled = Some(self.hour);
            }
            self.hours.insert(hour, judged);
        }
        self.settled.is_some()
    }

    /// Jumps over hours without readings, given the next reading that there is. Returns whether there is anything left to judge.
    pub fn skip_to(&mut self, next: Option<DateTime<Utc>>) -> bool {
        let Some(next) = next else { return false };
        self.hour = self.hour.max(first_dirty_hour(self.rules, next));
        true
    }

    /// Hours judged so far.
    #[must_use]
    pub fn judged(&self) -> usize {
        self.hours.len()
    }

    /// Stops for now: what has been judged so far, up to the hour to go on with. To be followed by another judging from there.
    #[must_use]
    pub fn pause(self) -> Replacement {
        let until = self.settled.unwrap_or(self.hour);
        Replacement { from: self.began, until: Some(until), hours: self.hours, state: self.state }
    }

    /// What has to be replaced.
    #[must_use]
    pub fn done(self) -> Replacement {
        Replacement { from: self.began, until: self.settled, hours: self.hours, state: self.state }
    }

    fn next_of_each(&self, after: &[Reading]) -> Vec<Reading> {
        let mut next: Vec<Reading> = Vec::new();
        let reach = self.hour + reach(self.rules);
        for r in after.iter().take_while(|r| r.at <= reach).filter(|r| r.c.is_some()) {
            if next.iter().all(|n| n.probe != r.probe) {
                next.push(*r);
            }
        }
        next
    }

    /// Whether a line passes over an hour without readings.
    fn is_crossed(&self, next: &[Reading]) -> bool {
        next.iter()
            .any(|n| self.state.last.get(&n.probe).is_some_and(|last| n.at - last.at <= gap_at(self.rules, last.at)))
    }
}

#[cfg(test)]
mod tests {
    use proptest::{prelude::*, sample::Index};

    use super::*;
    use crate::{
        cold::{air::LastReading, evaluate::still_open},
        kinds::ExcursionKind,
    };

    fn start() -> DateTime<Utc> {
        DateTime::from_timestamp(1_770_001_200, 0).unwrap()
    }

    fn at(second: i64) -> DateTime<Utc> {
        start() + TimeDelta::seconds(second)
    }

    fn rules(from: i64, warm_c: f64, gap: i64, lag: i64) -> Rules {
        Rules {
            from: at(from),
            warm_c,
            air_c: warm_c + 5.0,
            cold_c: 0.0,
            grace: TimeDelta::minutes(30),
            hysteresis_c: 0.5,
            gap: TimeDelta::minutes(gap),
            silence: TimeDelta::minutes(30),
            lag: TimeDelta::minutes(lag),
        }
    }

    /// A place's book in memory, driven as the store drives it.
    #[derive(Default)]
    struct Book {
        rules: Vec<Rules>,
        raw: BTreeMap<(DateTime<Utc>, i32), Option<f64>>,
        offsets: BTreeMap<i32, Vec<(DateTime<Utc>, f64)>>,
        hours: BTreeMap<DateTime<Utc>, Hour>,
        judged: usize,
    }

    impl Book {
        fn readings(&self, span: Span) -> Vec<Reading> {
            self.raw
                .range((span.from, i32::MIN)..(span.until, i32::MIN))
                .map(|((at, probe), c)| {
                    let offset = self.offsets.get(probe).and_then(|o| o.iter().rev().find(|(from, _)| from <= at));
                    Reading { probe: *probe, at: *at, c: c.map(|c| c + offset.map_or(0.0, |o| o.1)) }
                })
                .collect()
        }

        fn reevaluate(&mut self, from: DateTime<Utc>, through: DateTime<Utc>) {
            let rules = self.rules.clone();
            let begin = first_dirty_hour(&rules, from);
            let begins = self.hours.range(..begin).next_back().map(|(_, h)| h.state.clone()).unwrap_or_default();
            let mut again = Reevaluation::new(&rules, begin, begins, through);
            loop {
                let wanted = again.next_span();
                let beyond =
                    Span { from: wanted.from, until: wanted.until + reach(&rules) + TimeDelta::milliseconds(1) };
                let stored =
                    self.hours.range(wanted.from..wanted.until).map(|(h, hour)| (*h, hour.state.clone())).collect();
                if again.judge(wanted, &self.readings(beyond), &stored) {
                    break;
                }
                let next = self.raw.range((wanted.until, i32::MIN)..).next().map(|((at, _), _)| *at);
                if !again.skip_to(next) {
                    break;
                }
            }
            let done = again.done();
            self.judged += done.hours.len();
            self.hours.retain(|h, _| *h < done.from || done.until.is_some_and(|u| *h >= u));
            self.hours.extend(done.hours);
        }

        fn everything(&mut self) {
            self.hours.clear();
            if let Some(((first, _), _)) = self.raw.first_key_value() {
                self.reevaluate(*first, *first + TimeDelta::days(400));
            }
        }

        fn excursions(&self, now: DateTime<Utc>) -> Vec<Excursion> {
            let mut all: Vec<Excursion> = self.hours.values().flat_map(|h| h.ended.clone()).collect();
            if let Some((_, last)) = self.hours.last_key_value() {
                all.extend(still_open(&self.rules, &last.state, now));
            }
            all
        }

        fn post(&mut self, second: i64, probe: i32, c: Option<f64>) {
            self.raw.insert((at(second), probe), c);
        }
    }

    fn cold_then_failing() -> Book {
        let mut book = Book { rules: vec![rules(-86_400, 5.0, 15, 20)], ..Book::default() };
        for minute in 0..600 {
            let c = if minute < 200 { 2.0 } else { 2.0 + f64::from(minute - 200) * 0.05 };
            book.post(i64::from(minute) * 60, 1, Some(c.min(14.0)));
        }
        book.everything();
        book
    }

    #[test]
    fn a_failure_is_one_warm_spell_from_when_the_product_passed_the_limit() {
        let book = cold_then_failing();
        let all = book.excursions(at(600 * 60));
        let [warm] = all.as_slice() else { panic!("{all:?}") };
        assert_eq!((warm.kind, warm.until), (ExcursionKind::TooWarm, None));
        // The air passes 5 °C at minute 260; food with a time constant of 20 minutes lags a ramp by 20 minutes.
        let minute = (warm.from - at(0)).num_minutes();
        assert!((279..=281).contains(&minute), "{minute}");
        assert_eq!(warm.air_c, Some(14.0));
    }

    #[test]
    fn a_door_opening_of_twenty_minutes_is_no_warm_spell() {
        let mut book = Book { rules: vec![rules(-86_400, 5.0, 15, 60)], ..Book::default() };
        for minute in 0..300_i32 {
            book.post(i64::from(minute) * 60, 1, Some(if (100..120).contains(&minute) { 9.0 } else { 2.0 }));
        }
        book.everything();
        assert_eq!(book.excursions(at(300 * 60)), []);
        let above: f64 = book.hours.values().map(|h| h.figures.above_s).sum();
        assert!(above > 1200.0, "the air was above all the same: {above}");
    }

    #[test]
    fn a_gap_that_a_backlog_fills_closes_itself() {
        let mut book = Book { rules: vec![rules(-86_400, 5.0, 15, 20)], ..Book::default() };
        for minute in (0..100).chain(200..300) {
            book.post(minute * 60, 1, Some(2.0));
        }
        book.everything();
        let kinds = |b: &Book| b.excursions(at(300 * 60)).iter().map(|e| e.kind).collect::<Vec<_>>();
        assert_eq!(kinds(&book), [ExcursionKind::NoData]);
        for minute in 100..200 {
            book.post(minute * 60, 1, Some(2.0));
        }
        book.reevaluate(at(100 * 60), at(199 * 60));
        assert_eq!(kinds(&book), []);
    }

    #[test]
    fn silence_and_faults_that_last_are_told() {
        let mut book = Book { rules: vec![rules(-86_400, 5.0, 15, 20)], ..Book::default() };
        for minute in 0..100 {
            book.post(minute * 60, 1, (minute < 50).then_some(2.0));
        }
        book.everything();
        let all = book.excursions(at(100 * 60));
        assert_eq!(all.iter().map(|e| e.kind).collect::<Vec<_>>(), [ExcursionKind::NoData, ExcursionKind::ProbeFault]);
        assert_eq!((all[0].from, all[1].from), (at(49 * 60), at(50 * 60)));
    }

    #[test]
    fn one_more_reading_judges_an_hour_or_two_and_not_the_history() {
        let mut book = cold_then_failing();
        book.judged = 0;
        book.post(600 * 60, 1, Some(14.0));
        book.reevaluate(at(600 * 60), at(600 * 60));
        assert!(book.judged <= 2, "{}", book.judged);
        book.judged = 0;
        // A late reading in the middle is forgotten by the lag within hours.
        book.post(100 * 60 + 30, 1, Some(2.0));
        book.reevaluate(at(100 * 60 + 30), at(100 * 60 + 30));
        assert!(book.judged <= 4, "{}", book.judged);
    }

    #[test]
    fn a_state_survives_being_written_down() {
        let book = cold_then_failing();
        for hour in book.hours.values() {
            let json = serde_json::to_string(&hour.state).unwrap();
            assert_eq!(serde_json::from_str::<State>(&json).unwrap(), hour.state);
        }
        let last = State { last: [(3, LastReading { at: at(0), c: 0.1 + 0.2 })].into(), ..State::default() };
        assert_eq!(serde_json::from_value::<State>(serde_json::to_value(&last).unwrap()).unwrap(), last);
    }

    #[derive(Debug, Clone)]
    enum Delivery {
        Pack(Vec<Index>),
        Limit { from: i64, warm_c: f64, gap: i64, lag: i64 },
        Offset { probe: i32, from: i64, c: f64 },
    }

    fn delivery() -> impl Strategy<Value = Delivery> {
        prop_oneof![
            8 => prop::collection::vec(any::<Index>(), 1..40).prop_map(Delivery::Pack),
            1 => (0i64..40_000, 2.0f64..8.0, 5i64..90, 0i64..60)
                .prop_map(|(from, warm_c, gap, lag)| Delivery::Limit { from, warm_c, gap, lag }),
            1 => (1i32..3, 0i64..40_000, -1.0f64..1.0).prop_map(|(probe, from, c)| Delivery::Offset { probe, from, c }),
        ]
    }

    /// Steps of seconds, probe and air: minutes with swings, now and then a fault. Of some the readings come and go: every third step is a
    /// gap, now shorter, now longer than the silence time, and the air keeps to one side of a limit, so that spells reach over gaps.
    fn series() -> impl Strategy<Value = Vec<(i64, i32, Option<f64>)>> {
        let steady = {
            let step = prop_oneof![12 => 20i64..400, 1 => 1_000i64..9_000];
            let air =
                prop_oneof![10 => (0.5f64..4.0).prop_map(Some), 6 => (3.0f64..14.0).prop_map(Some), 1 => Just(None)];
            prop::collection::vec((step, 1i32..3, air), 5..160)
        };
        let gappy = {
            let step = prop_oneof![4 => 20i64..800, 2 => 700i64..2_400, 1 => 2_000i64..20_000];
            let side = prop_oneof![Just(-2.0), Just(0.2), Just(4.8), Just(9.0)];
            let run = (side, prop::collection::vec((step, 1i32..3, prop::option::weighted(0.95, -1.0f64..1.0)), 1..40));
            prop::collection::vec(run, 1..6).prop_map(|runs| {
                runs.into_iter()
                    .flat_map(|(c, steps)| {
                        steps.into_iter().map(move |(step, probe, off)| (step, probe, off.map(|o| c + o)))
                    })
                    .collect::<Vec<_>>()
            })
        };
        prop_oneof![steady, gappy].prop_map(|steps| {
            let mut second = 0;
            steps
                .into_iter()
                .map(|(step, probe, c)| {
                    second += step;
                    (second, probe, c)
                })
                .collect()
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(
            std::env::var("GILLBOOK_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(2_000)
        ))]

        /// Any series, in any order, in any packs, with any doubles, limits and offsets changing between: the same hours and the same
        /// excursions, to the last bit, as judging everything again from the raw rows.
        #[test]
        fn incremental_is_recomputed(series in series(), deliveries in prop::collection::vec(delivery(), 1..30)) {
            let mut book = Book { rules: vec![rules(-86_400, 5.0, 15, 20)], ..Book::default() };
            for delivery in deliveries.into_iter().chain([Delivery::Pack(Vec::new())]) {
                match delivery {
                    Delivery::Pack(which) => {
                        // The last pack delivers whatever has not come yet.
                        let rows: Vec<_> = if which.is_empty() {
                            series.clone()
                        } else {
                            which.iter().map(|i| *i.get(&series)).collect()
                        };
                        let (Some(first), Some(last)) = (rows.iter().map(|r| r.0).min(), rows.iter().map(|r| r.0).max()) else {
                            continue;
                        };
                        for (second, probe, c) in rows {
                            book.post(second, probe, c);
                        }
                        book.reevaluate(at(first), at(last));
                    }
                    Delivery::Limit { from, warm_c, gap, lag } => {
                        // The gap limit reaches back: what may begin a line under the old rules or the new.
                        let wider = rules(from, warm_c, gap, lag);
                        book.rules.retain(|r| r.from != wider.from);
                        book.rules.push(wider);
                        book.rules.sort_by_key(|r| r.from);
                        book.reevaluate(at(from), at(1_000_000));
                    }
                    Delivery::Offset { probe, from, c } => {
                        let of_probe = book.offsets.entry(probe).or_default();
                        of_probe.retain(|o| o.0 != at(from));
                        of_probe.push((at(from), c));
                        of_probe.sort_by_key(|o| o.0);
                        book.reevaluate(at(from), at(1_000_000));
                    }
                }
            }
            let now = at(series.last().map_or(0, |s| s.0) + 4_000);
            let (hours, excursions) = (book.hours.clone(), book.excursions(now));
            book.everything();
            prop_assert_eq!(&hours, &book.hours);
            prop_assert_eq!(excursions, book.excursions(now));
        }
    }
}
