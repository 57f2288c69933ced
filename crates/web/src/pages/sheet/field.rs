//! One field of a form: how it is filled in, and what its text becomes in the body of the interface's act.

use std::str::FromStr;

use chrono::NaiveDateTime;
use chrono_tz::Tz;
use gillbook_core::{Grams, refusal::FieldError};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use serde_json::{Value, json};

use super::super::exact_kg;

/// How a field is filled in, and what its text becomes in the body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::pages) enum Input {
    /// A text of one line.
    Text,
    /// A text of several lines.
    Lines,
    /// A code: capital letters, whatever was typed.
    Code,
    /// A passphrase: never shown again.
    Secret,
    /// Kilograms with a comma or a point; whole grams in the body.
    Kilograms,
    /// A whole number.
    Whole,
    /// A number with a comma or a point; a number in the body.
    Number,
    /// Money or a rate with a comma or a point; a text in the body, so that no digit is lost.
    Amount,
    /// A day.
    Day,
    /// A time of day.
    Clock,
    /// A day and a time of the farm's zone; an instant in the body.
    Moment(Tz),
    /// Yes or no.
    Tick,
    /// One of some, from a list.
    Choice,
    /// One of a few, each a touch away.
    Touch,
    /// Any number of some; a list in the body.
    Several,
    /// A name that is signed with a finger: strokes of points.
    Drawing,
    /// What the page itself knows.
    Hidden,
    /// A whole number that the page itself knows.
    HiddenWhole,
    /// What the page knew when it was opened.
    Carried,
    /// The version of what the page showed when it was opened. It is no part of the body.
    Version,
}

/// One field.
#[derive(Debug, Clone)]
pub(in crate::pages) struct Field {
    /// The pointer into the body, without its first stroke. A row of a list is named by what it is about, so that a page that has changed
    /// meanwhile takes no row for another; a member of an object in the body stands behind a full stop.
    pub name: String,
    pub label: String,
    /// What helps to fill it in: an example, or what nothing means.
    pub hint: String,
    pub input: Input,
    /// What is typed; of [`Input::Several`] one choice a line.
    pub value: String,
    pub options: Vec<(String, String)>,
    pub is_needed: bool,
    /// Whether its list may be without rows: it is needed in a row that is begun, and no row need be.
    pub is_of_any_rows: bool,
    /// Nothing typed is a text of no letters in the body instead of no member: what was there goes.
    pub keeps_blank: bool,
    /// The style of its label: of its own line where none.
    pub style: &'static str,
    /// What it stands under with its neighbours, folded away until something of it is filled in; in the open where none.
    pub fold: &'static str,
    /// What a touch fills in, and the word of the button that does.
    pub offer: Option<(String, &'static str)>,
    /// What is wrong with what was typed.
    pub wrong: Option<String>,
}

impl Field {
    /// A field that must be filled in.
    pub(in crate::pages) fn new(name: impl Into<String>, label: impl Into<String>, input: Input) -> Self {
        Self {
            name: name.into(),
            label: label.into(),
            hint: String::new(),
            input,
            value: String::new(),
            options: Vec::new(),
            is_needed: true,
            is_of_any_rows: false,
            keeps_blank: false,
            style: "",
            fold: "",
            offer: None,
            wrong: None,
        }
    }

    /// What the page knows and nobody types.
    pub(in crate::pages) fn hidden(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self::new(name, "", Input::Hidden).with(value)
    }

    /// A number that the page knows and nobody types.
    pub(in crate::pages) fn hidden_whole(name: impl Into<String>, value: i32) -> Self {
        Self::new(name, "", Input::HiddenWhole).with(value.to_string())
    }

    /// The version of what is changed.
    pub(in crate::pages) fn version(version: i32) -> Self {
        Self::new("version", "", Input::Version).with(version.to_string())
    }

    pub(in crate::pages) fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = hint.into();
        self
    }

    pub(in crate::pages) fn optional(mut self) -> Self {
        self.is_needed = false;
        self
    }

    /// Of a list that may be without rows.
    pub(in crate::pages) fn of_any_rows(mut self) -> Self {
        self.is_of_any_rows = true;
        self
    }

    /// A text that may be emptied.
    pub(in crate::pages) fn or_blank(mut self) -> Self {
        self.keeps_blank = true;
        self.optional()
    }

    /// Two of them share a line.
    pub(in crate::pages) fn half(mut self) -> Self {
        self.style = "half";
        self
    }

    /// Its text and what is typed share a line.
    pub(in crate::pages) fn beside(mut self) -> Self {
        self.style = "beside";
        self
    }

    /// Folded away under a heading with the neighbours that have the same.
    pub(in crate::pages) fn folded(mut self, fold: &'static str) -> Self {
        self.fold = fold;
        self
    }

    /// Offers a value that the page knows at a touch: it takes somebody to say that it is so.
    pub(in crate::pages) fn offered(mut self, value: impl Into<String>, word: &'static str) -> Self {
        self.offer = Some((value.into(), word));
        self
    }

    pub(in crate::pages) fn with(mut self, value: impl Into<String>) -> Self {
        self.value = value.into();
        self
    }

    /// What can be chosen: what it is in the body, and what the reader reads.
    pub(in crate::pages) fn of(mut self, options: impl IntoIterator<Item = (String, String)>) -> Self {
        self.options = options.into_iter().collect();
        self
    }

    /// What can be chosen, of a closed set.
    pub(in crate::pages) fn of_words(self, options: &[(&str, &str)]) -> Self {
        self.of(options.iter().map(|(word, shown)| ((*word).to_owned(), (*shown).to_owned())))
    }

    /// Fills it in with what the interface answers of the same thing, where that has its member.
    pub(in crate::pages) fn fill(&mut self, answered: &Value) {
        if self.is_hidden() || self.input == Input::Secret {
            return;
        }
        let Some(value) = answered.pointer(&self.pointer()) else { return };
        self.value = match (self.input, value) {
            (_, Value::Null) => return,
            (Input::Kilograms, Value::Number(grams)) => grams.as_i64().map(|g| exact_kg(Grams(g))).unwrap_or_default(),
            (Input::Amount | Input::Number, Value::String(text)) => {
                Decimal::from_str(text).map_or_else(|_| text.clone(), |amount| amount.normalize().to_string())
            }
            (Input::Several, Value::Array(values)) => {
                values.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("\n")
            }
            (_, Value::String(text)) => text.clone(),
            (_, other) => other.to_string(),
        };
    }

    /// What is typed or chosen, as it is read.
    pub(in crate::pages) fn shown(&self) -> String {
        let word = |value: &str| {
            let found = self.options.iter().find(|(option, _)| option == value);
            found.map_or_else(|| value.to_owned(), |(_, words)| words.clone())
        };
        match self.input {
            Input::Several => self.value.lines().map(word).collect::<Vec<_>>().join(", "),
            Input::Tick => if self.value == "true" { "yes" } else { "no" }.to_owned(),
            _ => word(&self.value),
        }
    }

    pub(super) fn kind(&self) -> &'static str {
        match self.input {
            Input::Day => "date",
            Input::Clock => "time",
            Input::Moment(_) => "datetime-local",
            Input::Secret => "password",
            _ => "text",
        }
    }

    pub(super) fn keypad(&self) -> &'static str {
        match self.input {
            Input::Kilograms | Input::Number | Input::Amount => "decimal",
            Input::Whole => "numeric",
            _ => "text",
        }
    }

    /// Whether a choice of [`Input::Several`] is taken.
    pub(super) fn has(&self, choice: &str) -> bool {
        self.value.lines().any(|line| line == choice)
    }

    /// What it is in the body; nothing where nothing was typed.
    pub(super) fn json(&self) -> Result<Option<Value>, FieldError> {
        let text = self.value.trim();
        match self.input {
            Input::Tick => return Ok(Some((text == "true").into())),
            Input::Version => return Ok(None),
            // A passphrase counts to the last space.
            Input::Secret if !text.is_empty() => return Ok(Some(self.value.as_str().into())),
            _ => {}
        }
        if text.is_empty() {
            let blank = self.keeps_blank.then(|| if self.input == Input::Several { json!([]) } else { "".into() });
            let remedy = match self.input {
                Input::Choice | Input::Touch => "Choose one.",
                Input::Several => "Tick at least one.",
                _ => "Fill this in.",
            };
            return if self.is_needed { Err(self.fault(remedy)) } else { Ok(blank) };
        }
        let not = |what: &str, remedy: &str| self.fault(&format!("“{text}” is not {what}. {remedy}"));
        Ok(Some(match self.input {
            Input::Kilograms => grams(text)
                .map(|g| g.0.into())
                .ok_or_else(|| not("a weight", "Type kilograms with at most three decimals, such as 1.25."))?,
            Input::Whole | Input::HiddenWhole => {
                let whole: Result<i32, _> = text.replace('−', "-").parse();
                whole.map_err(|_| not("a whole number", "Type one such as 4."))?.into()
            }
            Input::Number => {
                let number = decimal(text).and_then(|n| n.to_f64()).and_then(serde_json::Number::from_f64);
                number.ok_or_else(|| not("a number", "Type one such as 2.5."))?.into()
            }
            Input::Amount => {
                decimal(text).ok_or_else(|| not("a number", "Type one such as 12.50."))?.to_string().into()
            }
            Input::Moment(zone) => moment(text, zone)
                .ok_or_else(|| not("a day and a time of this place", "Type one such as 2026-05-04T07:30."))?
                .into(),
            Input::Drawing => serde_json::from_str(text)
                .map_err(|_| self.fault("The signature did not come through. Clear it and sign again."))?,
            Input::Code => text.to_uppercase().into(),
            Input::Several => text.lines().collect::<Vec<_>>().into(),
            _ => text.into(),
        }))
    }

    pub(super) fn fault(&self, detail: &str) -> FieldError {
        FieldError { pointer: self.pointer(), detail: detail.to_owned() }
    }

    /// The pointer into the body that its name stands for; of a row, into the page.
    pub(super) fn pointer(&self) -> String {
        format!("/{}", self.name.replace('.', "/"))
    }

    /// The row of a list that it belongs to: the list, and the row's name on the page.
    pub(super) fn row(&self) -> Option<(&str, &str)> {
        let mut parts = self.name.splitn(3, '/');
        let row = (parts.next()?, parts.next()?);
        parts.next().map(|_| row)
    }

    /// The object in the body that it belongs to.
    pub(super) fn object(&self) -> Option<&str> {
        self.row().is_none().then(|| self.name.split_once('.').map(|(object, _)| object)).flatten()
    }

    /// Whether the browser may insist on it: of a row or an object nothing is needed where nothing is typed.
    pub(super) fn is_required(&self) -> bool {
        self.is_needed && self.row().is_none() && self.object().is_none()
    }

    pub(super) fn is_hidden(&self) -> bool {
        matches!(self.input, Input::Hidden | Input::HiddenWhole | Input::Carried | Input::Version)
    }

    /// Whether somebody filled it in, or something is wrong with it.
    pub(super) fn is_filled(&self) -> bool {
        self.wrong.is_some() || !self.is_blank()
    }

    pub(super) fn is_blank(&self) -> bool {
        self.is_hidden() || self.input == Input::Tick || self.value.trim().is_empty()
    }
}

/// A number as thumbs type it, with a comma or a point.
fn decimal(text: &str) -> Option<Decimal> {
    let plain = text.replace(',', ".").replace('−', "-");
    let is_plain = plain.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-'));
    Decimal::from_str(&plain).ok().filter(|_| is_plain)
}

/// Kilograms as thumbs type them; `1,25` is 1250 g.
pub(in crate::pages) fn grams(text: &str) -> Option<Grams> {
    let grams = decimal(text)?.checked_mul(Decimal::ONE_THOUSAND)?;
    grams.fract().is_zero().then(|| grams.to_i64().map(Grams)).flatten()
}

/// A day and a time of a zone as an instant (RFC 3339); the first where the clocks are put back, none where they jump over it.
pub(in crate::pages) fn moment(text: &str, zone: Tz) -> Option<String> {
    let local = NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M")
        .or_else(|_| NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M:%S"));
    Some(local.ok()?.and_local_timezone(zone).earliest()?.to_rfc3339())
}

#[cfg(test)]
mod tests {

    use super::*;

    #[test]
    fn a_comma_is_as_good_as_a_point_and_no_gram_is_rounded() {
        for (text, g) in [("1.25", 1250), ("1,25", 1250), ("0.001", 1), ("12", 12_000), ("−1", -1000)] {
            assert_eq!(grams(text), Some(Grams(g)), "{text}");
        }
        for text in ["", "1.2345", "heavy", "1,2,3", "1e3", "99999999999999999999"] {
            assert_eq!(grams(text), None, "{text}");
        }
    }

    #[test]
    fn what_is_typed_becomes_what_the_interface_takes() {
        let typed = |input, text: &str| Field::new("x", "", input).optional().with(text).json().map_err(|f| f.detail);
        assert_eq!(typed(Input::Amount, "4,50"), Ok(Some(json!("4.50"))));
        assert_eq!(typed(Input::Number, "2,5"), Ok(Some(json!(2.5))));
        assert_eq!(typed(Input::Code, " plum-1 "), Ok(Some(json!("PLUM-1"))));
        assert_eq!(typed(Input::Several, "OY\nLM"), Ok(Some(json!(["OY", "LM"]))));
        assert_eq!(
            (typed(Input::Tick, ""), typed(Input::Tick, "true")),
            (Ok(Some(json!(false))), Ok(Some(json!(true))))
        );
        assert_eq!(typed(Input::Secret, " four words "), Ok(Some(json!(" four words "))));
        for (input, text) in [(Input::Whole, "2.5"), (Input::Number, "1e3"), (Input::Amount, "dear")] {
            assert!(typed(input, text).unwrap_err().contains(text), "{text}");
        }
        assert_eq!(Field::new("x", "", Input::Text).or_blank().json().unwrap(), Some(json!("")));
    }

    /// The hour that is skipped and the one that comes twice in Berlin in 2026: the European Union's Directive 2000/84/EC puts the change at
    /// 01:00 UTC on the last Sundays of March and October.
    #[test]
    fn a_time_that_the_clock_jumps_over_is_refused_and_of_two_the_first_is_meant() {
        let berlin = Tz::Europe__Berlin;
        assert_eq!(moment("2026-03-29T02:30", berlin), None);
        assert_eq!(moment("2026-10-25T02:30", berlin).as_deref(), Some("2026-10-25T02:30:00+02:00"));
    }

    #[test]
    fn a_field_is_filled_in_with_what_the_interface_answers() {
        let answered =
            json!({"name": "Plum", "min_order_g": 1500, "limit": {"warm_c": 5.0}, "rate": "7.000", "strains": ["OY"]});
        let filled = |name: &str, input| {
            let mut field = Field::new(name, "", input);
            field.fill(&answered);
            field.value
        };
        assert_eq!(filled("name", Input::Text), "Plum");
        assert_eq!(filled("min_order_g", Input::Kilograms), "1.500");
        assert_eq!(filled("limit.warm_c", Input::Number), "5.0");
        assert_eq!(filled("rate", Input::Amount), "7");
        assert_eq!(filled("strains", Input::Several), "OY");
        assert_eq!(filled("gone", Input::Text), "");
    }
}
