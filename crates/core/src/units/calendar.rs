//! Farm days and ISO weeks in the farm's own time zone.
//!
//! A day is the half-open span of instants `[first of the day, first of the next day)`; it is 23 or 25 hours long
//! when the clocks change, and where a zone skips midnight it begins at the first instant that exists.

use std::{borrow::Cow, fmt, str::FromStr};

use chrono::{
    DateTime, Datelike, Days, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone, Utc, Weekday,
};
use chrono_tz::Tz;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use utoipa::openapi::{KnownFormat, ObjectBuilder, RefOr, Schema, SchemaFormat, schema::Type};

/// A span of instants, first included, last excluded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// The first instant.
    pub from: DateTime<Utc>,
    /// The first instant after.
    pub until: DateTime<Utc>,
}

/// The first instant of a day in a zone.
#[must_use]
pub fn day_begins(day: NaiveDate, zone: Tz) -> DateTime<Utc> {
    first_instant(day.and_time(NaiveTime::MIN), zone)
}

/// The first instant at which the clocks of a zone show a time, or when they have next moved on past one that they skip.
fn first_instant(mut local: NaiveDateTime, zone: Tz) -> DateTime<Utc> {
    loop {
        match zone.from_local_datetime(&local) {
            LocalResult::Single(t) | LocalResult::Ambiguous(t, _) => return t.with_timezone(&Utc),
            // Skipped: gaps end on a quarter of an hour.
            LocalResult::None => local += TimeDelta::minutes(15),
        }
    }
}

/// The instant at which the clocks of a zone show a time of a day, or when they have next moved on past one that they skip.
#[must_use]
pub fn at_clock(day: NaiveDate, time: NaiveTime, zone: Tz) -> DateTime<Utc> {
    first_instant(day.and_time(time), zone)
}

/// The same weekday and clock time a week earlier.
#[must_use]
pub fn week_earlier(at: DateTime<Utc>, zone: Tz) -> DateTime<Utc> {
    first_instant(at.with_timezone(&zone).naive_local() - Days::new(7), zone)
}

/// The span of a day in a zone.
#[must_use]
pub fn day_span(day: NaiveDate, zone: Tz) -> Span {
    Span { from: day_begins(day, zone), until: day_begins(day + Days::new(1), zone) }
}

/// The farm's day at an instant.
#[must_use]
pub fn day_of(at: DateTime<Utc>, zone: Tz) -> NaiveDate {
    at.with_timezone(&zone).date_naive()
}

/// An ISO 8601 week, written `2026-W18`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct IsoWeek {
    year: i32,
    week: u32,
}

impl IsoWeek {
    /// The week that a day is in.
    #[must_use]
    pub fn of(day: NaiveDate) -> Self {
        let week = day.iso_week();
        Self { year: week.year(), week: week.week() }
    }

    /// Its Monday.
    #[must_use]
    pub fn monday(self) -> NaiveDate {
        NaiveDate::from_isoywd_opt(self.year, self.week, Weekday::Mon).expect("checked when made")
    }

    /// Its Sunday.
    #[must_use]
    pub fn sunday(self) -> NaiveDate {
        self.monday() + Days::new(6)
    }

    /// The week after.
    #[must_use]
    pub fn next(self) -> Self {
        Self::of(self.monday() + Days::new(7))
    }

    /// The week before.
    #[must_use]
    pub fn previous(self) -> Self {
        Self::of(self.monday() - Days::new(7))
    }

    /// Its span of instants in a zone.
    #[must_use]
    pub fn span(self, zone: Tz) -> Span {
        Span { from: day_begins(self.monday(), zone), until: day_begins(self.next().monday(), zone) }
    }
}

impl fmt::Display for IsoWeek {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-W{:02}", self.year, self.week)
    }
}

impl FromStr for IsoWeek {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("{text} is not a week. Write it as 2026-W18.");
        let day = NaiveDate::parse_from_str(&format!("{text}-1"), "%G-W%V-%u").map_err(|_| wrong())?;
        let week = Self::of(day);
        if week.to_string() == text && (2000..2200).contains(&week.year) { Ok(week) } else { Err(wrong()) }
    }
}

impl Serialize for IsoWeek {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for IsoWeek {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Cow::<str>::deserialize(d)?.parse().map_err(de::Error::custom)
    }
}

impl utoipa::PartialSchema for IsoWeek {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .pattern(Some("^2[01][0-9]{2}-W[0-5][0-9]$"))
            .description(Some("An ISO 8601 week of the farm's calendar."))
            .into()
    }
}

impl utoipa::ToSchema for IsoWeek {
    fn name() -> Cow<'static, str> {
        "IsoWeek".into()
    }
}

/// An instant from outside: RFC 3339 with its offset, between 2000 and 2200, cut to microseconds (what the database keeps).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct Instant(pub DateTime<Utc>);

impl FromStr for Instant {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let at = DateTime::parse_from_rfc3339(text)
            .map_err(|_| {
                format!("{text} is not a time with an offset (RFC 3339). Write it as 2026-05-04T07:30:00+02:00.")
            })?
            .with_timezone(&Utc);
        if !(2000..2200).contains(&at.year()) {
            return Err(format!("{text} is not between the years 2000 and 2200."));
        }
        Ok(Self(cut_to_micros(at)))
    }
}

/// Cuts an instant to whole microseconds.
#[must_use]
pub fn cut_to_micros(at: DateTime<Utc>) -> DateTime<Utc> {
    DateTime::from_timestamp_micros(at.timestamp_micros()).expect("in range before, in range after")
}

impl<'de> Deserialize<'de> for Instant {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Cow::<str>::deserialize(d)?.parse().map_err(de::Error::custom)
    }
}

impl utoipa::PartialSchema for Instant {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::DateTime)))
            .into()
    }
}

impl utoipa::ToSchema for Instant {
    fn name() -> Cow<'static, str> {
        "Instant".into()
    }
}

/// A day from outside: an ISO 8601 calendar date between 2000 and 2200.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct Day(pub NaiveDate);

impl FromStr for Day {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let day = NaiveDate::parse_from_str(text, "%Y-%m-%d")
            .ok()
            .filter(|d| d.to_string() == text && (2000..2200).contains(&d.year()))
            .ok_or_else(|| format!("{text} is not a date. Write it as 2026-05-04."))?;
        Ok(Self(day))
    }
}

impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Cow::<str>::deserialize(d)?.parse().map_err(de::Error::custom)
    }
}

impl utoipa::PartialSchema for Day {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new().schema_type(Type::String).format(Some(SchemaFormat::KnownFormat(KnownFormat::Date))).into()
    }
}

impl utoipa::ToSchema for Day {
    fn name() -> Cow<'static, str> {
        "Day".into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_earlier_is_by_the_clock_on_the_wall() {
        let earlier = |at: &str| week_earlier(at.parse().unwrap(), Tz::Europe__Paris).to_rfc3339();
        // Clocks went forward on 29 March 2026: 10:00 in summer time is 08:00 in UTC, 10:00 in winter time a week before is 09:00.
        assert_eq!(earlier("2026-03-31T08:00:00Z"), "2026-03-24T09:00:00+00:00");
        assert_eq!(earlier("2026-11-26T11:30:00Z"), "2026-11-19T11:30:00+00:00");
        // 02:30 on 5 April was 02:30 on 29 March, which the clocks skipped: 03:00 in summer time.
        assert_eq!(earlier("2026-04-05T00:30:00Z"), "2026-03-29T01:00:00+00:00");
    }

    #[test]
    fn weeks_read_and_write_as_iso_8601() {
        for text in ["2026-W01", "2026-W53", "2020-W53", "2015-W53", "2024-W09"] {
            assert_eq!(text.parse::<IsoWeek>().unwrap().to_string(), text);
        }
        for text in ["2025-W53", "2026-W54", "2026-W00", "2026-18", "2026-W1", "1999-W01", "W18"] {
            assert!(text.parse::<IsoWeek>().is_err(), "{text}");
        }
        // ISO 8601: week 1 holds the year's first Thursday, so 2027-01-01 (a Friday) is still in 2026-W53.
        assert_eq!(IsoWeek::of(NaiveDate::from_ymd_opt(2027, 1, 1).unwrap()).to_string(), "2026-W53");
    }

    #[test]
    fn days_are_as_long_as_the_zone_makes_them() {
        let zone: Tz = "Europe/Paris".parse().unwrap();
        let hours = |y, m, d| {
            let span = day_span(NaiveDate::from_ymd_opt(y, m, d).unwrap(), zone);
            (span.until - span.from).num_hours()
        };
        assert_eq!(hours(2026, 3, 29), 23);
        assert_eq!(hours(2026, 10, 25), 25);
        assert_eq!(hours(2026, 6, 1), 24);
    }

    #[test]
    fn a_day_without_midnight_begins_when_the_gap_ends() {
        // America/Sao_Paulo skipped 00:00–01:00 on 2018-11-04 (IANA time zone database, "Brazil" rules).
        let begins = day_begins(NaiveDate::from_ymd_opt(2018, 11, 4).unwrap(), "America/Sao_Paulo".parse().unwrap());
        assert_eq!(begins.to_rfc3339(), "2018-11-04T03:00:00+00:00");
    }

    #[test]
    fn an_instant_needs_its_offset() {
        assert!("2026-05-04T07:30:00".parse::<Instant>().unwrap_err().contains("offset"));
        assert!("2026-05-04T07:30:00+02:00".parse::<Instant>().is_ok());
        assert!("0001-01-01T00:00:00Z".parse::<Instant>().is_err());
    }
}
