//! Standing orders: what a customer takes again and again, and which orders are made of it.
//!
//! A rule gives days. A day on which the farm is closed is left out or moved, a day within a pause is left out, and of the days up to a
//! horizon each becomes an order of its own. Such an order follows the standing order until somebody changes it or sets lots aside for it:
//! from then on it is that person's, whatever the standing order says later.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::order::{NewOrderLine, PlannedLine};
use crate::{
    kinds::{ClosedDayRule, OrderStatus, Weekday},
    refusal::Refusal,
    text::{CustomerCode, Note, OrderCode, ProductCode, StandingOrderCode, Text},
    units::{calendar::Day, quantity::Grams, recurrence::Recurrence},
};

/// How many days ahead orders are made: two weeks, within which a grower can still harvest for them (common practice).
pub const HORIZON: Days = Days::new(14);
/// How far a delivery is moved from a closed day before it is left out.
const MAX_MOVE_DAYS: u64 = 7;
/// How far ahead a standing order may begin.
const MAX_LEAD: Days = Days::new(366);
/// The most weeks from one delivery to the next.
const MAX_WEEKS: u16 = 52;
/// The most pauses of a standing order.
pub const MAX_PAUSES: usize = 50;

/// A standing order to be written down.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStandingOrder {
    /// The customer.
    pub customer: CustomerCode,
    /// The first day that it holds, today or later; the weeks of `every_weeks` are counted from its week.
    pub from: Day,
    /// The last day that it holds; until further notice where none.
    pub until: Option<Day>,
    /// The weekdays on which they take it. Give these or a `rule`.
    #[serde(default)]
    pub weekdays: Vec<Weekday>,
    /// Every how many weeks: every one unless said.
    #[schema(minimum = 1, maximum = 52)]
    pub every_weeks: Option<u16>,
    /// A rule for anything else, such as the first Monday of a month: `FREQ=MONTHLY;BYDAY=1MO`.
    pub rule: Option<Recurrence>,
    /// What becomes of a day on which the farm is closed: skipped unless said.
    pub closed_day: Option<ClosedDayRule>,
    /// What is wanted each time.
    #[schema(min_items = 1, max_items = 100)]
    pub lines: Vec<NewOrderLine>,
    /// Anything worth knowing, said on each order.
    #[serde(default)]
    pub note: Note,
}

/// Changes of a standing order. Orders that were made of it and not touched follow.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StandingOrderChange {
    /// The last day that it holds.
    pub until: Option<Day>,
    /// The weekdays on which they take it.
    #[serde(default)]
    pub weekdays: Vec<Weekday>,
    /// Every how many weeks, counted from the week in which the standing order began.
    #[schema(minimum = 1, maximum = 52)]
    pub every_weeks: Option<u16>,
    /// A rule in place of weekdays.
    pub rule: Option<Recurrence>,
    /// What becomes of a day on which the farm is closed.
    pub closed_day: Option<ClosedDayRule>,
    /// Lines that take the place of the old ones.
    pub lines: Option<Vec<NewOrderLine>>,
    /// Anything worth knowing.
    pub note: Option<Note>,
}

/// Days on which nothing is delivered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Pause {
    /// The first day of the pause.
    pub from: Day,
    /// The last day of the pause.
    pub until: Day,
    /// Why.
    #[serde(default)]
    pub reason: Text<0, 200>,
}

/// A day on which the farm delivers nothing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosedDay {
    /// The day: today or later.
    pub day: Day,
    /// What it is called.
    pub name: Text<1, 100>,
}

/// A line of a standing order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StandingOrderLine {
    /// The product.
    pub product: ProductCode,
    /// Name of the product.
    pub name: String,
    /// Grams, of what is sold loose.
    pub grams_g: Option<Grams>,
    /// Packs, of what is sold in packs.
    pub packs: Option<i32>,
}

impl StandingOrderLine {
    /// As it is ordered each time.
    #[must_use]
    pub fn wanted(&self) -> NewOrderLine {
        NewOrderLine { product: self.product.clone(), grams_g: self.grams_g, packs: self.packs }
    }
}

/// A day to come, and the order that was made for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StandingDay {
    /// The day of the rule.
    pub day: NaiveDate,
    /// The day on which it is delivered.
    pub delivery_day: NaiveDate,
    /// The order, where one was made.
    pub order: Option<OrderCode>,
    /// Where the order stands.
    pub status: Option<OrderStatus>,
    /// Whether the order still follows the standing order, or was changed by itself.
    pub follows: bool,
}

/// A standing order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StandingOrder {
    /// Code.
    pub standing_order: StandingOrderCode,
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer.
    pub customer_name: String,
    /// The first day that it holds.
    pub from: NaiveDate,
    /// The last day that it holds; until further notice where none.
    pub until: Option<NaiveDate>,
    /// Its days.
    pub rule: Recurrence,
    /// What becomes of a day on which the farm is closed.
    pub closed_day: ClosedDayRule,
    /// What is wanted each time.
    pub lines: Vec<StandingOrderLine>,
    /// Anything worth knowing.
    pub note: String,
    /// Pauses that are not over, by their first day.
    pub pauses: Vec<Pause>,
    /// The days of the next two weeks, and orders made for them.
    pub next: Vec<StandingDay>,
    /// Why no order can be made of it as it stands.
    pub cannot: Option<String>,
    /// Goes up with every change.
    pub version: i32,
}

/// The rule that a body gives: by weekdays or as it is. None where it gives neither.
///
/// # Errors
/// Names the field where it gives both, or half of one.
pub fn rule_given(
    weekdays: &[Weekday],
    every_weeks: Option<u16>,
    rule: Option<&Recurrence>,
) -> Result<Option<Recurrence>, Refusal> {
    match (weekdays, every_weeks, rule) {
        ([], None, None) => Ok(None),
        ([], None, Some(rule)) => Ok(Some(rule.clone())),
        (_, Some(weeks), None) if !(1..=MAX_WEEKS).contains(&weeks) => {
            Err(Refusal::field("/every_weeks", "Give every 1 to 52 weeks."))
        }
        ([], Some(_), None) => Err(Refusal::field("/weekdays", "Choose the weekdays on which they take it.")),
        (days, weeks, None) => Ok(Some(Recurrence::weekly(&days.iter().copied().collect(), weeks.unwrap_or(1)))),
        (_, _, Some(_)) => {
            Err(Refusal::field("/rule", "Give weekdays or a rule, not both: the rule says which days and how often."))
        }
    }
}

/// Refuses to begin on a day that is past or more than a year ahead.
///
/// # Errors
/// Names the day.
pub fn ensure_first_day(from: NaiveDate, today: NaiveDate) -> Result<(), Refusal> {
    if (today..=today + MAX_LEAD).contains(&from) {
        return Ok(());
    }
    Err(Refusal::field("/from", format!("{from} is past or more than a year ahead. Check the date.")))
}

/// Refuses days that are the wrong way round, or none at all.
///
/// # Errors
/// Names the field.
pub fn ensure_days(rule: &Recurrence, from: NaiveDate, until: Option<NaiveDate>) -> Result<(), Refusal> {
    if until.is_some_and(|until| until < from) {
        return Err(Refusal::field("/until", "The last day is before the first. Check the dates."));
    }
    if !rule.ever_occurs(from) {
        return Err(Refusal::field(
            "/rule",
            "These days never come, not within two years of the first. Choose other days.",
        ));
    }
    match until {
        Some(until) if rule.days(from, from, until).is_empty() => {
            Err(Refusal::field("/until", "No day of it comes before the last day. Choose a later one, or other days."))
        }
        _ => Ok(()),
    }
}

/// Refuses a pause that is over or the wrong way round, and one too many.
///
/// # Errors
/// Names the field.
pub fn ensure_pause(pause: &Pause, others: usize, today: NaiveDate) -> Result<(), Refusal> {
    if pause.until.0 < pause.from.0 {
        return Err(Refusal::field("/until", "The last day is before the first. Check the dates."));
    }
    if pause.until.0 < today {
        return Err(Refusal::field("/until", format!("{} is past. Check the date.", pause.until.0)));
    }
    if others >= MAX_PAUSES {
        return Err(Refusal::field(
            "/from",
            format!("There are {MAX_PAUSES} pauses already. Take them back first, or end the standing order."),
        ));
    }
    Ok(())
}

/// What days a standing order has.
#[derive(Debug, Clone, Copy)]
pub struct Schedule<'a> {
    /// The rule.
    pub rule: &'a Recurrence,
    /// Its first day.
    pub from: NaiveDate,
    /// Its last day.
    pub until: Option<NaiveDate>,
    /// What becomes of a closed day.
    pub closed_day: ClosedDayRule,
    /// Its pauses.
    pub pauses: &'a [Pause],
    /// Days on which the farm is closed.
    pub closed: &'a BTreeSet<NaiveDate>,
}

impl Schedule<'_> {
    /// The days of the rule from today to the horizon, each with the day on which it is delivered, which is never past.
    #[must_use]
    pub fn deliveries(&self, today: NaiveDate) -> BTreeMap<NaiveDate, NaiveDate> {
        let horizon = today + HORIZON;
        let last = self.until.map_or(horizon, |until| until.min(horizon));
        let is_paused = |day: &NaiveDate| self.pauses.iter().any(|p| (p.from.0..=p.until.0).contains(day));
        let days = self.rule.days(self.from, today, last).into_iter().filter(|day| !is_paused(day));
        days.filter_map(|day| Some((day, self.delivered_on(day).filter(|moved| *moved >= today)?))).collect()
    }

    fn delivered_on(&self, day: NaiveDate) -> Option<NaiveDate> {
        let is_open = |day: &NaiveDate| !self.closed.contains(day);
        let mut moves = 0..=MAX_MOVE_DAYS;
        match self.closed_day {
            ClosedDayRule::Skip => Some(day).filter(is_open),
            ClosedDayRule::DayBefore => moves.map(|n| day - Days::new(n)).find(is_open),
            ClosedDayRule::DayAfter => moves.find_map(|n| Some(day + Days::new(n)).filter(is_open)),
        }
    }
}

/// An order that was made of a standing order.
#[derive(Debug, Clone, Deserialize)]
pub struct MadeOrder {
    /// Its code.
    pub order: OrderCode,
    /// The day of the rule that it was made for.
    pub day: NaiveDate,
    /// The day on which it is wanted.
    pub delivery_day: NaiveDate,
    /// Where it stands.
    pub status: OrderStatus,
    /// Whether nobody has changed it or set anything aside for it.
    pub follows: bool,
    /// Its note.
    pub note: String,
    /// Its lines.
    pub lines: Vec<PlannedLine>,
}

/// The days to come, with the orders of those for which one was made.
#[must_use]
pub fn days_to_come(deliveries: &BTreeMap<NaiveDate, NaiveDate>, made: &[MadeOrder]) -> Vec<StandingDay> {
    let unmade = |(&day, &delivery_day): (&NaiveDate, &NaiveDate)| {
        (day, StandingDay { day, delivery_day, order: None, status: None, follows: true })
    };
    let mut days: BTreeMap<NaiveDate, StandingDay> = deliveries.iter().map(unmade).collect();
    days.extend(made.iter().map(|m| {
        let MadeOrder { day, delivery_day, follows, .. } = *m;
        (day, StandingDay { day, delivery_day, order: Some(m.order.clone()), status: Some(m.status), follows })
    }));
    days.into_values().collect()
}

/// What is to be done so that the orders are those of the standing order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// An order is made for a day of the rule.
    Make {
        /// The day of the rule.
        day: NaiveDate,
        /// The day on which it is delivered.
        delivery_day: NaiveDate,
    },
    /// An order that follows takes day, note and lines of the standing order, and is confirmed where it was called off.
    Renew {
        /// The order.
        order: OrderCode,
        /// The day on which it is delivered.
        delivery_day: NaiveDate,
    },
    /// An order that follows is called off.
    Cancel {
        /// The order.
        order: OrderCode,
    },
}

/// What is to be done. `made` are the orders of the days from today on; without `lines`, because they cannot be ordered as they stand, no
/// order is made or renewed.
#[must_use]
pub fn reconcile(
    deliveries: &BTreeMap<NaiveDate, NaiveDate>,
    lines: Option<&[PlannedLine]>,
    note: &str,
    made: &[MadeOrder],
) -> Vec<Step> {
    let known: BTreeSet<NaiveDate> = made.iter().map(|m| m.day).collect();
    let makes = deliveries.iter().filter(|(day, _)| lines.is_some() && !known.contains(*day));
    let makes = makes.map(|(&day, &delivery_day)| Step::Make { day, delivery_day });
    let changes = made.iter().filter(|m| m.follows).filter_map(|m| match (deliveries.get(&m.day), lines) {
        (None, _) => (m.status != OrderStatus::Cancelled).then(|| Step::Cancel { order: m.order.clone() }),
        (Some(_), None) => None,
        (Some(&delivery_day), Some(lines)) => {
            let is_same = m.status == OrderStatus::Confirmed
                && m.delivery_day == delivery_day
                && m.note == note
                && m.lines == lines;
            (!is_same).then(|| Step::Renew { order: m.order.clone(), delivery_day })
        }
    });
    makes.chain(changes).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        format!("2026-12-{text}").parse().unwrap()
    }

    fn pause(from: &str, until: &str) -> Pause {
        Pause { from: Day(day(from)), until: Day(day(until)), reason: Text::default() }
    }

    /// Mondays and Thursdays: in December of 2026 the third, seventh, tenth, fourteenth, …
    fn rule() -> Recurrence {
        "FREQ=WEEKLY;BYDAY=MO,TH".parse().unwrap()
    }

    fn delivered(closed_day: ClosedDayRule, closed: &[&str], pauses: &[Pause], until: Option<&str>) -> Vec<(u32, u32)> {
        use chrono::Datelike;
        let closed = closed.iter().map(|d| day(d)).collect();
        let rule = rule();
        let until = until.map(day);
        let schedule = Schedule { rule: &rule, from: day("01"), until, closed_day, pauses, closed: &closed };
        schedule.deliveries(day("02")).into_iter().map(|(d, on)| (d.day(), on.day())).collect()
    }

    #[test]
    fn the_days_of_two_weeks_are_delivered() {
        assert_eq!(delivered(ClosedDayRule::Skip, &[], &[], None), [(3, 3), (7, 7), (10, 10), (14, 14)]);
        assert_eq!(delivered(ClosedDayRule::Skip, &[], &[], Some("09")), [(3, 3), (7, 7)]);
    }

    #[test]
    fn a_closed_day_is_left_out_or_moved_past_all_that_are_closed() {
        let closed = ["06", "07", "08"];
        assert_eq!(delivered(ClosedDayRule::Skip, &closed, &[], None), [(3, 3), (10, 10), (14, 14)]);
        assert_eq!(delivered(ClosedDayRule::DayBefore, &closed, &[], None), [(3, 3), (7, 5), (10, 10), (14, 14)]);
        assert_eq!(delivered(ClosedDayRule::DayAfter, &closed, &[], None), [(3, 3), (7, 9), (10, 10), (14, 14)]);
    }

    #[test]
    fn a_delivery_is_not_moved_into_the_past_nor_for_more_than_a_week() {
        assert_eq!(
            delivered(ClosedDayRule::DayBefore, &["02", "03"], &[], None),
            [(7, 7), (10, 10), (14, 14)],
            "the third would go out on the first, which is past"
        );
        let closed: Vec<String> = (7..=16).map(|d| format!("{d:02}")).collect();
        let closed: Vec<&str> = closed.iter().map(String::as_str).collect();
        assert_eq!(delivered(ClosedDayRule::DayAfter, &closed, &[], None), [(3, 3), (10, 17), (14, 17)]);
    }

    #[test]
    fn a_pause_holds_from_its_first_day_to_its_last() {
        let pauses = [pause("07", "10")];
        assert_eq!(delivered(ClosedDayRule::Skip, &[], &pauses, None), [(3, 3), (14, 14)]);
    }

    fn line(kg: i64) -> PlannedLine {
        PlannedLine { product: "OY".parse().unwrap(), name: "Oyster".into(), grams_g: Grams(kg * 1000), packs: None }
    }

    fn made(order: &str, on: &str) -> MadeOrder {
        MadeOrder {
            order: order.parse().unwrap(),
            day: day(on),
            delivery_day: day(on),
            status: OrderStatus::Confirmed,
            follows: true,
            note: String::new(),
            lines: vec![line(3)],
        }
    }

    fn wanted(days: &[&str]) -> BTreeMap<NaiveDate, NaiveDate> {
        days.iter().map(|d| (day(d), day(d))).collect()
    }

    #[test]
    fn each_day_has_one_order_however_often_it_is_asked() {
        let days = wanted(&["03", "07"]);
        let lines = [line(3)];
        let steps = reconcile(&days, Some(&lines), "", &[made("O-1", "03")]);
        assert_eq!(steps, [Step::Make { day: day("07"), delivery_day: day("07") }]);
        assert_eq!(reconcile(&days, Some(&lines), "", &[made("O-1", "03"), made("O-2", "07")]), []);
    }

    #[test]
    fn an_order_that_follows_is_renewed_and_one_that_was_touched_is_left() {
        let touched = MadeOrder { follows: false, ..made("O-1", "03") };
        let steps = reconcile(&wanted(&["03", "07"]), Some(&[line(4)]), "", &[touched, made("O-2", "07")]);
        assert_eq!(steps, [Step::Renew { order: "O-2".parse().unwrap(), delivery_day: day("07") }]);
    }

    #[test]
    fn a_day_that_is_no_longer_there_is_called_off_once_and_comes_back() {
        let order: OrderCode = "O-1".parse().unwrap();
        let lines = [line(3)];
        assert_eq!(
            reconcile(&wanted(&[]), Some(&lines), "", &[made("O-1", "03")]),
            [Step::Cancel { order: order.clone() }]
        );
        let cancelled = MadeOrder { status: OrderStatus::Cancelled, ..made("O-1", "03") };
        assert_eq!(reconcile(&wanted(&[]), Some(&lines), "", std::slice::from_ref(&cancelled)), []);
        assert_eq!(
            reconcile(&wanted(&["03"]), Some(&lines), "", &[cancelled]),
            [Step::Renew { order, delivery_day: day("03") }]
        );
    }

    #[test]
    fn what_cannot_be_ordered_makes_nothing_but_is_still_called_off() {
        let steps = reconcile(&wanted(&["03"]), None, "", &[made("O-1", "03"), made("O-2", "07")]);
        assert_eq!(steps, [Step::Cancel { order: "O-2".parse().unwrap() }]);
    }

    #[test]
    fn weekdays_or_a_rule_are_given_and_not_both() {
        let days = [Weekday::Friday, Weekday::Tuesday];
        let given = |days: &[Weekday], weeks, rule: Option<Recurrence>| rule_given(days, weeks, rule.as_ref());
        assert_eq!(given(&days, Some(2), None).unwrap().unwrap().as_str(), "FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,FR");
        assert_eq!(given(&[], None, Some(rule())).unwrap(), Some(rule()));
        assert_eq!(given(&[], None, None).unwrap(), None);
        let blamed = |given: Result<Option<Recurrence>, Refusal>| given.unwrap_err().faults[0].pointer.clone();
        assert_eq!(blamed(given(&days, None, Some(rule()))), "/rule");
        assert_eq!(blamed(given(&[], Some(2), None)), "/weekdays");
        assert_eq!(blamed(given(&days, Some(0), None)), "/every_weeks");
        assert_eq!(blamed(given(&days, Some(53), None)), "/every_weeks");
    }

    #[test]
    fn days_that_cannot_be_are_refused() {
        let blamed = |rule: &str, until: Option<&str>| {
            let days = ensure_days(&rule.parse().unwrap(), day("02"), until.map(day));
            days.err().map(|r| r.faults[0].pointer.clone())
        };
        let weekly = "FREQ=WEEKLY;BYDAY=MO";
        assert_eq!(blamed(weekly, None), None);
        assert_eq!(blamed(weekly, Some("07")), None);
        assert_eq!(blamed(weekly, Some("01")).as_deref(), Some("/until"));
        assert_eq!(blamed(weekly, Some("06")).as_deref(), Some("/until"));
        assert_eq!(blamed("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", None).as_deref(), Some("/rule"));
        assert!(ensure_first_day(day("02"), day("02")).is_ok());
        for wrong in [day("01"), day("02") + Days::new(367)] {
            assert_eq!(ensure_first_day(wrong, day("02")).unwrap_err().faults[0].pointer, "/from");
        }
    }

    #[test]
    fn a_pause_is_of_days_to_come() {
        let blamed = |p: &Pause, others| ensure_pause(p, others, day("05")).err().map(|r| r.faults[0].pointer.clone());
        assert_eq!(blamed(&pause("01", "05"), 0), None);
        assert_eq!(blamed(&pause("01", "04"), 0).as_deref(), Some("/until"));
        assert_eq!(blamed(&pause("07", "06"), 0).as_deref(), Some("/until"));
        assert_eq!(blamed(&pause("07", "08"), MAX_PAUSES).as_deref(), Some("/from"));
    }
}
