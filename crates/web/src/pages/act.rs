//! A page with the forms of some acts, and how one of them is taken.

use askama::Template;
use axum::response::{IntoResponse, Redirect, Response};
use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::idempotency::StoredResponse;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::{
    Html, Layout, rerender_form,
    sheet::{FormFields, Sheet},
};
use crate::{extract::KeyedForm, problem::Problem};

#[derive(Template)]
#[template(path = "act.html")]
pub(super) struct ActPage {
    pub head: Layout,
    pub title: String,
    /// What the act is about, in a line.
    pub about: String,
    /// What is known of it, line by line.
    pub details: Vec<(String, String)>,
    /// The forms, each with its heading.
    pub sheets: Vec<(String, Sheet)>,
    /// The same page of something else, such as of another day: address and words.
    pub choices: Vec<(String, String)>,
    /// What stands in their place where there is none.
    pub nothing: &'static str,
    /// Other ways on: address and words.
    pub links: Vec<(String, String)>,
    /// Whether it says what the phone has not sent yet.
    pub unsent: bool,
    /// Where the way back leads, and its words.
    pub back: (String, String),
}

impl ActPage {
    /// A page without a form as yet. `back` is an address and its words.
    pub(super) fn new(head: Layout, title: impl Into<String>, back: (&str, &str)) -> Self {
        Self {
            head,
            title: title.into(),
            about: String::new(),
            details: Vec::new(),
            sheets: Vec::new(),
            choices: Vec::new(),
            nothing: "",
            links: Vec::new(),
            unsent: false,
            back: (back.0.into(), back.1.into()),
        }
    }

    pub(super) fn about(mut self, about: impl Into<String>) -> Self {
        self.about = about.into();
        self
    }

    pub(super) fn detail(mut self, of: impl Into<String>, detail: impl Into<String>) -> Self {
        self.details.push((of.into(), detail.into()));
        self
    }

    pub(super) fn sheet(mut self, heading: impl Into<String>, sheet: Sheet) -> Self {
        self.sheets.push((heading.into(), sheet));
        self
    }

    /// What is said in place of forms that there are none of.
    pub(super) fn or_nothing(mut self, nothing: &'static str) -> Self {
        self.nothing = nothing;
        self
    }

    pub(super) fn link(mut self, address: impl Into<String>, words: impl Into<String>) -> Self {
        self.links.push((address.into(), words.into()));
        self
    }

    /// The page again with a form that was refused in the place of the one it was.
    pub(super) fn with_refused(mut self, refused: Sheet) -> Self {
        match self.sheets.iter_mut().find(|(_, sheet)| sheet.action == refused.action) {
            Some((_, sheet)) => *sheet = refused,
            None => self.sheets.push((String::new(), refused)),
        }
        self
    }

    /// The form that is sent to an address which ends so.
    pub(super) fn sheet_for(&self, action: &str) -> Result<Sheet, Problem> {
        let found = self.sheets.iter().map(|(_, sheet)| sheet).find(|sheet| sheet.action.ends_with(action));
        found.cloned().ok_or_else(|| {
            let nothing = if self.nothing.is_empty() { "This cannot be done now." } else { self.nothing };
            Refusal::new(RefusalKind::Closed, format!("{nothing} Open the page again.")).into()
        })
    }

    /// Takes the form that is sent to an address which ends in `action`: on to where the act is to be seen, or the page again with what is
    /// wrong beside its field.
    pub(super) async fn take<T: DeserializeOwned>(
        self,
        action: &str,
        form: &KeyedForm<FormFields>,
        act: impl AsyncFnOnce(T) -> Result<StoredResponse, Problem>,
        on: impl FnOnce(&Value) -> String,
    ) -> Result<Response, Problem> {
        let done = match &form.answered {
            Some(first) => Ok(first.clone()),
            None => self.sheet_for(action)?.submit(form, act).await,
        };
        Ok(answer(done, on, async |refused| Ok(self.with_refused(refused))).await)
    }
}

/// On to where the act is to be seen, or back to the page with the form that was refused.
pub(super) async fn answer<T: Template>(
    done: Result<StoredResponse, (Sheet, Problem)>,
    on: impl FnOnce(&Value) -> String,
    page: impl AsyncFnOnce(Sheet) -> Result<T, Problem>,
) -> Response {
    match done {
        Ok(stored) => Redirect::to(&on(&serde_json::from_str(&stored.body).unwrap_or_default())).into_response(),
        Err((sheet, problem)) => rerender_form(page(sheet).await, problem),
    }
}

/// The page as it is first seen.
pub(super) fn first(page: Result<ActPage, Problem>) -> Result<Html<ActPage>, Problem> {
    Ok(Html(page?))
}
