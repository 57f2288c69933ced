//! Stall: what people buy, tallied as it is sold.

use askama::Template;
use axum::extract::State;
use gillbook_core::{
    selling::tally::{MAX_LINE_GRAMS, MAX_PACKS, MAX_SALE_LINES},
    units::money::CurrencyRules,
};
use gillbook_store::{Pagination, Result as StoreResult, Tx};
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::{Html, Layout, full_day, full_time, zone_of};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

/// How many of the last sales are shown.
const LAST_SALES: i64 = 50;

#[derive(Template)]
#[template(path = "stall.html")]
pub(super) struct Stall {
    head: Layout,
    currency: String,
    /// What the form needs to know, as JSON that cannot end its script element.
    facts: String,
}

pub(super) async fn get_stall(State(app): State<App>, who: Authenticated) -> Result<Html<Stall>, Problem> {
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let coinage = tx.farm_settings().await?.coinage;
        let days = open_days(tx, coinage).await?;
        let facts = json!({
            "farm": farm.farm_id,
            "now": tx.now(),
            "now_shown": full_time(tx.now(), zone_of(&farm)),
            "by": who.actor.name,
            "currency": farm.currency,
            "places": coinage.places(),
            "rounding": farm.rounding,
            "cash_step": coins(farm.cash_step, coinage),
            "max_lines": MAX_SALE_LINES,
            "max_packs": MAX_PACKS,
            "max_grams": MAX_LINE_GRAMS,
            "days": days,
        });
        let facts = facts.to_string().replace('<', "\\u003c");
        Ok(Stall { head: Layout::new(&farm, &who, "/stall"), currency: farm.currency.clone(), facts })
    })?;
    Ok(Html(view))
}

/// The market days whose stalls are out, each with what it offers and what it sold.
async fn open_days(tx: &mut Tx, coinage: CurrencyRules) -> StoreResult<Vec<Value>> {
    let places = tx.places(&super::ALL).await?;
    let mut days = Vec::new();
    for day in tx.open_market_days().await? {
        let stall = places.iter().find(|p| p.place == day.stall).map_or(day.stall.as_str(), |p| p.name.as_str());
        let offers = tx.stall_offers(&day).await?;
        let offers = offers.iter().map(|o| {
            json!({"product": o.product, "name": o.name, "pack_g": o.pack_g, "price": o.price.map(|p| coins(p, coinage)), "there_g": o.there_g})
        });
        let last = tx.tally_sales(&day.market_day, &Pagination { after: None, limit: LAST_SALES }).await?;
        let tally = &day.tally;
        let products = tally.products.iter().map(
            |p| json!({"product": p.product, "packs": p.packs, "grams": p.grams_g, "amount": coins(p.amount, coinage)}),
        );
        days.push(json!({
            "market_day": day.market_day, "shown": format!("{stall}, {}", full_day(day.day)), "offers": offers.collect::<Vec<_>>(),
            "tally": {
                "cash": coins(tally.cash, coinage), "card": coins(tally.card, coinage),
                "products": products.collect::<Vec<_>>(),
            },
            "last": last,
        }));
    }
    Ok(days)
}

/// An amount in the currency's smallest unit: a whole number, which a script multiplies without loss.
fn coins(amount: Decimal, coinage: CurrencyRules) -> i64 {
    let mut amount = coinage.round(amount);
    amount.rescale(coinage.places());
    i64::try_from(amount.mantissa()).unwrap_or(i64::MAX)
}
