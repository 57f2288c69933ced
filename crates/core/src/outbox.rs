//! When a message that was not taken is sent again, and when it is given up.

use chrono::{DateTime, TimeDelta, Utc};

use crate::limits::MAX_NOTICE_TRIES;

/// The most letters that are kept of what a receiver answered.
const MAX_TROUBLE: usize = 300;

/// Why a message was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// What the receiver answered, or why nothing reached it.
    pub words: String,
    /// Whether it is no use to send the same again.
    pub is_final: bool,
}

impl Trouble {
    /// One that may pass.
    #[must_use]
    pub fn passing(words: impl Into<String>) -> Self {
        Self { words: words.into(), is_final: false }
    }

    /// One that stays.
    #[must_use]
    pub fn lasting(words: impl Into<String>) -> Self {
        Self { words: words.into(), is_final: true }
    }
}

/// What becomes of a message after a try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NextTry {
    /// When it is due again, where it is.
    pub due_at: DateTime<Utc>,
    /// When it was taken.
    pub sent_at: Option<DateTime<Utc>>,
    /// When it was given up.
    pub given_up_at: Option<DateTime<Utc>>,
    /// What the receiver answered, in at most 300 letters, none of them a control character.
    pub trouble: String,
}

/// What becomes of a message after its try of this number, from 1: where it met trouble that may pass it is due again after twice as long a wait as
/// before, from a minute on, and given up after [`MAX_NOTICE_TRIES`].
#[must_use]
pub fn next_try(tries: i32, trouble: Option<&Trouble>, now: DateTime<Utc>) -> NextTry {
    let is_given_up = trouble.is_some_and(|t| t.is_final || tries >= MAX_NOTICE_TRIES);
    let words = trouble.map(|t| t.words.as_str()).unwrap_or_default();
    let plain = words.chars().map(|c| if c.is_control() { ' ' } else { c });
    NextTry {
        due_at: now + TimeDelta::seconds(30 << tries.clamp(0, 12)),
        sent_at: trouble.is_none().then_some(now),
        given_up_at: is_given_up.then_some(now),
        trouble: plain.take(MAX_TROUBLE).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_wait_is_twice_as_long_until_it_is_given_up_after_about_two_days() {
        let start = DateTime::UNIX_EPOCH;
        let (mut now, mut tries) = (start, 0);
        loop {
            tries += 1;
            let next = next_try(tries, Some(&Trouble::passing("away\r\n\u{7}")), now);
            assert_eq!((next.sent_at, next.trouble.as_str()), (None, "away   "));
            if next.given_up_at.is_some() {
                break;
            }
            assert_eq!(next.due_at - now, TimeDelta::seconds(30 * 2_i64.pow(tries.unsigned_abs())));
            now = next.due_at;
        }
        assert_eq!(tries, MAX_NOTICE_TRIES);
        assert!((TimeDelta::hours(30)..TimeDelta::hours(54)).contains(&(now - start)), "{}", now - start);
    }

    #[test]
    fn what_stays_is_given_up_at_once_and_what_was_taken_is_over() {
        let now = DateTime::UNIX_EPOCH;
        assert_eq!(next_try(1, Some(&Trouble::lasting("no such address")), now).given_up_at, Some(now));
        let taken = next_try(MAX_NOTICE_TRIES, None, now);
        assert_eq!((taken.sent_at, taken.given_up_at, taken.trouble.as_str()), (Some(now), None, ""));
        assert_eq!(next_try(1, Some(&Trouble::passing("x".repeat(999))), now).trouble.len(), MAX_TROUBLE);
    }
}
