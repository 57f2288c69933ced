//! Days that come again by a rule: the recurrence rule of RFC 5545 §3.3.10, over whole days.
//!
//! A rule is read and followed by the `rrule` crate. Days have no zone and no hour here, so no change of the clocks moves one.

use std::{collections::BTreeSet, fmt, str::FromStr};

use chrono::{DateTime, NaiveDate, NaiveTime};
use rrule::{Frequency, NWeekday, RRule, Tz, Unvalidated};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use utoipa::openapi::{ObjectBuilder, RefOr, Schema, schema::Type};

use crate::kinds::Weekday;

/// The most letters of a rule.
pub const MAX_LETTERS: usize = 200;
/// The most days that one question is answered with: ten years of every day.
const MAX_DAYS: u16 = 3660;
/// A recurrence rule, such as `FREQ=WEEKLY;BYDAY=TU,FR`.
#[derive(Debug, Clone, PartialEq)]
pub struct Recurrence {
    /// As it was written.
    text: String,
    rule: RRule<Unvalidated>,
}

impl Eq for Recurrence {}

impl Recurrence {
    /// The rule of some weekdays of every `every` weeks, both at least one.
    #[must_use]
    pub fn weekly(weekdays: &BTreeSet<Weekday>, every: u16) -> Self {
        let days: Vec<&str> = weekdays.iter().map(|day| day.ical()).collect();
        let interval = if every == 1 { String::new() } else { format!("INTERVAL={every};") };
        let by_weekday = weekdays.iter().map(|day| NWeekday::Every((*day).into())).collect();
        Self {
            text: format!("FREQ=WEEKLY;{interval}BYDAY={}", days.join(",")),
            rule: RRule::new(Frequency::Weekly).interval(every).by_weekday(by_weekday),
        }
    }

    /// As it is written down.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// The weekdays and every how many weeks, where the rule says no more than that.
    #[must_use]
    pub fn as_weekly(&self) -> Option<(BTreeSet<Weekday>, u16)> {
        let every_one = |day: &NWeekday| match day {
            NWeekday::Every(day) => Some(Weekday::from(*day)),
            NWeekday::Nth(..) => None,
        };
        let weekdays = self.rule.get_by_weekday().iter().map(every_one).collect::<Option<BTreeSet<_>>>()?;
        let every = self.rule.get_interval();
        // In the order of the week, which the rule need not have.
        let plain = Self::weekly(&weekdays, every).rule;
        let ours = self.rule.clone().by_weekday(plain.get_by_weekday().to_vec());
        (!weekdays.is_empty() && ours == plain).then_some((weekdays, every))
    }

    /// Its days from `first` to `last`, both included, counted from the day on which it begins: at most ten years of every day.
    #[must_use]
    pub fn days(&self, begins: NaiveDate, first: NaiveDate, last: NaiveDate) -> Vec<NaiveDate> {
        self.first_days(begins, first, last, MAX_DAYS)
    }

    /// Whether it has a day from `first` to `last`, both included.
    #[must_use]
    pub fn occurs(&self, begins: NaiveDate, first: NaiveDate, last: NaiveDate) -> bool {
        !self.first_days(begins, first, last, 1).is_empty()
    }

    fn first_days(&self, begins: NaiveDate, first: NaiveDate, last: NaiveDate, most: u16) -> Vec<NaiveDate> {
        let first = first.max(begins);
        // Only UNTIL is held against the day on which a rule begins, and a rule here has none.
        let Ok(set) = self.rule.clone().build(midnight(begins)) else { return Vec::new() };
        if first > last {
            return Vec::new();
        }
        let found = set.after(midnight(first)).before(midnight(last)).all(most);
        found.dates.into_iter().map(|at| at.date_naive()).collect()
    }
}

fn midnight(day: NaiveDate) -> DateTime<Tz> {
    day.and_time(NaiveTime::MIN).and_utc().with_timezone(&Tz::UTC)
}

impl FromStr for Recurrence {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let example = "Write it as RFC 5545 does, such as FREQ=WEEKLY;BYDAY=TU,FR.";
        let text = text.trim().to_ascii_uppercase();
        if text.len() > MAX_LETTERS {
            return Err(format!("A rule has at most {MAX_LETTERS} letters. {example}"));
        }
        // The crate takes whole properties, and what follows on the next line for another part.
        if !text.bytes().all(|b| b.is_ascii_alphanumeric() || b"=;,+-".contains(&b)) {
            return Err(format!("A rule is one line of names, figures, commas and semicolons. {example}"));
        }
        let rule: RRule<Unvalidated> =
            text.parse().map_err(|_| format!("This is no rule for days that come again. {example}"))?;
        if !matches!(rule.get_freq(), Frequency::Daily | Frequency::Weekly | Frequency::Monthly | Frequency::Yearly) {
            return Err(format!("A rule is of days: DAILY, WEEKLY, MONTHLY or YEARLY. {example}"));
        }
        if [rule.get_by_hour(), rule.get_by_minute(), rule.get_by_second()].iter().any(|part| !part.is_empty()) {
            return Err(format!("A rule is of days, without hours, minutes or seconds. {example}"));
        }
        if rule.get_interval() == 0 {
            return Err("INTERVAL counts from 1, which is every one.".to_owned());
        }
        if rule.get_until().is_some() {
            return Err("Give the last day beside the rule and not in it: leave UNTIL out.".to_owned());
        }
        // What the crate lets through and the standard does not (RFC 5545 §3.3.10).
        let has_zero = rule.get_by_month_day().contains(&0)
            || rule.get_by_year_day().contains(&0)
            || rule.get_by_week_no().contains(&0)
            || rule.get_by_set_pos().contains(&0)
            || text.split([',', '=']).any(|part| part.trim_start_matches(['+', '-']).starts_with('0'));
        if has_zero || rule.get_count() == Some(0) {
            return Err("Days, weeks, places and COUNT are counted from 1, or from -1 backwards.".to_owned());
        }
        let is_numbered = |day: &NWeekday| matches!(day, NWeekday::Nth(..));
        let takes_numbers = matches!(rule.get_freq(), Frequency::Monthly)
            || matches!(rule.get_freq(), Frequency::Yearly) && rule.get_by_week_no().is_empty();
        if rule.get_by_weekday().iter().any(is_numbered) && !takes_numbers {
            return Err("A weekday takes a number, such as 1MO, only by the month or the year.".to_owned());
        }
        let has_days = !rule.get_by_weekday().is_empty() || !rule.get_by_month_day().is_empty();
        let has_parts = has_days
            || [!rule.get_by_month().is_empty(), !rule.get_by_year_day().is_empty(), !rule.get_by_week_no().is_empty()]
                .contains(&true);
        if !rule.get_by_set_pos().is_empty() && !has_parts {
            return Err("BYSETPOS chooses among days: give them, such as BYDAY=MO,TU.".to_owned());
        }
        let checked = rule.clone().validate(midnight(NaiveDate::default()));
        checked.map_err(|_| format!("A part of this rule is out of its range or does not go with FREQ. {example}"))?;
        Ok(Self { text, rule })
    }
}

impl fmt::Display for Recurrence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Serialize for Recurrence {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.text)
    }
}

impl<'de> Deserialize<'de> for Recurrence {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        String::deserialize(d)?.parse().map_err(de::Error::custom)
    }
}

impl utoipa::PartialSchema for Recurrence {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .max_length(Some(MAX_LETTERS))
            .examples(["FREQ=WEEKLY;BYDAY=TU,FR"])
            .description(Some(
                "A recurrence rule (RFC 5545 §3.3.10) of days, without UNTIL, hours, minutes and seconds.",
            ))
            .into()
    }
}

impl utoipa::ToSchema for Recurrence {
    fn name() -> std::borrow::Cow<'static, str> {
        "Recurrence".into()
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn days(rule: &str, begins: &str) -> Vec<String> {
        let rule: Recurrence = rule.parse().unwrap();
        let begins = day(begins);
        let found = rule.days(begins, begins, begins + TimeDelta::days(700));
        found.into_iter().map(|d| format!("{}/{}", d.format("%-m"), d.format("%-d"))).collect()
    }

    /// RFC 5545 §3.8.5.3, the examples whose days do not hang on a clock.
    #[test]
    fn the_examples_of_the_standard_come_out() {
        let ten = "9/2 9/4 9/9 9/11 9/16 9/18 9/23 9/25 9/30 10/2";
        let cases = [
            ("FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", "1997-09-02", ten),
            (
                "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
                "1997-09-02",
                "9/2 9/4 9/16 9/18 9/30 10/2 10/14 10/16",
            ),
            ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08-05", "8/5 8/10 8/19 8/24"),
            ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-08-05", "8/5 8/17 8/19 8/31"),
            ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=WE,FR", "2019-01-02", "1/2 1/4 1/16 1/18"),
            ("FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01-15", "1/15 1/30 2/15 3/15 3/30"),
        ];
        for (rule, begins, expected) in cases {
            assert_eq!(days(rule, begins).join(" "), expected, "{rule}");
        }
    }

    #[test]
    fn a_rule_that_is_none_is_refused_with_an_example() {
        for wrong in [
            "",
            "TUESDAYS",
            "FREQ=HOURLY",
            "FREQ=WEEKLY;BYDAY=XX",
            "FREQ=WEEKLY;BYHOUR=9",
            "FREQ=WEEKLY;BYMONTH=13",
            "FREQ=WEEKLY;INTERVAL=0",
            "FREQ=WEEKLY;BYDAY=1MO",
            "FREQ=DAILY;BYDAY=-1FR",
            "FREQ=YEARLY;BYWEEKNO=3;BYDAY=1MO",
            "FREQ=WEEKLY;BYSETPOS=1",
            "FREQ=DAILY;BYMONTHDAY=0",
            "FREQ=MONTHLY;BYDAY=0MO",
            "FREQ=DAILY;COUNT=0",
            "FREQ=WEEKLY;UNTIL=20261224T000000Z",
            "FREQ=WEEKLY\nRRULE:FREQ=DAILY",
        ] {
            let refused = wrong.parse::<Recurrence>();
            assert!(refused.is_err(), "{wrong}: {refused:?}");
        }
        assert!(format!("FREQ=WEEKLY;BYMONTHDAY={}", "1,".repeat(200)).parse::<Recurrence>().is_err());
    }

    #[test]
    fn a_rule_without_a_day_is_known() {
        let never: Recurrence = "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30".parse().unwrap();
        assert!(!never.occurs(day("2026-11-28"), day("2026-11-28"), day("2030-01-01")));
        let weekly: Recurrence = "FREQ=WEEKLY;BYDAY=MO".parse().unwrap();
        assert!(weekly.occurs(day("2026-11-28"), day("2026-11-28"), day("2026-11-30")));
        assert!(!weekly.occurs(day("2026-11-28"), day("2026-11-28"), day("2026-11-29")));
    }

    #[test]
    fn weekdays_are_read_back() {
        let of = |text: &str| text.parse::<Recurrence>().unwrap().as_weekly();
        let tuesday_friday = BTreeSet::from([Weekday::Tuesday, Weekday::Friday]);
        assert_eq!(of("freq=weekly;byday=FR,TU"), Some((tuesday_friday.clone(), 1)));
        assert_eq!(of("FREQ=WEEKLY;INTERVAL=2;BYDAY=MO"), Some((BTreeSet::from([Weekday::Monday]), 2)));
        for more in ["FREQ=MONTHLY;BYDAY=1MO", "FREQ=WEEKLY;BYDAY=MO;COUNT=3", "FREQ=WEEKLY;BYDAY=MO;BYMONTH=5"] {
            assert_eq!(of(more), None, "{more}");
        }
        assert_eq!(Recurrence::weekly(&tuesday_friday, 3).as_weekly(), Some((tuesday_friday, 3)));
    }

    #[test]
    fn every_second_week_goes_on_from_where_it_began() {
        let rule: Recurrence = "FREQ=WEEKLY;INTERVAL=2;BYDAY=TU".parse().unwrap();
        let begins = day("2026-01-06");
        let all = rule.days(begins, begins, day("2026-12-31"));
        let later = rule.days(begins, day("2026-06-01"), day("2026-12-31"));
        assert_eq!(later, all.into_iter().filter(|d| *d >= day("2026-06-01")).collect::<Vec<_>>());
        assert!(rule.days(begins, day("2027-01-01"), day("2026-12-31")).is_empty());
    }
}
