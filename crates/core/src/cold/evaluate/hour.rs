//! How an hour of air is evaluated: interval by interval, from the state that the hour before ended in.

use crate::{
    cold::{
        air::{HOUR_S, LastReading, Piece, Reading, instant, instant_within, pieces, seconds_into},
        kinetic::aged_seconds,
        product::Product,
    },
    kinds::ExcursionKind,
};
use chrono::{DateTime, TimeDelta, Utc};

use super::{Excursion, Figures, Hour, Rules, Spell, State, blank, gap_at, in_force};

pub(super) struct HourEvaluator<'a> {
    rules: &'a [Rules],
    hour: DateTime<Utc>,
    pub(super) figures: Figures,
    ended: Vec<Excursion>,
    state: State,
    pub(super) product: Option<Vec<(DateTime<Utc>, f64)>>,
}

impl<'a> HourEvaluator<'a> {
    pub(super) fn new(rules: &'a [Rules], hour: DateTime<Utc>, begins: &State) -> Self {
        Self { rules, hour, figures: Figures::default(), ended: Vec::new(), state: begins.clone(), product: None }
    }

    pub(super) fn whole_hour(&mut self, begins: &State, readings: &[Reading], next: &[Reading]) {
        for r in readings {
            self.count(r);
        }
        let pieces = pieces(self.hour, &begins.last, readings, next, |at| gap_at(self.rules, at));
        self.through(&pieces, &lone_readings(self.hour, readings, &pieces), 0.0, HOUR_S);
        for r in readings {
            if let Some(c) = r.c {
                self.state.last.insert(r.probe, LastReading { at: r.at, c });
            }
        }
    }

    pub(super) fn done(mut self) -> Hour {
        self.ended.sort_by_key(|e| (e.until, e.from));
        Hour { figures: self.figures, ended: self.ended, state: self.state }
    }

    /// Counts a reading, and sees a fault begin or end.
    pub(super) fn count(&mut self, r: &Reading) {
        let Some(c) = r.c else {
            self.figures.faults += 1;
            self.state.faulty.entry(r.probe).or_insert(r.at);
            return;
        };
        self.figures.readings += 1;
        farther(&mut self.figures.min_c, c, f64::min);
        farther(&mut self.figures.max_c, c, f64::max);
        if let Some(from) = self.state.faulty.remove(&r.probe)
            && in_force(self.rules, from).is_some_and(|rules| r.at - from > rules.silence)
        {
            self.ended.push(blank(ExcursionKind::ProbeFault, Some(r.probe), from, Some(r.at)));
        }
    }

    /// What is known from one second of the hour to another, in the order of time.
    pub(super) fn through(&mut self, pieces: &[Piece], lone: &[(f64, f64)], from: f64, until: f64) {
        let mut points = lone.iter().filter(|(at, _)| (from..until).contains(at)).peekable();
        for piece in pieces {
            while let Some((at, c)) = points.next_if(|(at, _)| *at < piece.from_s) {
                self.at_point(*at, *c);
            }
            let (from_s, until_s) = (piece.from_s.max(from), piece.until_s.min(until));
            if piece.from_s >= from && piece.until_s <= until {
                self.over(piece);
            } else if from_s < until_s {
                self.over(&piece.part(from_s, until_s));
            }
        }
        points.for_each(|(at, c)| self.at_point(*at, *c));
    }

    /// A reading that stands alone: no time is known by it, and no spell ends with it.
    fn at_point(&mut self, second: f64, air_c: f64) {
        let at = instant_within(self.hour, second);
        // Known until this very instant, by the hour before.
        if self.state.known_until.is_some_and(|k| k >= at) {
            return;
        }
        let Some(rules) = in_force(self.rules, at) else { return };
        let warm_c = self.state.product_c.map_or(air_c, |p| p.max(air_c));
        let cold_c = self.state.cold_product_c.map_or(air_c, |p| p.min(air_c));
        farther(&mut self.figures.product_c, warm_c, f64::max);
        if warm_c > rules.warm_c || air_c > rules.air_c {
            self.state.warm = Some(seen_at(self.state.warm, at, [air_c, warm_c], f64::max, rules.grace));
        }
        if cold_c < rules.cold_c {
            self.state.cold = Some(seen_at(self.state.cold, at, [air_c, cold_c], f64::min, rules.grace));
        }
        (self.state.product_c, self.state.cold_product_c) = (Some(warm_c), Some(cold_c));
    }

    fn over(&mut self, piece: &Piece) {
        let begins = instant(self.hour, piece.from_s);
        if let Some(known) = self.state.known_until.filter(|k| *k < begins) {
            self.after_silence(known, begins, piece.from_c);
        }
        let mut from = piece.from_s;
        let changes = self.rules.iter().map(|r| seconds_into(self.hour, r.from));
        let mut cuts: Vec<f64> = changes.filter(|t| *t > piece.from_s && *t < piece.until_s).collect();
        cuts.push(piece.until_s);
        for until in cuts {
            self.under_one_rule(&piece.part(from, until));
            from = until;
        }
        // Air is known until a reading's instant or the hour's end, both whole milliseconds.
        self.state.known_until = Some(instant(self.hour, piece.until_s));
        self.figures.probe_spread_c = self.figures.probe_spread_c.max(piece.probe_spread_c);
    }

    fn after_silence(&mut self, known: DateTime<Utc>, begins: DateTime<Utc>, air_c: f64) {
        if in_force(self.rules, known).is_some_and(|r| begins - known > r.silence) {
            self.ended.push(blank(ExcursionKind::NoData, None, known, Some(begins)));
        }
        self.state.product_c = self.state.product_c.map(|p| p.max(air_c));
        self.state.cold_product_c = self.state.cold_product_c.map(|p| p.min(air_c));
    }

    fn under_one_rule(&mut self, piece: &Piece) {
        let seconds = piece.until_s - piece.from_s;
        let f = &mut self.figures;
        f.known_s += seconds;
        f.air_integral_c_s += seconds * f64::midpoint(piece.from_c, piece.until_c);
        f.kinetic_s += aged_seconds(piece.from_c, piece.until_c, seconds);
        for c in [piece.from_c, piece.until_c] {
            farther(&mut f.min_c, c, f64::min);
            farther(&mut f.max_c, c, f64::max);
        }
        let Some(rules) = in_force(self.rules, instant(self.hour, piece.from_s)).cloned() else { return };
        let (above_s, above_c_s) = beyond(piece.from_c - rules.warm_c, piece.until_c - rules.warm_c, seconds);
        let (below_s, _) = beyond(rules.cold_c - piece.from_c, rules.cold_c - piece.until_c, seconds);
        f.above_s += above_s;
        f.above_c_s += above_c_s;
        f.below_s += below_s;
        #[expect(clippy::cast_precision_loss, reason = "at most a day")]
        let tau_s = rules.lag.num_seconds() as f64;
        let estimate = |begins: Option<f64>| {
            Product::over(begins.unwrap_or(piece.from_c), piece.from_c, piece.until_c, seconds, tau_s)
        };
        let (warm, cold) = (estimate(self.state.product_c), estimate(self.state.cold_product_c));
        let mut stops = vec![0.0, seconds];
        stops.extend(warm.turn(seconds).into_iter().chain(cold.turn(seconds)));
        for level in [rules.warm_c, rules.warm_c - rules.hysteresis_c] {
            stops.extend(warm.passes(level, seconds));
        }
        for level in [rules.cold_c, rules.cold_c + rules.hysteresis_c] {
            stops.extend(cold.passes(level, seconds));
        }
        if (piece.from_c > rules.air_c) != (piece.until_c > rules.air_c) {
            stops.push(seconds * ((rules.air_c - piece.from_c) / (piece.until_c - piece.from_c)));
        }
        stops.sort_by(f64::total_cmp);
        stops.dedup();
        for pair in stops.windows(2) {
            self.between_stops(&rules, piece, (&warm, &cold), pair[0], pair[1]);
        }
        self.trace_product(piece, &warm);
        self.state.product_c = Some(warm.at(seconds));
        self.state.cold_product_c = Some(cold.at(seconds));
    }

    fn trace_product(&mut self, piece: &Piece, product: &Product) {
        let Some(trace) = &mut self.product else { return };
        let begins = instant(self.hour, piece.from_s);
        if trace.last().is_none_or(|(at, _)| *at < begins) {
            trace.push((begins, product.at(0.0)));
        }
        trace.push((instant(self.hour, piece.until_s), product.at(piece.until_s - piece.from_s)));
    }

    /// Between two stops nothing passes a limit, so the middle tells for all of it.
    fn between_stops(&mut self, rules: &Rules, piece: &Piece, products: (&Product, &Product), from: f64, until: f64) {
        let (warm, cold) = products;
        let middle = f64::midpoint(from, until);
        let air = |t: f64| piece.at(piece.from_s + t);
        let air_c = air(middle);
        for t in [from, until] {
            farther(&mut self.figures.product_c, warm.at(t), f64::max);
        }
        let stretch = Stretch {
            from: instant_within(self.hour, piece.from_s + from),
            until: instant(self.hour, piece.from_s + until),
            seconds: until - from,
            air: [air(from), air(until)],
        };
        let warm_c = warm.at(middle);
        let side = Side {
            kind: ExcursionKind::TooWarm,
            beyond: warm_c > rules.warm_c || air_c > rules.air_c,
            back: warm_c < rules.warm_c - rules.hysteresis_c && air_c <= rules.air_c,
            product: [warm.at(from), warm.at(until)],
            beyond_c_s: warm.area(from, until) - rules.warm_c * stretch.seconds,
            farthest: f64::max,
        };
        let (spell, ended) = step(self.state.warm.take(), &side, &stretch, rules.grace);
        self.state.warm = spell;
        self.ended.extend(ended);
        let cold_c = cold.at(middle);
        let side = Side {
            kind: ExcursionKind::TooCold,
            beyond: cold_c < rules.cold_c,
            back: cold_c > rules.cold_c + rules.hysteresis_c,
            product: [cold.at(from), cold.at(until)],
            beyond_c_s: rules.cold_c * stretch.seconds - cold.area(from, until),
            farthest: f64::min,
        };
        let (spell, ended) = step(self.state.cold.take(), &side, &stretch, rules.grace);
        self.state.cold = spell;
        self.ended.extend(ended);
    }
}

struct Stretch {
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    seconds: f64,
    air: [f64; 2],
}

/// One side of the limits over a stretch.
struct Side {
    kind: ExcursionKind,
    beyond: bool,
    back: bool,
    /// °C of its estimate of the product at both ends.
    product: [f64; 2],
    beyond_c_s: f64,
    farthest: fn(f64, f64) -> f64,
}

/// Takes a spell over one stretch.
fn step(spell: Option<Spell>, side: &Side, over: &Stretch, grace: TimeDelta) -> (Option<Spell>, Option<Excursion>) {
    let spell = match spell {
        Some(s) if s.counts && side.back => {
            let ended = Excursion {
                kind: side.kind,
                probe: None,
                from: s.from,
                until: Some(over.from),
                air_c: Some(s.air_c),
                product_c: Some(s.product_c),
                known_s: s.known_s,
                beyond_c_s: s.beyond_c_s,
            };
            return (None, Some(ended));
        }
        Some(s) if s.counts || side.beyond => s,
        None if side.beyond => Spell {
            from: over.from,
            counts: false,
            air_c: over.air[0],
            product_c: side.product[0],
            known_s: 0.0,
            beyond_c_s: 0.0,
        },
        _ => return (None, None),
    };
    let pick = |seen: f64, ends: [f64; 2]| (side.farthest)(seen, (side.farthest)(ends[0], ends[1]));
    let spell = Spell {
        counts: spell.counts || over.until - spell.from > grace,
        air_c: pick(spell.air_c, over.air),
        product_c: pick(spell.product_c, side.product),
        known_s: spell.known_s + over.seconds,
        beyond_c_s: spell.beyond_c_s + side.beyond_c_s.max(0.0),
        ..spell
    };
    (Some(spell), None)
}

/// A spell, new or pending or not, seen beyond its limit at one instant, by the air and its estimate of the product.
fn seen_at(
    spell: Option<Spell>,
    at: DateTime<Utc>,
    [air_c, product_c]: [f64; 2],
    farthest: fn(f64, f64) -> f64,
    grace: TimeDelta,
) -> Spell {
    let new = Spell { from: at, counts: false, air_c, product_c, known_s: 0.0, beyond_c_s: 0.0 };
    let spell = spell.unwrap_or(new);
    Spell {
        counts: spell.counts || at - spell.from > grace,
        air_c: farthest(spell.air_c, air_c),
        product_c: farthest(spell.product_c, product_c),
        ..spell
    }
}

/// The good readings of an hour that no piece of known air reaches, in time order: seconds into the hour, and °C.
pub(super) fn lone_readings(hour: DateTime<Utc>, readings: &[Reading], pieces: &[Piece]) -> Vec<(f64, f64)> {
    let is_known = |at: f64| {
        let after = pieces.partition_point(|p| p.from_s <= at);
        pieces[..after].last().is_some_and(|p| p.until_s >= at)
    };
    let points = readings.iter().filter_map(|r| Some((seconds_into(hour, r.at), r.c?)));
    points.filter(|(at, _)| !is_known(*at)).collect()
}

/// Seconds for which a straight line from `a` to `b` is above zero, and its area there.
fn beyond(a: f64, b: f64, seconds: f64) -> (f64, f64) {
    match (a > 0.0, b > 0.0) {
        (true, true) => (seconds, seconds * f64::midpoint(a, b)),
        (false, false) => (0.0, 0.0),
        (up, _) => {
            let high = if up { a } else { b };
            let share = high / (a - b).abs();
            (seconds * share, seconds * share * high / 2.0)
        }
    }
}

pub(super) fn farther(seen: &mut Option<f64>, c: f64, pick: fn(f64, f64) -> f64) {
    *seen = Some(seen.map_or(c, |s| pick(s, c)));
}
