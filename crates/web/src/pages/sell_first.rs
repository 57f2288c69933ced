//! Sell first: what is likely left over when its days are over, and what can still be done about it.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::State;
use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    kinds::{RiskReason, WayKind},
    selling::ways_to_sell::WayToSell,
    text::StrainCode,
};
use gillbook_store::{
    farm::farms::Farm,
    reports::risk::{RiskRow, RiskTaken, ShelfLife},
};

use rust_decimal::Decimal;

use super::{ALL, Html, Layout, full_day, kg, price, short_day};
use crate::{App, access::sees_prices, auth::Authenticated, problem::Problem, read_tx};

/// Names of strains.
type Names = BTreeMap<StrainCode, String>;

#[derive(Template)]
#[template(path = "sell_first.html")]
pub(super) struct SellFirst {
    head: Layout,
    total: String,
    basis: String,
    strains: Vec<StrainLeft>,
    /// Lots on hold: nothing of them is sold before that is decided.
    held: Vec<LotLeft>,
    caution: String,
}

struct StrainLeft {
    name: String,
    kg: String,
    money: Option<String>,
    lots: Vec<LotLeft>,
    ways: Vec<WayLine>,
}

struct LotLeft {
    lot: String,
    kg: String,
    when: String,
    /// Of how much, and from the best of the weeks to the worst, where they differ.
    of: String,
    /// Why no order takes it, where more is to be said than that nobody has ordered it.
    why: String,
    remedy: String,
    /// What is left by week: the week and kilograms. Nothing where all are alike.
    weeks: Vec<(String, String)>,
    taken: Vec<TakenLine>,
}

struct WayLine {
    /// Where it is done; none where it is done away from the book.
    address: Option<String>,
    text: String,
}

struct TakenLine {
    order: Option<String>,
    text: String,
    kg: String,
}

/// What must be sold first, with money for who may see prices.
pub(crate) async fn shelf_life(app: &App, who: &Authenticated) -> Result<(Farm, ShelfLife), Problem> {
    let (farm, told) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.shelf_life().await?)))?;
    Ok((farm, if sees_prices(who.standing) { told } else { told.without_money() }))
}

/// What the figures are worked out by.
fn basis(weeks: usize) -> String {
    match i64::try_from(weeks).unwrap_or(i64::MAX) {
        0 => "has no order. What usually sells is not known yet: that takes a week of sales.".into(),
        1 => "is likely to be left over, by the orders and by what sold on the same days of last week.".into(),
        n => {
            format!("is likely to be left over, by the orders and by what sold on the same days of the last {n} weeks.")
        }
    }
}

fn way(way: &WayToSell, farm: &Farm, head: &Layout) -> WayLine {
    let brings = way.money.map_or_else(String::new, |money| format!(", about {}", price(money, farm)));
    let grams = kg(way.grams_g);
    match (way.way, &way.customer, way.day) {
        (WayKind::Ask, Some(customer), _) => WayLine {
            address: head.may("GET", "/orders/new").then(|| format!("/orders/new?customer={customer}")),
            text: format!("Ask {}: {grams} kg{brings}", way.customer_name.as_deref().unwrap_or(customer.as_str())),
        },
        (WayKind::Market, _, Some(day)) => {
            let text = format!("More than usual to the market on {}: {grams} kg{brings}", full_day(day));
            WayLine { address: None, text }
        }
        _ => WayLine { address: None, text: format!("Dry it: {grams} kg") },
    }
}

fn taken(taken: &RiskTaken) -> TakenLine {
    let (name, day) = (&taken.customer_name, full_day(taken.day));
    let text = match taken.sold_on {
        None => format!("{name}, {day}"),
        Some(sold_on) => format!("{name}, {day}: as on {}, not ordered", short_day(sold_on)),
    };
    TakenLine { order: taken.order.as_ref().map(ToString::to_string), text, kg: kg(taken.grams_g) }
}

fn lot(row: &RiskRow, told: &ShelfLife) -> LotLeft {
    let weeks = told.weeks.iter().zip(&row.left_by_week).filter(|_| row.low_g != row.high_g);
    let week = |(day, left): (&NaiveDate, &Grams)| {
        (format!("{} to {}", short_day(*day), short_day(*day + Days::new(6))), kg(*left))
    };
    let range = match (row.low_g, row.high_g) {
        (low, high) if low == high => String::new(),
        (low, high) => format!(", {} to {} kg by the weeks", kg(low), kg(high)),
    };
    LotLeft {
        lot: row.lot.to_string(),
        kg: kg(row.at_risk_g),
        when: match row.when.as_ref() {
            "later" => short_day(row.last_day),
            "past its day" => format!("past {}", short_day(row.last_day)),
            when => when.to_owned(),
        },
        of: format!("Of {} kg in {}{range}.", kg(row.stock_g), row.place),
        why: if row.reason == RiskReason::NotOrdered { String::new() } else { row.why.clone() },
        // What is for later is dealt with by the list above.
        remedy: if row.when == "later" { String::new() } else { row.remedy.clone() },
        weeks: weeks.map(week).collect(),
        taken: row.taken.iter().map(taken).collect(),
    }
}

/// The strains with anything at risk, what must go first before the others.
fn by_strain(rows: &[&RiskRow], told: &ShelfLife, farm: &Farm, head: &Layout, names: &Names) -> Vec<StrainLeft> {
    let mut strains: Vec<&StrainCode> = Vec::new();
    for row in rows {
        if !strains.contains(&&row.strain) {
            strains.push(&row.strain);
        }
    }
    let of = |strain: &StrainCode| {
        let rows: Vec<&RiskRow> = rows.iter().copied().filter(|row| row.strain == *strain).collect();
        let money: Option<Decimal> = rows.iter().map(|row| row.money).sum();
        StrainLeft {
            name: names.get(strain).cloned().unwrap_or_else(|| strain.to_string()),
            kg: kg(rows.iter().map(|row| row.at_risk_g).sum()),
            money: money.map(|money| price(money, farm)),
            lots: rows.into_iter().map(|row| lot(row, told)).collect(),
            ways: told.ways.iter().filter(|w| w.strain == *strain).map(|w| way(w, farm, head)).collect(),
        }
    };
    strains.into_iter().map(of).collect()
}

pub(super) async fn get_sell_first(State(app): State<App>, who: Authenticated) -> Result<Html<SellFirst>, Problem> {
    app.refresh_before_read(&who).await?;
    let (farm, told) = shelf_life(&app, &who).await?;
    let strains = read_tx!(app, who, |tx| tx.strains(&ALL).await)?;
    let names: Names = strains.into_iter().map(|s| (s.strain, s.name.clone())).collect();
    let head = Layout::new(&farm, &who, "/stock");
    let (held, for_sale): (Vec<&RiskRow>, Vec<&RiskRow>) = told.lots.iter().partition(|row| row.on_hold);
    Ok(Html(SellFirst {
        total: kg(for_sale.iter().map(|row| row.at_risk_g).sum()),
        basis: basis(told.weeks.len()),
        strains: by_strain(&for_sale, &told, &farm, &head, &names),
        held: held.into_iter().map(|row| lot(row, &told)).collect(),
        caution: told.caution.to_string(),
        head,
    }))
}
