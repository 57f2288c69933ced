//! Weigh: is it down, and right?

use askama::Template;
use axum::extract::State;
use gillbook_core::{
    kinds::{CrateKind, PlaceKind},
    ledger::weighing::scale::MAX_GROSS,
};
use gillbook_store::Pagination;
use serde_json::json;

use super::{Html, Layout, full_time, zone_of};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

#[derive(Template)]
#[template(path = "weigh.html")]
pub(super) struct Weigh {
    head: Layout,
    /// What the form needs to know, as JSON that cannot end its script element.
    facts: String,
}

pub(super) async fn get_weigh(State(app): State<App>, who: Authenticated) -> Result<Html<Weigh>, Problem> {
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let crates = tx.crates(&Pagination { after: None, limit: 100 }).await?;
        let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
        let batches = tx.in_fruit().await?;
        let last = tx.weighings(true, &Pagination { after: None, limit: 20 }).await?;
        let facts = json!({
            "implied_decimals": farm.implied_decimals,
            "grades": farm.grades,
            "farm": farm.farm_id,
            "now": tx.now(),
            "now_shown": full_time(tx.now(), zone_of(&farm)),
            "by": who.actor.name,
            "max_gross_g": MAX_GROSS,
            "crates": crates.iter().filter(|c| c.kind == CrateKind::Crate).collect::<Vec<_>>(),
            "liners": crates.iter().filter(|c| c.kind == CrateKind::Liner).collect::<Vec<_>>(),
            "fridges": places.iter().filter(|p| p.kind == PlaceKind::Fridge).map(|p| json!({"place": p.place, "name": p.name})).collect::<Vec<_>>(),
            "last": last,
            "batches": batches.iter().map(|b| json!({
                "batch": b.batch, "strain": b.strain, "strain_name": b.strain_name, "standing": b.standing,
                "likely_flush": b.likely_flush, "due": b.due, "on_hold": b.on_hold,
            })).collect::<Vec<_>>(),
        });
        let facts = facts.to_string().replace('<', "\\u003c");
        Ok(Weigh { head: Layout::new(&farm, &who, "/weigh"), facts })
    })?;
    Ok(Html(view))
}
