//! An order is sent out from its page.

use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use gillbook_core::{
    refusal::Refusal,
    selling::dispatch::NewDocket,
    text::{OrderCode, PlaceCode, Text},
};
use serde::Deserialize;

use super::{orders::order_page, rerender_form};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
};

#[derive(Debug, Deserialize)]
pub(super) struct DispatchForm {
    van: Option<String>,
    #[serde(default)]
    short_because: String,
}

pub(super) async fn post_dispatch(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    KeyedForm { form, once, .. }: KeyedForm<DispatchForm>,
) -> Response {
    let named = form.van.filter(|v| !v.trim().is_empty());
    let Ok(van) = named.map(|van| van.parse::<PlaceCode>()).transpose() else {
        let problem = Problem::from(Refusal::field("/van", "Choose the van from the list."));
        return rerender_form(order_page(&app, &who, &code, Some(problem.on_form().to_owned())).await, problem);
    };
    let Ok(short_because) = Text::new(&form.short_because) else {
        let problem = Problem::from(Refusal::field("/short_because", "Say why it is short in at most 200 letters."));
        return rerender_form(order_page(&app, &who, &code, Some(problem.on_form().to_owned())).await, problem);
    };
    if let Err(problem) = app.refresh_before_read(&who).await {
        return problem.into_response();
    }
    // The page says which lines are short beside the button, so pressing it says so.
    let new =
        NewDocket { id: None, order: code.clone(), van, short: true, short_because, dispatched_at: None, by: None };
    match create_tx!(app, who, &once, |tx| tx.dispatch(&new).await) {
        Ok(answer) => {
            let docket = serde_json::from_str::<serde_json::Value>(&answer.body)
                .ok()
                .and_then(|d| d["docket"].as_str().map(str::to_owned));
            Redirect::to(&docket.map_or_else(|| "/orders".into(), |d| format!("/dockets/{d}"))).into_response()
        }
        Err(problem) => rerender_form(order_page(&app, &who, &code, Some(problem.on_form().to_owned())).await, problem),
    }
}
