//! Which days a standing order is delivered on, and what is to be done so that there is an order for each.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use serde::Deserialize;

use super::{
    customer::Customer,
    order::PlannedLine,
    standing_order::{Pause, StandingDay},
};
use crate::{
    kinds::{ClosedDayPolicy, OrderStatus},
    text::OrderCode,
    units::recurrence::Recurrence,
};

/// How many days ahead orders are made: two weeks, within which a grower can still harvest for them (common practice).
pub const HORIZON: Days = Days::new(14);
/// How many days a delivery is moved from a closed day at the most; it is left out where all of them are closed.
pub const MAX_MOVE: Days = Days::new(MAX_MOVE_DAYS);
const MAX_MOVE_DAYS: u64 = 7;
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
    pub on_closed_day: ClosedDayPolicy,
    /// Its pauses.
    pub pauses: &'a [Pause],
    /// Days on which the farm is closed.
    pub closed: &'a BTreeSet<NaiveDate>,
}

impl Schedule<'_> {
    /// The days of the rule up to the horizon that are delivered today or later, each with the day on which it is. A day of the rule may be
    /// past by as much as a delivery is moved.
    #[must_use]
    pub fn deliveries(&self, today: NaiveDate) -> BTreeMap<NaiveDate, NaiveDate> {
        let horizon = today + HORIZON;
        let last = self.until.map_or(horizon, |until| until.min(horizon));
        let days = self.rule.days(self.from, today - MAX_MOVE, last).into_iter().filter(|day| !self.is_paused(*day));
        days.filter_map(|day| Some((day, self.delivered_on(day).filter(|moved| *moved >= today)?))).collect()
    }

    /// The day on which a day of the rule is delivered: not after the last day, and not in a pause.
    fn delivered_on(&self, day: NaiveDate) -> Option<NaiveDate> {
        let is_ours = |day: &NaiveDate| self.until.is_none_or(|until| *day <= until);
        self.moved(day).filter(is_ours).filter(|day| !self.is_paused(*day))
    }

    fn is_paused(&self, day: NaiveDate) -> bool {
        self.pauses.iter().any(|p| (p.from.0..=p.until.0).contains(&day))
    }

    fn moved(&self, day: NaiveDate) -> Option<NaiveDate> {
        let is_open = |day: &NaiveDate| !self.closed.contains(day);
        let mut moves = 0..=MAX_MOVE_DAYS;
        match self.on_closed_day {
            ClosedDayPolicy::Skip => Some(day).filter(is_open),
            ClosedDayPolicy::DayBefore => moves.map(|n| day - Days::new(n)).find(is_open),
            ClosedDayPolicy::DayAfter => moves.find_map(|n| Some(day + Days::new(n)).filter(is_open)),
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
    /// Whether nobody has changed it or set lots aside for it, it has not gone out, and its day is not past.
    pub follows: bool,
    /// Its note.
    pub note: String,
    /// Its lines.
    pub lines: Vec<PlannedLine>,
}

/// The days to come, by the day on which they are delivered, with the orders of those for which one was made, called off ones too.
#[must_use]
pub fn days_to_come(
    deliveries: &BTreeMap<NaiveDate, NaiveDate>,
    made: &[MadeOrder],
    today: NaiveDate,
    customer: &Customer,
) -> Vec<StandingDay> {
    let unmade = |(&day, &delivery_day): (&NaiveDate, &NaiveDate)| {
        (
            day,
            StandingDay {
                day,
                delivery_day,
                order: None,
                status: None,
                follows: true,
                not_their_day: !customer.takes_deliveries_on(delivery_day),
            },
        )
    };
    let mut days: BTreeMap<NaiveDate, StandingDay> = deliveries.iter().map(unmade).collect();
    days.extend(made.iter().filter(|m| m.delivery_day >= today).map(|m| {
        let MadeOrder { day, delivery_day, follows, .. } = *m;
        (
            day,
            StandingDay {
                day,
                delivery_day,
                order: Some(m.order.clone()),
                status: Some(m.status),
                follows,
                not_their_day: !customer.takes_deliveries_on(delivery_day),
            },
        )
    }));
    let mut days: Vec<StandingDay> = days.into_values().collect();
    days.sort_by_key(|next| (next.delivery_day, next.day));
    days
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
    /// An order that follows is called off; it takes the note of the standing order, and keeps its day and lines.
    Cancel {
        /// The order.
        order: OrderCode,
    },
}

/// What is to be done. `made` are the orders of the days from today on; without `lines`, because they cannot be ordered as they stand, no
/// order is made or renewed.
#[must_use]
pub fn plan_orders(
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
    use crate::{
        text::Text,
        units::{calendar::Day, quantity::Grams},
    };

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

    fn delivered(
        closed_day: ClosedDayPolicy,
        closed: &[&str],
        pauses: &[Pause],
        until: Option<&str>,
    ) -> Vec<(u32, u32)> {
        use chrono::Datelike;
        let closed = closed.iter().map(|d| day(d)).collect();
        let rule = rule();
        let until = until.map(day);
        let schedule =
            Schedule { rule: &rule, from: day("01"), until, on_closed_day: closed_day, pauses, closed: &closed };
        schedule.deliveries(day("02")).into_iter().map(|(d, on)| (d.day(), on.day())).collect()
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
    fn the_days_of_two_weeks_are_delivered() {
        assert_eq!(delivered(ClosedDayPolicy::Skip, &[], &[], None), [(3, 3), (7, 7), (10, 10), (14, 14)]);
        assert_eq!(delivered(ClosedDayPolicy::Skip, &[], &[], Some("09")), [(3, 3), (7, 7)]);
    }

    #[test]
    fn a_closed_day_is_left_out_or_moved_past_all_that_are_closed() {
        let closed = ["06", "07", "08"];
        assert_eq!(delivered(ClosedDayPolicy::Skip, &closed, &[], None), [(3, 3), (10, 10), (14, 14)]);
        assert_eq!(delivered(ClosedDayPolicy::DayBefore, &closed, &[], None), [(3, 3), (7, 5), (10, 10), (14, 14)]);
        assert_eq!(delivered(ClosedDayPolicy::DayAfter, &closed, &[], None), [(3, 3), (7, 9), (10, 10), (14, 14)]);
    }

    #[test]
    fn a_delivery_is_not_moved_into_the_past_nor_for_more_than_a_week() {
        assert_eq!(
            delivered(ClosedDayPolicy::DayBefore, &["02", "03"], &[], None),
            [(7, 7), (10, 10), (14, 14)],
            "the third would go out on the first, which is past"
        );
        let closed: Vec<String> = (7..=16).map(|d| format!("{d:02}")).collect();
        let closed: Vec<&str> = closed.iter().map(String::as_str).collect();
        assert_eq!(delivered(ClosedDayPolicy::DayAfter, &closed, &[], None), [(3, 3), (10, 17), (14, 17)]);
    }

    #[test]
    fn a_day_that_was_moved_past_today_is_still_there() {
        let closed = BTreeSet::from([day("03"), day("04")]);
        let rule = rule();
        let schedule = Schedule {
            rule: &rule,
            from: day("01"),
            until: None,
            on_closed_day: ClosedDayPolicy::DayAfter,
            pauses: &[],
            closed: &closed,
        };
        assert_eq!(schedule.deliveries(day("04")).get(&day("03")), Some(&day("05")));
        assert_eq!(schedule.deliveries(day("06")).get(&day("03")), None);
    }

    #[test]
    fn a_delivery_is_not_moved_into_a_pause_nor_past_the_last_day() {
        let after = |pauses: &[Pause], until| delivered(ClosedDayPolicy::DayAfter, &["07"], pauses, until);
        assert_eq!(after(&[pause("08", "09")], None), [(3, 3), (10, 10), (14, 14)]);
        assert_eq!(after(&[], Some("07")), [(3, 3)]);
    }

    #[test]
    fn a_pause_holds_from_its_first_day_to_its_last() {
        let pauses = [pause("07", "10")];
        assert_eq!(delivered(ClosedDayPolicy::Skip, &[], &pauses, None), [(3, 3), (14, 14)]);
    }

    #[test]
    fn each_day_has_one_order_however_often_it_is_asked() {
        let days = wanted(&["03", "07"]);
        let lines = [line(3)];
        let steps = plan_orders(&days, Some(&lines), "", &[made("O-1", "03")]);
        assert_eq!(steps, [Step::Make { day: day("07"), delivery_day: day("07") }]);
        assert_eq!(plan_orders(&days, Some(&lines), "", &[made("O-1", "03"), made("O-2", "07")]), []);
    }

    #[test]
    fn an_order_that_follows_is_renewed_and_one_that_was_touched_is_left() {
        let touched = MadeOrder { follows: false, ..made("O-1", "03") };
        let steps = plan_orders(&wanted(&["03", "07"]), Some(&[line(4)]), "", &[touched, made("O-2", "07")]);
        assert_eq!(steps, [Step::Renew { order: "O-2".parse().unwrap(), delivery_day: day("07") }]);
    }

    #[test]
    fn a_day_that_is_no_longer_there_is_called_off_once_and_comes_back() {
        let order: OrderCode = "O-1".parse().unwrap();
        let lines = [line(3)];
        assert_eq!(
            plan_orders(&wanted(&[]), Some(&lines), "", &[made("O-1", "03")]),
            [Step::Cancel { order: order.clone() }]
        );
        let cancelled = MadeOrder { status: OrderStatus::Cancelled, ..made("O-1", "03") };
        assert_eq!(plan_orders(&wanted(&[]), Some(&lines), "", std::slice::from_ref(&cancelled)), []);
        assert_eq!(
            plan_orders(&wanted(&["03"]), Some(&lines), "", &[cancelled]),
            [Step::Renew { order, delivery_day: day("03") }]
        );
    }

    #[test]
    fn what_cannot_be_ordered_makes_nothing_but_is_still_called_off() {
        let steps = plan_orders(&wanted(&["03"]), None, "", &[made("O-1", "03"), made("O-2", "07")]);
        assert_eq!(steps, [Step::Cancel { order: "O-2".parse().unwrap() }]);
    }
}
