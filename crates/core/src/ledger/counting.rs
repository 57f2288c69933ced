//! Stock counts: what is there against the book, the difference split into what was to be expected and what was not.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    booked::{AirBefore, Booked},
    entry::{Act, PlannedLeg, built_in_place},
    loss_factor::{FactorRange, WeighedLot},
    loss_watch::{CountedLot, KindDay, LossKind, LossWarning, LossWatch},
    stock_count::{scale_tolerance, split},
};
use crate::{
    cold::weight_loss::{ExpectedLoss, PublishedLoss},
    kinds::PlaceKind,
    refusal::{Refusal, RefusalKind},
    text::{Line, LotCode, PlaceCode, Short},
    units::{calendar::Instant, quantity::Grams},
};

/// The most lots of one count.
const MAX_COUNTED: usize = 500;

/// Counted grams of a lot.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Counted {
    /// The lot.
    pub lot: LotCode,
    /// What the scale showed, tare taken off.
    pub counted_g: Grams,
    /// Why there is more than the book has. Needed where it is more than two weighings on one scale can differ by.
    pub found_reason: Option<Line>,
}

/// A count at a place.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStockCount {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Where.
    pub place: PlaceCode,
    /// The lots that were counted. Lots that are left out stay as the book has them.
    #[schema(min_items = 1, max_items = 500)]
    pub lots: Vec<Counted>,
    /// When; now unless said. What was counted is held against what the book had then.
    pub counted_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A counted lot against the book. Book less counted = water loss + unexplained − found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CountRow {
    /// The lot.
    pub lot: LotCode,
    /// What the book had at the instant of the count.
    pub book_g: Grams,
    /// What was there.
    pub counted_g: Grams,
    /// What goods that lose by the published rates had lost since these came there or were last weighed.
    pub published: PublishedLoss,
    /// A fifth of it or more came from another store since it was last weighed, by the book's weight. What it lost there is not in `published`, so it
    /// teaches nothing and no warning counts it.
    pub transferred: bool,
    /// What was to be expected of the difference, by that and by what the counts before had taught of its strain and packaging: water, and at the
    /// most what two weighings may differ by.
    pub expected: ExpectedLoss,
    /// Missing, and within what was to be expected.
    pub water_loss_g: Grams,
    /// Missing beyond the most that was to be expected.
    pub unexplained_g: Grams,
    /// Lost less than the least that was to be expected, by so much.
    pub less_than_expected_g: Grams,
    /// Above the book.
    pub found_g: Grams,
    /// Why there was more than the book had.
    pub found_reason: Option<String>,
}

/// A count as it was kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct StockCount {
    /// The place.
    pub place: PlaceCode,
    /// Its rows.
    pub rows: Vec<CountRow>,
    /// Strains of which more was missing than water and scales explain.
    pub loss_warnings: Vec<LossWarning>,
    /// The version of the coefficients that the expected loss rests on.
    pub coefficients_version: String,
    /// The act that booked the differences.
    pub act: Act,
}

impl CountRow {
    /// A counted lot against the book, with the difference split.
    #[must_use]
    pub fn of(
        (lot, book_g, counted_g): (LotCode, Grams, Grams),
        (published, transferred): (PublishedLoss, bool),
        expected: ExpectedLoss,
        found_reason: Option<String>,
    ) -> Self {
        let parts = split(book_g, counted_g, &expected);
        Self {
            lot,
            book_g,
            counted_g,
            published,
            transferred,
            expected,
            water_loss_g: parts.water_loss_g,
            unexplained_g: parts.unexplained_g,
            less_than_expected_g: parts.less_than_expected_g,
            found_g: parts.found_g,
            found_reason,
        }
    }
}

impl NewStockCount {
    /// Refuses a place that holds no stock, no lots or too many, a weight below zero, and a lot that is counted twice.
    ///
    /// # Errors
    /// Names the field.
    pub fn ensure_possible(&self, kind: PlaceKind) -> Result<(), Refusal> {
        if !kind.holds_stock() {
            let detail = format!("{} holds no stock. Count a fridge, shelf, van or stall.", self.place);
            return Err(Refusal::field("/place", detail));
        }
        if !(1..=MAX_COUNTED).contains(&self.lots.len()) {
            return Err(Refusal::field("/lots", "Count at least one lot, and at most 500 at once."));
        }
        for (i, c) in self.lots.iter().enumerate() {
            if !(Grams::ZERO..=Grams::MAX).contains(&c.counted_g) {
                return Err(Refusal::field(format!("/lots/{i}/counted_g"), "A counted weight is zero or more."));
            }
            if self.lots[..i].iter().any(|o| o.lot == c.lot) {
                return Err(Refusal::field(
                    format!("/lots/{i}/lot"),
                    format!("Lot {} is counted twice. Add the two up.", c.lot),
                ));
            }
        }
        Ok(())
    }
}

/// What is booked of a count.
#[derive(Debug, Clone, PartialEq)]
pub struct CountPlan {
    /// The lots against the book.
    pub rows: Vec<CountRow>,
    /// The differences: what is missing becomes lost weight, what is too much was found.
    pub legs: Vec<PlannedLeg>,
    /// The first lot of which more was found than two weighings can differ by: while a warm spell is not settled or a lot is on hold, somebody
    /// answers for that.
    pub gained: Option<(LotCode, Grams)>,
    /// Strains of which more is missing than water and scales explain.
    pub loss_warnings: Vec<LossWarning>,
}

/// A kind at a count: what its days before taught, and the lots of its day so far.
struct Learned {
    watch: LossWatch,
    of_a_lot: FactorRange,
    today: KindDay,
}

impl Learned {
    /// `past` are its days with counts up to this one. What was counted on the day of this one belongs to it.
    fn of(past: &[KindDay], (day, counted_at): (NaiveDate, DateTime<Utc>)) -> Self {
        let (before, today) = match past.split_last() {
            Some((last, before)) if last.day == day => (before, last.clone()),
            _ => (past, KindDay { day, counted_at, lots: Vec::new(), warned: false }),
        };
        let watch = LossWatch::of(before);
        Self { of_a_lot: watch.factor().range_of_a_lot(), watch, today }
    }
}

/// What a count is decided on.
#[derive(Debug, Clone, PartialEq)]
pub struct CountFacts {
    /// What the book had of the lots at the place at the instant of the count.
    pub booked: BTreeMap<LotCode, Booked>,
    /// The air of the place before it.
    pub air: AirBefore,
    /// What counts up to it said, by kind and in order of time.
    pub past: BTreeMap<LossKind, Vec<KindDay>>,
    /// When it was counted.
    pub counted_at: DateTime<Utc>,
    /// The farm's day then.
    pub day: NaiveDate,
}

/// Decides on a count.
///
/// # Errors
/// Refuses a lot that was never there or was counted again since, more above the book than two weighings can differ by unless it is said why,
/// and a shortage of goods that have left since.
pub fn decide(new: &NewStockCount, facts: &CountFacts) -> Result<CountPlan, Refusal> {
    let CountFacts { booked, air, past, counted_at, day } = facts;
    let mut learned: BTreeMap<LossKind, Learned> = BTreeMap::new();
    let mut rows = Vec::with_capacity(new.lots.len());
    for (i, counted) in new.lots.iter().enumerate() {
        let Some(booked) = booked.get(&counted.lot) else {
            return Err(Refusal::field(
                format!("/lots/{i}/lot"),
                format!("Lot {} was never at {}. Check the code, or transfer it first.", counted.lot, new.place),
            ));
        };
        let (book_g, published) = (booked.grams_then(), booked.published_loss(air, *counted_at));
        let (mut expected, transferred) = (ExpectedLoss::default(), booked.came_by_transfer());
        if let Some(kind) = booked.loss_kind() {
            let learned = learned
                .entry(kind)
                .or_insert_with_key(|kind| Learned::of(past.get(kind).map_or(&[], Vec::as_slice), (*day, *counted_at)));
            expected = learned.of_a_lot.expected(book_g, &published);
            let lot = WeighedLot { book_g, counted_g: counted.counted_g, published };
            let (at, explained) = ((counted.lot.clone(), new.place.clone()), counted.found_reason.is_some());
            learned.today.lots.push(CountedLot { at, lot, explained, transferred });
        }
        let reason = counted.found_reason.as_ref().map(ToString::to_string);
        let row =
            CountRow::of((counted.lot.clone(), book_g, counted.counted_g), (published, transferred), expected, reason);
        ensure_row(&row, booked, &new.place, i)?;
        rows.push(row);
    }
    let warning = |(kind, learned): (LossKind, Learned)| learned.watch.warning(&kind, &learned.today);
    let loss_warnings = learned.into_iter().filter_map(warning).collect();
    let gained = rows.iter().find(|r| r.found_g > scale_tolerance(r.book_g.max(r.counted_g)));
    let gained = gained.map(|r| (r.lot.clone(), r.found_g));
    Ok(CountPlan { legs: legs(&new.place, &rows), gained, loss_warnings, rows })
}

fn legs(place: &PlaceCode, rows: &[CountRow]) -> Vec<PlannedLeg> {
    let (water, found) = (built_in_place(PlaceKind::Water), built_in_place(PlaceKind::Found));
    let off = rows.iter().filter(|r| r.book_g != r.counted_g);
    off.map(|r| {
        let (from_place, to_place) = if r.found_g > Grams::ZERO { (&found, place) } else { (place, &water) };
        PlannedLeg::of(&r.lot, from_place, to_place, Grams((r.book_g - r.counted_g).0.abs()))
    })
    .collect()
}

fn ensure_row(row: &CountRow, booked: &Booked, place: &PlaceCode, i: usize) -> Result<(), Refusal> {
    let lot = &row.lot;
    if let Some(later) = booked.counted_after {
        return Err(Refusal::new(
            RefusalKind::Closed,
            format!(
                "Lot {lot} was counted at {place} again since, at {}. The later count holds: leave this one out.",
                later.format("%Y-%m-%d %H:%M UTC")
            ),
        )
        .at(format!("/lots/{i}/lot")));
    }
    if row.book_g < Grams::ZERO {
        return Err(Refusal::field(
            "/counted_at",
            format!(
                "By the times written down, {place} had {} of lot {lot} then. Correct what was entered with the wrong time, or count now.",
                row.book_g
            ),
        ));
    }
    let tolerance = scale_tolerance(row.book_g.max(row.counted_g));
    if row.found_g > tolerance && row.found_reason.is_none() {
        return Err(Refusal::field(
            format!("/lots/{i}/found_reason"),
            format!(
                "{place} has {} of lot {lot} by the book, and {} were counted. That is {} more, and two weighings differ by {tolerance} at most. Count again; if it is right, say why.",
                row.book_g, row.counted_g, row.found_g
            ),
        ));
    }
    let missing = row.book_g - row.counted_g;
    if missing > booked.grams_now {
        return Err(Refusal::new(
            RefusalKind::NotEnough,
            format!(
                "The count is {missing} short of the book, but only {} of lot {lot} are left at {place} by now. Count what is there now.",
                booked.grams_now
            ),
        )
        .at(format!("/lots/{i}/counted_g")));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;
    use serde_json::{Value, json};

    use super::*;
    use crate::{
        cold::unknown_air::UnknownAir,
        kinds::{Form, Packaging},
        ledger::booked::Moved,
    };

    fn at(time: &str) -> DateTime<Utc> {
        format!("2026-05-{time}:00Z").parse().unwrap()
    }

    /// A kilogram of oysters that came two days before the count.
    fn booked() -> Booked {
        Booked {
            packaging: Packaging::Open,
            form: Form::Fresh,
            strain: "OY".parse().unwrap(),
            grams_now: Grams(1000),
            counted_before: None,
            counted_after: None,
            moved: vec![Moved { at: at("04T08:00"), grams: Grams(1000), from_store: false }],
        }
    }

    fn new(lots: &Value) -> NewStockCount {
        serde_json::from_value(json!({"place": "F1", "lots": lots})).unwrap()
    }

    fn count(booked: &Booked, lots: &Value) -> Result<CountPlan, Refusal> {
        count_after(&BTreeMap::new(), booked, lots)
    }

    fn count_after(
        past: &BTreeMap<LossKind, Vec<KindDay>>,
        booked: &Booked,
        lots: &Value,
    ) -> Result<CountPlan, Refusal> {
        decide(&new(lots), &facts(past, &[("OY-1", booked)]))
    }

    fn facts(past: &BTreeMap<LossKind, Vec<KindDay>>, booked: &[(&str, &Booked)]) -> CountFacts {
        let counted_at = at("06T08:00");
        CountFacts {
            booked: booked.iter().map(|(lot, booked)| (lot.parse().unwrap(), (*booked).clone())).collect(),
            air: AirBefore::new(Vec::new(), UnknownAir::of(PlaceKind::Fridge, None), 90.0, counted_at),
            past: past.clone(),
            counted_at,
            day: counted_at.date_naive(),
        }
    }

    fn refused(booked: &Booked, lots: &Value) -> (RefusalKind, String) {
        let refusal = count(booked, lots).unwrap_err();
        (refusal.kind, refusal.faults[0].pointer.clone())
    }

    #[test]
    fn what_is_missing_is_lost_weight_and_what_is_too_much_was_found() {
        let leg = |counted: i64| {
            let plan = count(&booked(), &json!([{"lot": "OY-1", "counted_g": counted}])).unwrap();
            plan.legs.first().map(|l| (l.from_place.to_string(), l.to_place.to_string(), l.grams_g.0))
        };
        let [water, found] = [PlaceKind::Water, PlaceKind::Found].map(|kind| built_in_place(kind).to_string());
        assert_eq!(leg(970), Some(("F1".into(), water, 30)));
        assert_eq!(leg(1008), Some((found, "F1".into(), 8)));
        assert_eq!(leg(1000), None);
    }

    #[test]
    fn a_difference_is_split_and_adds_up() {
        let plan = count(&booked(), &json!([{"lot": "OY-1", "counted_g": 500}])).unwrap();
        let row = &plan.rows[0];
        assert!(row.expected.high_g > Grams::ZERO && row.unexplained_g > Grams::ZERO);
        assert_eq!(row.water_loss_g + row.unexplained_g - row.found_g, Grams(500));
    }

    #[test]
    fn what_was_counted_before_loses_water_from_then_on_only() {
        let expected =
            |lot: &Booked| count(lot, &json!([{"lot": "OY-1", "counted_g": 1000}])).unwrap().rows[0].expected.likely_g;
        let lately = Booked { counted_before: Some(at("06T07:00")), ..booked() };
        assert!(expected(&lately) < expected(&booked()));
    }

    #[test]
    fn more_than_two_weighings_can_differ_by_needs_a_reason_and_is_told() {
        // OIML R 76-1:2006, table 6 and clause 3.5.2: 10 g up to 2.5 kg on a scale of 5 g.
        assert_eq!(count(&booked(), &json!([{"lot": "OY-1", "counted_g": 1010}])).unwrap().gained, None);
        assert_eq!(
            refused(&booked(), &json!([{"lot": "OY-1", "counted_g": 1011}])),
            (RefusalKind::Invalid, "/lots/0/found_reason".into())
        );
        let told = json!([{"lot": "OY-1", "counted_g": 1011, "found_reason": "a crate behind the door"}]);
        assert_eq!(count(&booked(), &told).unwrap().gained, Some(("OY-1".parse().unwrap(), Grams(11))));
    }

    fn elsewhere() -> (LotCode, PlaceCode) {
        ("OY-9".parse().unwrap(), "F1".parse().unwrap())
    }

    /// Nine counts at which as many kilograms as there are now had lost 12 g each.
    fn taught() -> BTreeMap<LossKind, Vec<KindDay>> {
        let published = count(&booked(), &json!([{"lot": "OY-1", "counted_g": 1000}])).unwrap().rows[0].published;
        let lot = WeighedLot { book_g: Grams(1000), counted_g: Grams(988), published };
        let lots = vec![CountedLot { at: elsewhere(), lot, explained: false, transferred: false }];
        let day = |n: i64| {
            let counted_at = at("06T08:00") - TimeDelta::weeks(10 - n);
            KindDay { day: counted_at.date_naive(), counted_at, lots: lots.clone(), warned: false }
        };
        BTreeMap::from([(booked().loss_kind().unwrap(), (1..=9).map(day).collect())])
    }

    #[test]
    fn what_counts_taught_is_what_is_expected_of_the_kind_and_of_no_other() {
        let all = json!([{"lot": "OY-1", "counted_g": 988}]);
        let of = |past: BTreeMap<_, _>, booked: &Booked| count_after(&past, booked, &all).unwrap().rows[0].expected;
        let expected = of(taught(), &booked());
        assert!((10..=14).contains(&expected.likely_g.0) && expected.high_g < Grams(30), "{expected:?}");
        let vented = Booked { packaging: Packaging::Vented, ..booked() };
        assert_eq!(of(taught(), &vented), of(BTreeMap::new(), &vented));
        let dried = Booked { form: Form::Dried, ..booked() };
        assert_eq!(of(taught(), &dried), ExpectedLoss::default());
    }

    #[test]
    fn more_missing_than_dries_off_is_told_of_unless_another_lot_has_it() {
        let warned = |counted: i64| {
            let plan = count_after(&taught(), &booked(), &json!([{"lot": "OY-1", "counted_g": counted}])).unwrap();
            plan.loss_warnings.into_iter().map(|w| (w.strain.to_string(), w.missing_g.0)).collect::<Vec<_>>()
        };
        assert_eq!(warned(985), []);
        assert_eq!(warned(900), [("OY".to_owned(), 100)]);
        // A crate under another lot's label: what the one is missing, the other has more.
        let lots =
            json!([{"lot": "OY-1", "counted_g": 900}, {"lot": "OY-2", "counted_g": 1076, "found_reason": "label"}]);
        let two = facts(&taught(), &[("OY-1", &booked()), ("OY-2", &booked())]);
        assert_eq!(decide(&new(&lots), &two).unwrap().loss_warnings, []);
        // What was carried in from another store by the book's weight may have dried there.
        let mut carried = booked();
        carried.moved[0].from_store = true;
        let plan = count_after(&taught(), &carried, &json!([{"lot": "OY-1", "counted_g": 900}])).unwrap();
        assert!(plan.rows[0].transferred && plan.loss_warnings.is_empty());
        // A gram that went to and fro makes no difference.
        let mut gram = booked();
        gram.moved.push(Moved { at: at("06T07:00"), grams: Grams(1), from_store: true });
        let plan = count_after(&taught(), &gram, &json!([{"lot": "OY-1", "counted_g": 900}])).unwrap();
        assert!(!plan.rows[0].transferred && plan.loss_warnings.len() == 1);
    }

    #[test]
    fn what_is_saved_crate_by_crate_is_one_day() {
        let mut past = taught();
        let robbed = WeighedLot { counted_g: Grams(900), ..past.values().next().unwrap()[0].lots[0].lot };
        let counted_at = at("06T07:00");
        let lots = vec![CountedLot { at: elsewhere(), lot: robbed, explained: false, transferred: false }];
        for days in past.values_mut() {
            days.push(KindDay { day: counted_at.date_naive(), counted_at, lots: lots.clone(), warned: true });
        }
        let plan = count_after(&past, &booked(), &json!([{"lot": "OY-1", "counted_g": 988}])).unwrap();
        let warning = &plan.loss_warnings[0];
        assert_eq!((warning.count_days, warning.missing_g, warning.counted_since), (1, Grams(112), counted_at));
        // The day after, it was told, and is not told again.
        for days in past.values_mut() {
            days[9].day = days[9].day.pred_opt().unwrap();
        }
        let plan = count_after(&past, &booked(), &json!([{"lot": "OY-1", "counted_g": 988}])).unwrap();
        assert_eq!(plan.loss_warnings, []);
    }

    #[test]
    fn a_later_count_holds() {
        let again = Booked { counted_after: Some(at("07T08:00")), ..booked() };
        assert_eq!(
            refused(&again, &json!([{"lot": "OY-1", "counted_g": 1}])),
            (RefusalKind::Closed, "/lots/0/lot".into())
        );
    }

    #[test]
    fn a_lot_that_never_was_there_is_named() {
        let lots = json!([{"lot": "OY-1", "counted_g": 1000}, {"lot": "OY-2", "counted_g": 1}]);
        assert_eq!(refused(&booked(), &lots), (RefusalKind::Invalid, "/lots/1/lot".into()));
    }

    #[test]
    fn a_book_below_zero_by_its_times_is_mended_first() {
        let wrong =
            Booked { moved: vec![Moved { at: at("04T08:00"), grams: Grams(-5), from_store: false }], ..booked() };
        assert_eq!(
            refused(&wrong, &json!([{"lot": "OY-1", "counted_g": 0}])),
            (RefusalKind::Invalid, "/counted_at".into())
        );
    }

    #[test]
    fn no_more_is_missing_than_is_left_by_now() {
        let gone = Booked { grams_now: Grams(300), ..booked() };
        assert!(count(&gone, &json!([{"lot": "OY-1", "counted_g": 700}])).is_ok());
        assert_eq!(
            refused(&gone, &json!([{"lot": "OY-1", "counted_g": 699}])),
            (RefusalKind::NotEnough, "/lots/0/counted_g".into())
        );
    }

    #[test]
    fn a_count_is_of_a_store_and_of_each_lot_once() {
        let possible = |lots: &Value, kind| new(lots).ensure_possible(kind).map_err(|r| r.faults[0].pointer.clone());
        let one = json!([{"lot": "OY-1", "counted_g": 0}]);
        assert_eq!(possible(&one, PlaceKind::Fridge), Ok(()));
        assert_eq!(possible(&one, PlaceKind::Waste), Err("/place".into()));
        assert_eq!(possible(&json!([]), PlaceKind::Fridge), Err("/lots".into()));
        assert_eq!(
            possible(&json!([{"lot": "OY-1", "counted_g": -1}]), PlaceKind::Fridge),
            Err("/lots/0/counted_g".into())
        );
        let twice = json!([{"lot": "OY-1", "counted_g": 1}, {"lot": "OY-1", "counted_g": 1}]);
        assert_eq!(possible(&twice, PlaceKind::Fridge), Err("/lots/1/lot".into()));
    }
}
