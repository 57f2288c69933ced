//! Standing orders: what a customer takes again and again, and which orders are made of it.
//!
//! A rule gives days. A day on which the farm is closed is left out or moved, a day within a pause is left out, and of the days up to a
//! horizon each becomes an order of its own. Such an order follows the standing order until somebody changes it or sets lots aside for it: from then on it is that
//! person's, whatever the standing order says later.

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::order::NewOrderLine;
use crate::{
    kinds::{ClosedDayPolicy, OrderStatus, Weekday},
    refusal::Refusal,
    text::{CustomerCode, Note, OrderCode, ProductCode, StandingOrderCode, Text},
    units::{calendar::Day, quantity::Grams, recurrence::Recurrence},
};

/// How far ahead a standing order may begin.
const MAX_LEAD: Days = Days::new(366);
/// How far ahead a closed day is written down.
const MAX_CLOSED_LEAD: Days = Days::new(3 * 366);
/// A rule that has no day for so long is taken for a mistake.
const FIRST_DAY_WITHIN: Days = Days::new(731);
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
    /// The first day that it holds, today or later; the weeks of `every_weeks` are counted from the first of the weekdays that comes.
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
    pub on_closed_day: Option<ClosedDayPolicy>,
    /// What is wanted each time.
    #[schema(min_items = 1, max_items = 100)]
    pub lines: Vec<NewOrderLine>,
    /// Anything worth knowing, said on each order.
    #[serde(default)]
    pub note: Note,
}

/// Changes of a standing order. Orders that were made of it and not touched follow.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StandingOrderChange {
    /// The last day that it holds: what comes after it is called off. Yesterday ends it at once.
    pub until: Option<Day>,
    /// Takes the last day back.
    #[serde(default)]
    pub until_further_notice: bool,
    /// The weekdays on which they take it, with `every_weeks` or for every week.
    #[serde(default)]
    pub weekdays: Vec<Weekday>,
    /// Every how many weeks, counted from the week in which the standing order began. Takes `weekdays`.
    #[schema(minimum = 1, maximum = 52)]
    pub every_weeks: Option<u16>,
    /// A rule in place of weekdays.
    pub rule: Option<Recurrence>,
    /// What becomes of a day on which the farm is closed.
    pub on_closed_day: Option<ClosedDayPolicy>,
    /// Lines that take the place of the old ones.
    #[schema(min_items = 1, max_items = 100)]
    pub lines: Option<Vec<NewOrderLine>>,
    /// Anything worth knowing.
    pub note: Option<Note>,
}

/// Days on which a standing order pauses.
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
    /// Whether the customer takes no deliveries on that day of the week.
    pub not_their_day: bool,
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
    /// The rule that gives its days, counted from `from`.
    pub rule: Recurrence,
    /// What becomes of a day on which the farm is closed.
    pub on_closed_day: ClosedDayPolicy,
    /// What is wanted each time.
    pub lines: Vec<StandingOrderLine>,
    /// Anything worth knowing.
    pub note: String,
    /// Pauses that are not over, by their first day.
    pub pauses: Vec<Pause>,
    /// The days of the next two weeks and the orders made for them, called off ones too.
    pub next: Vec<StandingDay>,
    /// Why no order can be made of it as it stands.
    pub blocked_by: Option<String>,
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

/// The day from which the days of a rule are counted: of weekdays the first that comes, so that every second week begins with it and not with a
/// week that is nearly over.
#[must_use]
pub fn first_delivery(rule: &Recurrence, from: NaiveDate) -> NaiveDate {
    let weekly = rule.as_weekly().map(|(days, _)| Recurrence::weekly(&days, 1));
    weekly.and_then(|weekly| weekly.days(from, from, from + Days::new(6)).first().copied()).unwrap_or(from)
}

/// The last day that a change gives.
///
/// # Errors
/// Refuses a day before yesterday, and a last day beside none.
pub fn last_day_given(change: &StandingOrderChange, today: NaiveDate) -> Result<Option<NaiveDate>, Refusal> {
    match change.until {
        Some(_) if change.until_further_notice => {
            Err(Refusal::field("/until", "Give a last day, or say that there is none, not both."))
        }
        Some(Day(until)) if until < today - Days::new(1) => {
            Err(Refusal::field("/until", format!("{until} is past. Give yesterday to end it at once, or a later day.")))
        }
        until => Ok(until.map(|day| day.0)),
    }
}

/// Refuses to begin on a day that is past or more than a year ahead.
///
/// # Errors
/// Names the day.
pub fn ensure_first_day(from: NaiveDate, today: NaiveDate) -> Result<(), Refusal> {
    ensure_ahead("/from", from, today, MAX_LEAD, "a year")
}

/// Refuses a closed day that is past or more than three years ahead, which is a slip of the finger.
///
/// # Errors
/// Names the day.
pub fn ensure_closed_day(day: NaiveDate, today: NaiveDate) -> Result<(), Refusal> {
    ensure_ahead("/day", day, today, MAX_CLOSED_LEAD, "three years")
}

fn ensure_ahead(field: &str, day: NaiveDate, today: NaiveDate, lead: Days, lead_words: &str) -> Result<(), Refusal> {
    if day < today {
        return Err(Refusal::field(field, format!("{day} is past. Check the date.")));
    }
    if day > today + lead {
        return Err(Refusal::field(field, format!("{day} is more than {lead_words} ahead. Check the date.")));
    }
    Ok(())
}

/// Refuses a rule that has no day from `earliest` to the last day, within two years.
///
/// # Errors
/// Names the field.
pub fn ensure_days(
    rule: &Recurrence,
    from: NaiveDate,
    until: Option<NaiveDate>,
    earliest: NaiveDate,
) -> Result<(), Refusal> {
    if until.is_some_and(|until| until < earliest) {
        return Err(Refusal::field("/until", "The last day is before the first. Check the dates."));
    }
    if !rule.occurs(from, earliest, earliest + FIRST_DAY_WITHIN) {
        let never = "These days never come, not within two years. Choose other days.";
        return Err(Refusal::field("/rule", never));
    }
    match until {
        Some(until) if !rule.occurs(from, earliest, until) => {
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

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

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

    #[test]
    fn every_second_week_begins_with_the_first_day_that_comes() {
        let second = Recurrence::weekly(&BTreeSet::from([Weekday::Wednesday]), 2);
        // A Saturday, the week of which is nearly over.
        let from = first_delivery(&second, "2026-11-28".parse().unwrap());
        assert_eq!(second.days(from, from, day("20")), [day("02"), day("16")]);
        let monthly: Recurrence = "FREQ=MONTHLY;BYDAY=1MO".parse().unwrap();
        assert_eq!(first_delivery(&monthly, day("03")), day("03"));
    }

    #[test]
    fn a_last_day_is_yesterday_or_later() {
        let given = |until: &str| {
            let change = StandingOrderChange { until: Some(Day(day(until))), ..StandingOrderChange::default() };
            last_day_given(&change, day("05"))
        };
        assert_eq!(given("04").unwrap(), Some(day("04")));
        assert!(given("03").unwrap_err().detail.contains("is past"));
        let both = StandingOrderChange {
            until: Some(Day(day("09"))),
            until_further_notice: true,
            ..StandingOrderChange::default()
        };
        assert_eq!(last_day_given(&both, day("05")).unwrap_err().faults[0].pointer, "/until");
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
            let days = ensure_days(&rule.parse().unwrap(), day("02"), until.map(day), day("02"));
            days.err().map(|r| r.faults[0].pointer.clone())
        };
        let weekly = "FREQ=WEEKLY;BYDAY=MO";
        assert_eq!(blamed(weekly, None), None);
        assert_eq!(blamed(weekly, Some("07")), None);
        assert_eq!(blamed(weekly, Some("01")).as_deref(), Some("/until"));
        assert_eq!(blamed(weekly, Some("06")).as_deref(), Some("/until"));
        assert_eq!(blamed("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", None).as_deref(), Some("/rule"));
        assert!(ensure_first_day(day("02"), day("02")).is_ok());
        let threes = "FREQ=WEEKLY;COUNT=3".parse().unwrap();
        assert_eq!(
            ensure_days(&threes, day("01"), None, day("23")).unwrap_err().faults[0].pointer,
            "/rule",
            "all were"
        );
        for (wrong, said) in [(day("01"), "is past"), (day("02") + Days::new(367), "more than a year")] {
            let refusal = ensure_first_day(wrong, day("02")).unwrap_err();
            assert!(refusal.faults[0].pointer == "/from" && refusal.detail.contains(said), "{refusal:?}");
        }
        assert!(ensure_closed_day(day("02") + MAX_CLOSED_LEAD, day("02")).is_ok());
        assert!(ensure_closed_day(day("03") + MAX_CLOSED_LEAD, day("02")).is_err());
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
