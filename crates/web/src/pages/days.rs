//! Days and times as pages write them, by the clock of the farm.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use gillbook_core::kinds::Weekday;
use gillbook_store::farm::farms::Farm;

pub(super) fn zone_of(farm: &Farm) -> Tz {
    farm.zone.parse().unwrap_or(Tz::UTC)
}

pub(super) fn clock(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%H:%M").to_string()
}

pub(super) fn day_and_clock(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%-d\u{a0}%b %H:%M").to_string()
}

/// Day, year and time, for what is read long afterwards.
pub(super) fn full_time(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%-d\u{a0}%b\u{a0}%Y %H:%M").to_string()
}

/// When a page was made: where it is kept for later, it says so.
#[derive(Debug, Clone)]
pub(super) struct MadeAt {
    /// As a program reads it (RFC 3339).
    pub instant: String,
    /// By the farm's clock.
    pub words: String,
}

impl MadeAt {
    pub(super) fn new(now: DateTime<Utc>, zone: Tz) -> Self {
        Self { instant: now.to_rfc3339(), words: full_time(now, zone) }
    }
}

/// The days of the week, in the body and in words.
pub(super) const WEEKDAYS: [(&str, &str); 7] = [
    ("monday", "Monday"),
    ("tuesday", "Tuesday"),
    ("wednesday", "Wednesday"),
    ("thursday", "Thursday"),
    ("friday", "Friday"),
    ("saturday", "Saturday"),
    ("sunday", "Sunday"),
];

pub(super) fn weekday(day: Weekday) -> &'static str {
    WEEKDAYS.iter().find(|(word, _)| *word == day.as_str()).map_or(day.as_str(), |(_, name)| name)
}

/// Several words as they are said in a row: with commas, and "and" before the last.
pub(super) fn in_a_row(words: &[&str]) -> String {
    match words.split_last() {
        Some((last, [])) => (*last).to_owned(),
        Some((last, others)) => format!("{} and {last}", others.join(", ")),
        None => String::new(),
    }
}

/// A day with its year, for what is read long afterwards.
pub(super) fn full_day(day: NaiveDate) -> String {
    day.format("%a\u{a0}%-d\u{a0}%b\u{a0}%Y").to_string()
}

/// A day with its year, where there is little room.
pub(super) fn date(day: NaiveDate) -> String {
    day.format("%-d\u{a0}%b\u{a0}%Y").to_string()
}

pub(super) fn long_day(day: NaiveDate) -> String {
    day.format("%A %-d\u{a0}%B").to_string()
}

pub(super) fn short_day(day: NaiveDate) -> String {
    day.format("%a\u{a0}%-d\u{a0}%b").to_string()
}
