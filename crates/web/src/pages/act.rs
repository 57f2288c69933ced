//! A page with the forms of one act, and what is common to them all.

use askama::Template;
use axum::response::{IntoResponse, Redirect, Response};
use gillbook_store::idempotency::StoredResponse;

use super::{Html, Layout, rerender_form, sheet::Sheet};
use crate::problem::Problem;

#[derive(Template)]
#[template(path = "act.html")]
pub(super) struct ActPage {
    pub head: Layout,
    pub title: String,
    /// What the act is about, in a line.
    pub about: String,
    /// The forms, each with its heading.
    pub sheets: Vec<(String, Sheet)>,
    /// What stands in their place where there is none.
    pub nothing: &'static str,
    /// Where the way back leads, and its words.
    pub back: (String, String),
}

impl ActPage {
    /// The page again with a form that was refused in the place of the empty one.
    pub(super) fn with_refused(mut self, refused: Option<Sheet>) -> Self {
        if let Some(refused) = refused {
            match self.sheets.iter_mut().find(|(_, sheet)| sheet.action == refused.action) {
                Some((_, sheet)) => *sheet = refused,
                None => self.sheets.push((String::new(), refused)),
            }
        }
        self
    }
}

/// On to where the act is to be seen, or back to the page with the form that was refused.
pub(super) async fn answer<T: Template>(
    done: Result<StoredResponse, (Sheet, Problem)>,
    on: impl FnOnce(&serde_json::Value) -> String,
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
