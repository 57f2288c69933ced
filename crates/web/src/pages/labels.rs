//! Labels of a lot: what is stuck on a crate or a punnet.

use askama::Template;
use axum::{
    extract::State,
    http::StatusCode,
    response::{IntoResponse, Response},
};
use gillbook_core::{
    kinds::LabelLayout,
    refusal::Refusal,
    selling::{
        label::{ElementString, LabelQuery, LabelledLot, MAX_LABELS, fits, net_weight},
        product::Product,
    },
    text::LotCode,
};
use gillbook_documents::label as paper;
use gillbook_store::farm::farms::Farm;
use serde::Deserialize;

use super::{ALL, Html, Layout, date, exact_kg, full_day, sheet::grams};
use crate::{
    App,
    auth::Authenticated,
    documents::set,
    extract::{PathParam, Query},
    problem::Problem,
    read_tx,
    respond::Document,
};

/// What the form of the page asks for, as it was typed.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct LabelParams {
    #[serde(default)]
    product: String,
    /// Kilograms.
    #[serde(default)]
    kg: String,
    #[serde(default)]
    copies: String,
    /// Nothing where the form was not sent yet.
    layout: Option<LabelLayout>,
}

impl LabelParams {
    fn query(&self) -> Result<LabelQuery, Refusal> {
        let typed = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let product = typed(&self.product).map(|code| code.parse()).transpose();
        let net_g = typed(&self.kg).map(|kg| {
            grams(&kg)
                .ok_or_else(|| Refusal::field("net_g", "Type kilograms with at most three decimals, such as 1.25."))
        });
        let copies = typed(&self.copies)
            .map(|copies| copies.parse().map_err(|_| Refusal::field("copies", "Type how many labels, such as 4.")));
        Ok(LabelQuery {
            product: product.map_err(|wrong: String| Refusal::field("product", wrong))?,
            net_g: net_g.transpose()?,
            copies: copies.transpose()?,
            layout: self.layout,
        })
    }
}

#[derive(Template)]
#[template(path = "labels.html")]
struct LabelsPage {
    head: Layout,
    lot: LotCode,
    about: String,
    /// What it may be sold as: code, name, whether it is chosen.
    products: Vec<(String, String, bool)>,
    /// Whether a product of these has a GTIN.
    has_gtin: bool,
    kg: String,
    copies: String,
    on_sheet: bool,
    max: u16,
    wrong: Option<String>,
}

/// As much of a text as a label has room for.
fn shortened(text: &str, max: usize) -> String {
    if text.chars().count() <= max {
        return text.to_owned();
    }
    let kept: String = text.chars().take(max - 1).collect();
    format!("{}…", kept.trim_end())
}

fn labels(
    of: &LabelledLot,
    product: Option<&Product>,
    asked: &LabelQuery,
    farm: &Farm,
) -> Result<paper::Labels, Problem> {
    let copies = asked.copies()?;
    let net = net_weight(of, product, asked.net_g)?;
    let gtin = product.and_then(|p| p.gtin.as_ref());
    Ok(paper::Labels {
        layout: asked.layout.unwrap_or(LabelLayout::Roll),
        copies,
        name: shortened(product.map_or(&of.strain_name, |p| &p.name), 60),
        grade: shortened(&of.grade_name, 30),
        net: net.map_or_else(String::new, exact_kg),
        lot: of.lot.to_string(),
        harvested: date(of.harvest_day),
        best_before: of.best_before.map_or_else(String::new, date),
        storage: shortened(&farm.storage_line, 80),
        farm: shortened(&farm.name, 60),
        farm_address: shortened(&farm.letterhead().replace('\n', ", "), 100),
        elements: gtin.map(|gtin| ElementString::of(of, gtin, net)),
    })
}

/// The labels of a lot as PDF.
///
/// # Errors
/// Refuses a lot or a product that is not there, and what a label cannot say.
pub(crate) async fn label_pdf(
    app: &App,
    who: &Authenticated,
    lot: &LotCode,
    asked: &LabelQuery,
) -> Result<Document, Problem> {
    let (farm, of, product) = read_tx!(app, who, |tx| {
        let product = match &asked.product {
            Some(code) => Some(tx.product(code).await?),
            None => None,
        };
        Ok((tx.farm().await?, tx.labelled_lot(lot).await?, product))
    })?;
    let sheet = labels(&of, product.as_ref(), asked, &farm)?;
    let bytes = set(move || sheet.pdf()).await?;
    Ok(Document { kind: "application/pdf", name: format!("label-{lot}.pdf"), bytes })
}

async fn labels_page(
    app: &App,
    who: &Authenticated,
    lot: &LotCode,
    asked: &LabelParams,
    wrong: Option<String>,
) -> Result<Html<LabelsPage>, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let of = tx.labelled_lot(lot).await?;
        let products: Vec<Product> = tx.products(&ALL).await?.into_iter().filter(|p| fits(&of, p)).collect();
        let is_chosen =
            |p: &Product| p.product.as_str() == asked.product || (products.len() == 1 && asked.layout.is_none());
        Ok(Html(LabelsPage {
            head: Layout::new(&farm, who, "/stock"),
            lot: lot.clone(),
            about: format!("{}, {}, harvested {}.", of.strain_name, of.grade_name, full_day(of.harvest_day)),
            has_gtin: products.iter().any(|p| p.gtin.is_some()),
            products: products.iter().map(|p| (p.product.to_string(), p.name.clone(), is_chosen(p))).collect(),
            kg: asked.kg.clone(),
            copies: if asked.copies.is_empty() { "1".into() } else { asked.copies.clone() },
            on_sheet: asked.layout == Some(LabelLayout::Sheet),
            max: MAX_LABELS,
            wrong: wrong.clone(),
        }))
    })
}

/// The form, or the labels where it was filled in.
pub(super) async fn get_labels(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
    Query(asked): Query<LabelParams>,
) -> Result<Response, Problem> {
    if asked.layout.is_none() {
        return Ok(labels_page(&app, &who, &lot, &asked, None).await?.into_response());
    }
    let made = async { label_pdf(&app, &who, &lot, &asked.query()?).await };
    match made.await {
        Ok(document) => Ok(document.into_response()),
        Err(problem) if problem.status() == StatusCode::UNPROCESSABLE_ENTITY => {
            let page = labels_page(&app, &who, &lot, &asked, Some(problem.on_form().to_owned())).await?;
            Ok((problem.status(), page).into_response())
        }
        Err(problem) => Err(problem),
    }
}
