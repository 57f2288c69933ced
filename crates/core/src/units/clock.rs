//! Times of day, as they are agreed: hours and minutes by the farm's clock.

use std::{fmt, str::FromStr};

use chrono::NaiveTime;

use super::written::written_as_text;

/// A time of day, `16:00`, or blank where none is agreed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct ClockTime(pub Option<NaiveTime>);

impl FromStr for ClockTime {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text.is_empty() {
            return Ok(Self(None));
        }
        // Two digits each, as they are written again.
        let time = NaiveTime::parse_from_str(text, "%H:%M").ok().filter(|_| text.len() == 5);
        time.map(|time| Self(Some(time)))
            .ok_or_else(|| format!("{text} is no time of day. Give hours and minutes, such as 16:00."))
    }
}

impl fmt::Display for ClockTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.map_or(Ok(()), |time| write!(f, "{}", time.format("%H:%M")))
    }
}

written_as_text!(ClockTime, "^(([01][0-9]|2[0-3]):[0-5][0-9])?$", "Hours and minutes by the farm's clock, or blank.");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_and_minutes_or_nothing() {
        for text in ["", "00:00", "07:30", "23:59"] {
            assert_eq!(text.parse::<ClockTime>().unwrap().to_string(), text);
        }
        for text in ["24:00", "7:30", "16", "16:60", "16:00:00", "noon", " 16:00", "-1:00"] {
            assert!(text.parse::<ClockTime>().unwrap_err().contains(text), "{text}");
        }
    }
}
