//! Forms. A field is named by the pointer of the interface's body that it fills, so that what was typed becomes that body, is read by
//! the interface's own rules, and whatever is wrong with it comes back beside its field, in the interface's own words.

use std::{
    collections::{BTreeMap, BTreeSet},
    str::FromStr,
};

use askama::Template;
use axum::http::StatusCode;
use gillbook_core::{
    Grams,
    refusal::{FieldError, Refusal, RefusalKind},
};
use gillbook_store::idempotency::StoredResponse;
use rust_decimal::{Decimal, prelude::ToPrimitive};
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{
    extract::{KeyedForm, parse},
    problem::Problem,
};

/// How a field is filled in, and what its text becomes in the body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Input {
    /// A text.
    Text,
    /// Kilograms with a comma or a point; whole grams in the body.
    Kilograms,
    /// A whole number.
    Whole,
    /// A day.
    Day,
    /// One of some, from a list.
    Choice,
    /// One of a few, each a touch away.
    Touch,
    /// What the page itself knows.
    Hidden,
    /// What the page knew when it was opened.
    Carried,
}

/// One field.
#[derive(Debug, Clone)]
pub(super) struct Field {
    /// The pointer into the body, without its first stroke; a row of a list is named by what it is about, so that a page that has changed
    /// meanwhile takes no row for another.
    pub name: String,
    pub label: String,
    pub input: Input,
    pub value: String,
    pub options: Vec<(String, String)>,
    pub is_needed: bool,
    /// The style of its label: of its own line where none.
    pub style: &'static str,
    /// What is wrong with what was typed.
    pub wrong: Option<String>,
}

impl Field {
    /// A field that must be filled in.
    pub(super) fn new(name: impl Into<String>, label: impl Into<String>, input: Input) -> Self {
        Self {
            name: name.into(),
            label: label.into(),
            input,
            value: String::new(),
            options: Vec::new(),
            is_needed: true,
            style: "",
            wrong: None,
        }
    }

    /// What the page knows and nobody types.
    pub(super) fn hidden(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self::new(name, "", Input::Hidden).with(value)
    }

    pub(super) fn optional(mut self) -> Self {
        self.is_needed = false;
        self
    }

    /// Two of them share a line.
    pub(super) fn half(mut self) -> Self {
        self.style = "half";
        self
    }

    /// Its text and what is typed share a line.
    pub(super) fn beside(mut self) -> Self {
        self.style = "beside";
        self
    }

    pub(super) fn with(mut self, value: impl Into<String>) -> Self {
        self.value = value.into();
        self
    }

    /// What can be chosen: what it is in the body, and what the reader reads.
    pub(super) fn of(mut self, options: impl IntoIterator<Item = (String, String)>) -> Self {
        self.options = options.into_iter().collect();
        self
    }

    fn kind(&self) -> &'static str {
        match self.input {
            Input::Hidden | Input::Carried => "hidden",
            Input::Day => "date",
            _ => "text",
        }
    }

    fn keypad(&self) -> &'static str {
        match self.input {
            Input::Kilograms => "decimal",
            Input::Whole => "numeric",
            _ => "text",
        }
    }

    /// What it is in the body; nothing where nothing was typed.
    fn json(&self) -> Result<Option<Value>, FieldError> {
        let text = self.value.trim();
        if text.is_empty() {
            return if self.is_needed { Err(self.fault("Fill this in.")) } else { Ok(None) };
        }
        match self.input {
            Input::Kilograms => match grams(text) {
                Some(Grams(g)) => Ok(Some(g.into())),
                None => Err(self.fault(&format!(
                    "“{text}” is not a weight. Type kilograms with at most three decimals, such as 1.25."
                ))),
            },
            Input::Whole => match text.parse::<i32>() {
                Ok(n) => Ok(Some(n.into())),
                Err(_) => Err(self.fault(&format!("“{text}” is not a number of pieces. Type a whole one, such as 4."))),
            },
            Input::Text | Input::Day | Input::Choice | Input::Touch | Input::Hidden | Input::Carried => {
                Ok(Some(text.into()))
            }
        }
    }

    fn fault(&self, detail: &str) -> FieldError {
        FieldError { pointer: format!("/{}", self.name), detail: detail.to_owned() }
    }

    /// The row of a list that it belongs to: the list, and the row's name on the page.
    fn row(&self) -> Option<(&str, &str)> {
        let mut parts = self.name.splitn(3, '/');
        let row = (parts.next()?, parts.next()?);
        parts.next().map(|_| row)
    }

    fn row_is_none(&self) -> bool {
        self.row().is_none()
    }

    fn is_hidden(&self) -> bool {
        matches!(self.input, Input::Hidden | Input::Carried)
    }

    fn is_blank(&self) -> bool {
        self.is_hidden() || self.value.trim().is_empty()
    }
}

/// Kilograms as thumbs type them; `1,25` is 1250 g.
fn grams(text: &str) -> Option<Grams> {
    let plain = text.replace(',', ".").replace('−', "-");
    let is_plain = plain.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-'));
    let kg = Decimal::from_str(&plain).ok().filter(|_| is_plain)?;
    let grams = kg.checked_mul(Decimal::ONE_THOUSAND)?;
    grams.fract().is_zero().then(|| grams.to_i64().map(Grams)).flatten()
}

/// A form.
#[derive(Debug, Clone, Template)]
#[template(path = "sheet.html")]
pub(super) struct Sheet {
    pub action: String,
    pub key: Uuid,
    pub button: &'static str,
    pub fields: Vec<Field>,
    /// What is wrong with the whole.
    pub wrong: Option<String>,
}

/// What was typed, as it came.
pub(super) type FormFields = Vec<(String, String)>;

/// Rows that were filled in, by list: the name on the page of each that is in the body.
type Rows = BTreeMap<String, Vec<String>>;

impl Sheet {
    pub(super) fn new(action: impl Into<String>, button: &'static str, fields: Vec<Field>) -> Self {
        Self { action: action.into(), key: super::new_key(), button, fields, wrong: None }
    }

    /// Takes what was typed, reads it as the interface reads its body, and does it. What fails stands beside its field.
    ///
    /// # Errors
    /// The form to show again, and what is wrong.
    pub(super) async fn submit<T: DeserializeOwned>(
        mut self,
        form: &KeyedForm<FormFields>,
        act: impl AsyncFnOnce(T) -> Result<StoredResponse, Problem>,
    ) -> Result<StoredResponse, (Self, Problem)> {
        // Shown again with the key that it came with: if an answer was lost, what is corrected and sent once more is told from a second act.
        self.key = form.key;
        let typed: BTreeMap<&str, &str> = form.form.iter().rev().map(|(n, v)| (n.as_str(), v.as_str())).collect();
        for field in self.fields.iter_mut().filter(|f| f.input != Input::Hidden) {
            field.value = typed.get(field.name.as_str()).copied().unwrap_or_default().to_owned();
        }
        let rows = self.rows();
        let done = match self.known(&form.form).and_then(|()| self.body(&rows)) {
            Ok(body) => match parse::<T>(body.to_string().as_bytes()) {
                Ok(new) => act(new).await,
                Err(problem) => Err(problem),
            },
            Err(refusal) => Err(refusal.into()),
        };
        done.map_err(|problem| {
            self.blame(&problem, &rows);
            (self, problem)
        })
    }

    /// Refuses what was typed into a field that the page no longer has, instead of dropping it.
    fn known(&self, filled: &FormFields) -> Result<(), Refusal> {
        let known: BTreeSet<&str> = self.fields.iter().map(|f| f.name.as_str()).chain(["key"]).collect();
        // A row's own name stands on the page whether or not anything was typed beside it.
        let is_own_name = |name: &str, value: &str| name.split('/').nth(1) == Some(value);
        let is_lost =
            |name: &str, value: &str| !value.trim().is_empty() && !known.contains(name) && !is_own_name(name, value);
        match filled.iter().find(|(name, value)| is_lost(name, value)) {
            None => Ok(()),
            Some((_, value)) => {
                let shown: String = value.chars().filter(|c| !c.is_control()).take(60).collect();
                let detail = format!(
                    "This page has changed since you opened it: it has no room for “{shown}” now. Look at it and send it again."
                );
                Err(Refusal::new(RefusalKind::Stale, detail))
            }
        }
    }

    /// The rows of lists in which something was typed.
    fn rows(&self) -> Rows {
        let mut rows = Rows::new();
        for (list, row) in self.fields.iter().filter(|f| !f.is_blank()).filter_map(Field::row) {
            let filled = rows.entry(list.to_owned()).or_default();
            // The fields of a row stand together.
            if filled.last().is_none_or(|last| last != row) {
                filled.push(row.to_owned());
            }
        }
        rows
    }

    fn body(&self, rows: &Rows) -> Result<Value, Refusal> {
        let mut body = Map::new();
        let mut faults = Vec::new();
        let mut numbers: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        for (list, filled) in rows {
            body.insert(list.clone(), vec![Value::Object(Map::new()); filled.len()].into());
            numbers.extend(filled.iter().enumerate().map(|(n, row)| ((list.as_str(), row.as_str()), n)));
        }
        let is_of_empty_list = |f: &&Field| !f.is_hidden() && f.row().is_some_and(|(list, _)| !rows.contains_key(list));
        faults.extend(self.fields.iter().find(is_of_empty_list).map(|f| f.fault("Fill in at least one.")));
        for field in &self.fields {
            let place = field.row().map(|(list, row)| (list, numbers.get(&(list, row)).copied()));
            // A row in which nothing was typed is none.
            if place.is_some_and(|(_, n)| n.is_none()) {
                continue;
            }
            let value = match field.json() {
                Ok(Some(value)) => value,
                Ok(None) => continue,
                Err(fault) => {
                    faults.push(fault);
                    continue;
                }
            };
            let (object, name) = match place {
                Some((list, Some(n))) => (body[list][n].as_object_mut(), field.name.splitn(3, '/').nth(2)),
                _ => (Some(&mut body), Some(field.name.as_str())),
            };
            if let (Some(object), Some(name)) = (object, name) {
                object.insert(name.to_owned(), value);
            }
        }
        let Some(first) = faults.first() else { return Ok(body.into()) };
        Err(Refusal { kind: RefusalKind::Invalid, detail: first.detail.clone(), faults })
    }

    /// Writes what is wrong beside the fields that it speaks of, and over the form what speaks of none of them.
    fn blame(&mut self, problem: &Problem, rows: &Rows) {
        let mut is_told = false;
        for (pointer, detail) in problem.faults() {
            let name = on_page(pointer, rows);
            let named = self.fields.iter_mut().filter(|f| !f.is_hidden()).find(|f| f.name == name);
            if let Some(field) = named {
                field.wrong = Some(detail.to_owned());
                is_told = true;
            }
        }
        if !is_told || problem.status() != StatusCode::UNPROCESSABLE_ENTITY {
            self.wrong = Some(problem.on_form().to_owned());
        }
    }
}

/// The name of the field that a pointer of the body speaks of.
fn on_page(pointer: &str, rows: &Rows) -> String {
    let name = pointer.trim_start_matches('/');
    let in_row = || {
        let mut parts = name.splitn(3, '/');
        let (list, n, rest) = (parts.next()?, parts.next()?.parse::<usize>().ok()?, parts.next()?);
        Some(format!("{list}/{}/{rest}", rows.get(list)?.get(n)?))
    };
    in_row().unwrap_or_else(|| name.to_owned())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

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

    fn lines() -> Sheet {
        let row = |n: usize, product: &str, kg: &str| {
            [
                Field::new(format!("lines/{n}/product"), "Product", Input::Choice).with(product),
                Field::new(format!("lines/{n}/grams_g"), "kg", Input::Kilograms).optional().with(kg),
            ]
        };
        let mut fields = vec![Field::new("customer", "Customer", Input::Text).with("PLUM")];
        for (n, product, kg) in [(0, "", ""), (1, "OY", "1,5"), (2, "", ""), (3, "LM", "x")] {
            fields.extend(row(n, product, kg));
        }
        Sheet::new("/orders", "Save", fields)
    }

    #[test]
    fn rows_without_a_word_are_left_out_and_faults_find_their_row() {
        let mut sheet = lines();
        let rows = sheet.rows();
        let refused = sheet.body(&rows).unwrap_err();
        assert_eq!(refused.faults[0].pointer, "/lines/3/grams_g");
        sheet.fields.last_mut().unwrap().value = "2".into();
        assert_eq!(
            sheet.body(&rows).unwrap(),
            json!({"customer": "PLUM", "lines": [{"product": "OY", "grams_g": 1500}, {"product": "LM", "grams_g": 2000}]})
        );
        sheet.blame(&Refusal::field("/lines/1/product", "There is no LM.").into(), &rows);
        let wrong: Vec<_> = sheet.fields.iter().filter(|f| f.wrong.is_some()).map(|f| f.name.as_str()).collect();
        assert_eq!((wrong, &sheet.wrong), (vec!["lines/3/product"], &None));
    }

    #[test]
    fn what_is_needed_and_empty_is_said_beside_it_and_what_speaks_of_no_field_over_the_form() {
        let mut sheet = lines();
        sheet.fields.truncate(1);
        sheet.fields[0].value = "  ".into();
        let refused = sheet.body(&Rows::new()).unwrap_err();
        assert_eq!((refused.faults[0].pointer.as_str(), refused.detail.as_str()), ("/customer", "Fill this in."));
        sheet.blame(&Refusal::new(RefusalKind::Closed, "The week is closed.").into(), &Rows::new());
        assert_eq!(sheet.wrong.as_deref(), Some("The week is closed."));
    }
}
