//! Forms. A field is named by the pointer of the interface's body that it fills, so that what was typed becomes that body, is read by
//! the interface's own rules, and whatever is wrong with it comes back beside its field, in the interface's own words.

mod field;

use std::collections::{BTreeMap, BTreeSet};

use askama::Template;
use axum::http::StatusCode;
use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::idempotency::StoredResponse;
use serde::{Serialize, de::DeserializeOwned};
use serde_json::{Map, Value};
use uuid::Uuid;

pub(super) use self::field::{Field, Input, grams, moment};
use crate::{
    extract::{KeyedForm, SECRET_MEMBERS, parse},
    problem::Problem,
};

/// A form.
#[derive(Debug, Clone, Template)]
#[template(path = "sheet.html")]
pub(super) struct Sheet {
    pub action: String,
    pub key: Uuid,
    pub button: &'static str,
    pub fields: Vec<Field>,
    /// How it is kept on the phone where there is no connection; not at all where none.
    pub offline: Option<Offline>,
    /// What is wrong with the whole.
    pub wrong: Option<String>,
}

/// What the phone knows of a form that it keeps until there is a connection.
#[derive(Debug, Clone)]
pub(super) struct Offline {
    /// What was done, as the phone says it while it waits. The name of a field in braces stands for what is typed there.
    pub words: String,
    /// The field that says when it was done: filled in by the phone. Empty where none does.
    pub time: &'static str,
}

/// Fields that are folded away together, or stand in the open where the heading is empty.
struct Fold<'a> {
    heading: &'static str,
    is_open: bool,
    fields: &'a [Field],
}

impl<'a> Fold<'a> {
    fn of(fields: &'a [Field]) -> Self {
        Self { heading: fields[0].fold, is_open: fields.iter().any(Field::is_filled), fields }
    }
}

/// What was typed, as it came.
pub(super) type FormFields = Vec<(String, String)>;

/// Rows that were filled in, by list: the name on the page of each that is in the body.
type Rows = BTreeMap<String, Vec<String>>;

impl Sheet {
    pub(super) fn new(action: impl Into<String>, button: &'static str, fields: Vec<Field>) -> Self {
        Self { action: action.into(), key: super::new_key(), button, fields, offline: None, wrong: None }
    }

    /// Has the phone keep it where there is no connection. `words` say what was done, `time` is the field of the body that says when.
    pub(super) fn or_later(mut self, words: impl Into<String>, time: Option<&'static str>) -> Self {
        self.fields.extend(time.map(|time| Field::new(time, "", Input::Carried).optional()));
        self.offline = Some(Offline { words: words.into(), time: time.unwrap_or_default() });
        self
    }

    fn has_offers(&self) -> bool {
        self.fields.iter().any(|field| field.offer.is_some())
    }

    /// Its fields by what they are folded under, in their order. Those of a fold stand side by side.
    fn folds(&self) -> Vec<Fold<'_>> {
        self.fields.chunk_by(|a, b| a.fold == b.fold).map(Fold::of).collect()
    }

    fn has_drawing(&self) -> bool {
        self.fields.iter().any(|field| field.input == Input::Drawing)
    }

    /// Fills it in with what the interface answers of the same thing.
    pub(super) fn filled(mut self, answered: &impl Serialize) -> Self {
        let answered = serde_json::to_value(answered).unwrap_or_default();
        self.fields.iter_mut().for_each(|field| field.fill(&answered));
        self
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
        if let Some(first) = &form.answered {
            return Ok(first.clone());
        }
        // Shown again with the key that it came with: if an answer was lost, what is corrected and sent once more is told from a second act.
        self.key = form.key;
        let mut typed: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        form.form.iter().for_each(|(name, value)| typed.entry(name).or_default().push(value));
        for field in self.fields.iter_mut().filter(|f| !matches!(f.input, Input::Hidden | Input::HiddenWhole)) {
            let values = typed.get(field.name.as_str()).map(Vec::as_slice).unwrap_or_default();
            field.value = match field.input {
                Input::Several => values.join("\n"),
                // A browser ends a line with two characters (CR and LF).
                _ => values.first().copied().unwrap_or_default().replace("\r\n", "\n"),
            };
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

    /// The version that the page showed when it was opened.
    ///
    /// # Errors
    /// Refuses a form without one.
    pub(super) fn version_read(form: &KeyedForm<FormFields>) -> Result<i32, Problem> {
        let version = form.form.iter().find(|(name, _)| name == "version").and_then(|(_, value)| value.parse().ok());
        version.ok_or_else(|| {
            Problem::bad_syntax("The form did not arrive whole. Open the page again and send it once more.")
        })
    }

    /// Refuses what was typed into a field that the page no longer has, instead of dropping it.
    fn known(&self, filled: &FormFields) -> Result<(), Refusal> {
        let known: BTreeSet<&str> = self.fields.iter().map(|f| f.name.as_str()).chain(["key"]).collect();
        // What a row is about stands on the page whether or not anything was typed beside it.
        let leaf = |name: &str| {
            let (list, rest) = name.split_once('/')?;
            Some((list.to_owned(), rest.split_once('/')?.1.to_owned()))
        };
        let untyped: BTreeSet<_> = self.fields.iter().filter(|f| f.is_hidden()).filter_map(|f| leaf(&f.name)).collect();
        let is_untyped = |name: &str| leaf(name).is_some_and(|leaf| untyped.contains(&leaf));
        let is_lost = |name: &str, value: &str| !value.trim().is_empty() && !known.contains(name) && !is_untyped(name);
        match filled.iter().find(|(name, value)| is_lost(name, value)) {
            None => Ok(()),
            Some((name, value)) => {
                let shown: String = value.chars().filter(|c| !c.is_control()).take(60).collect();
                let is_secret = SECRET_MEMBERS.iter().any(|secret| name.ends_with(secret));
                let shown = if is_secret { "a passphrase".to_owned() } else { format!("“{shown}”") };
                let detail = format!(
                    "This page has changed since you opened it: it has no room for {shown} now. Look at it and send it again."
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

    /// The objects of the body in which something was typed, and those that the page itself puts something into.
    fn objects(&self) -> BTreeSet<&str> {
        self.fields.iter().filter(|f| f.is_hidden() || !f.is_blank()).filter_map(Field::object).collect()
    }

    fn body(&self, rows: &Rows) -> Result<Value, Refusal> {
        let mut body = Map::new();
        let mut faults = Vec::new();
        let mut numbers: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        for (list, filled) in rows {
            body.insert(list.clone(), vec![Value::Object(Map::new()); filled.len()].into());
            numbers.extend(filled.iter().enumerate().map(|(n, row)| ((list.as_str(), row.as_str()), n)));
        }
        let objects = self.objects();
        let is_missed = |f: &&Field| !f.is_hidden() && f.is_needed && !f.is_of_any_rows;
        let is_of_empty_list = |f: &&Field| is_missed(f) && f.row().is_some_and(|(list, _)| !rows.contains_key(list));
        faults.extend(self.fields.iter().find(is_of_empty_list).map(|f| f.fault("Fill in at least one.")));
        for field in &self.fields {
            let place = field.row().map(|(list, row)| (list, numbers.get(&(list, row)).copied()));
            // A row in which nothing was typed is none.
            if place.is_some_and(|(_, n)| n.is_none()) || field.object().is_some_and(|o| !objects.contains(o)) {
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
                insert(object, name, value);
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
            let named = self.fields.iter_mut().filter(|f| !f.is_hidden()).find(|f| f.pointer() == name);
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

/// Puts a value where its name says, behind as many full stops as there are objects on the way.
fn insert(object: &mut Map<String, Value>, name: &str, value: Value) {
    match name.split_once('.') {
        None => {
            object.insert(name.to_owned(), value);
        }
        Some((outer, inner)) => {
            let nested = object.entry(outer).or_insert_with(|| Value::Object(Map::new()));
            if let Some(nested) = nested.as_object_mut() {
                insert(nested, inner, value);
            }
        }
    }
}

/// The pointer that the field has on the page which a pointer of the body speaks of.
fn on_page(pointer: &str, rows: &Rows) -> String {
    let name = pointer.trim_start_matches('/');
    let in_row = || {
        let mut parts = name.splitn(3, '/');
        let (list, n, rest) = (parts.next()?, parts.next()?.parse::<usize>().ok()?, parts.next()?);
        Some(format!("/{list}/{}/{rest}", rows.get(list)?.get(n)?))
    };
    in_row().unwrap_or_else(|| format!("/{name}"))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

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
    fn an_object_in_which_nothing_is_typed_is_none_and_one_that_is_begun_is_whole() {
        let fields = ["limit.name", "limit.warm_c"].map(|name| Field::new(name, "", Input::Text));
        let mut sheet = Sheet::new("/places", "Save", fields.into());
        assert_eq!(sheet.body(&Rows::new()).unwrap(), json!({}));
        sheet.fields[0].value = "Fridge".into();
        assert_eq!(sheet.body(&Rows::new()).unwrap_err().faults[0].pointer, "/limit/warm_c");
        sheet.blame(&Refusal::field("/limit/warm_c", "Too warm.").into(), &Rows::new());
        assert_eq!(sheet.fields[1].wrong.as_deref(), Some("Too warm."));
        sheet.fields[1].value = "5".into();
        assert_eq!(sheet.body(&Rows::new()).unwrap(), json!({"limit": {"name": "Fridge", "warm_c": "5"}}));
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
