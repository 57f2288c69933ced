//! What came back from a customer after the hand-over.

use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    selling::{
        delivery::NewReturn,
        docket::{DocketLine, DocketStatus},
    },
    text::DocketCode,
};

use super::{
    Html, Layout,
    act::{ActPage, first},
    exact_kg,
    sheet::{Field, FormFields, Input, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

async fn return_page(app: &App, who: &Authenticated, code: &DocketCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let docket = tx.docket(code).await?;
        let back = format!("/dockets/{code}");
        let page =
            ActPage::new(Layout::new(&farm, who, "/orders"), format!("Return of {code}"), (&back, farm.word("docket")))
                .about("It goes to waste: what left a customer's hands is never sold again.")
                .or_nothing("Nothing of it can come back: it was not handed over, or all came back already.");
        let kept: Vec<_> = docket.lines.iter().filter(|line| line.kept_g > Grams::ZERO).collect();
        if docket.status != DocketStatus::Delivered || kept.is_empty() {
            return Ok(page);
        }
        let row = |line: &DocketLine| {
            let name = |field: &str| format!("lines/{}/{field}", line.line);
            let label = format!("{}, {}: {} kg", line.product_name, line.lot, exact_kg(line.kept_g));
            [
                Field::hidden_whole(name("line"), line.line),
                Field::new(name("grams_g"), label, Input::Kilograms).beside(),
            ]
        };
        let mut fields: Vec<Field> = kept.into_iter().flat_map(row).collect();
        fields.push(Field::new("reason", "Why", Input::Text));
        Ok(page.sheet("", Sheet::new(format!("/dockets/{code}/return"), "Save the return", fields)))
    })
}

pub(super) async fn get_return(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
) -> Result<Html<ActPage>, Problem> {
    first(return_page(&app, &who, &code).await)
}

pub(super) async fn post_return(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewReturn| create_tx!(app, who, &form.once, |tx| tx.take_return(&code, &new).await);
    return_page(&app, &who, &code).await?.take("/return", &form, act, |_| format!("/dockets/{code}")).await
}
