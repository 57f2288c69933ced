//! Market days: what goes to the stall, and what came of it.

use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    kinds::{CustomerKind, MarketDayStatus, PlaceKind},
    selling::market::{MarketClose, MarketDay, NewMarketDay},
    text::MarketDayCode,
};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use serde_json::Value;

use super::{
    ALL,
    act::ActPage,
    exact_kg, full_day, kg,
    resource::{Resource, choice, item_page, new_page},
    sheet::{Field, FormFields, Input, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
};

pub(super) struct MarketDays;

impl Resource for MarketDays {
    const PATH: &'static str = "/market-days";
    const TITLE: &'static str = "Market days";
    const ADD: &'static str = "Load for the market";
    const CODE: &'static str = "market_day";
    const SETTLED: &'static [&'static str] = &[];
    type Item = MarketDay;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<MarketDay>> {
        tx.market_days(page).await
    }

    fn code(day: &MarketDay) -> String {
        day.market_day.to_string()
    }

    fn line(day: &MarketDay) -> (String, String) {
        let status = match day.status {
            MarketDayStatus::Open => "not cashed up yet",
            MarketDayStatus::Closed => "cashed up",
        };
        (full_day(day.day), format!("{}, {}, {status}", day.market_day, day.stall))
    }

    async fn fields(tx: &mut Tx, farm: &Farm) -> StoreResult<Vec<Field>> {
        let places = tx.places(&ALL).await?;
        let stalls: Vec<_> =
            places.iter().filter(|p| p.kind == PlaceKind::Stall).map(|p| choice(&p.place, &p.name)).collect();
        let customers = tx.customers(&ALL).await?.into_iter().filter(|c| c.kind == CustomerKind::Market);
        let customers: Vec<_> = customers.map(|c| choice(&c.customer, &c.name)).collect();
        let only = |choices: &[(String, String)]| match choices {
            [(code, _)] => code.clone(),
            _ => String::new(),
        };
        let missing = |choices: &[(String, String)], remedy: &'static str| if choices.is_empty() { remedy } else { "" };
        let mut fields = vec![
            Field::new("stall", "Stall", Input::Touch)
                .hint(missing(&stalls, "Add a market stall first, under Settings."))
                .with(only(&stalls))
                .of(stalls),
            Field::new("customer", "Sold to", Input::Touch)
                .hint(missing(
                    &customers,
                    "Add a customer first of the kind “People at a market stall”, under Settings.",
                ))
                .with(only(&customers))
                .of(customers),
            Field::new("day", "Day", Input::Day).hint("today where empty").optional(),
            Field::new("float_amount", format!("Money in the box at the start, {}", farm.currency), Input::Amount)
                .with("0"),
        ];
        let stock = tx.stock(None, None).await?;
        for row in stock.iter().filter(|row| row.place_kind.sells() && !row.on_hold && row.free_g > Grams::ZERO) {
            let name = |field: &str| format!("taken/{}@{}/{field}", row.lot, row.place);
            let label = format!("{}, {}: {} kg free", row.lot, row.place, exact_kg(row.free_g));
            fields.extend([
                Field::hidden(name("lot"), row.lot.to_string()),
                Field::hidden(name("place"), row.place.to_string()),
                Field::new(name("grams_g"), label, Input::Kilograms).beside(),
            ]);
        }
        Ok(fields)
    }

    async fn more(tx: &mut Tx, farm: &Farm, day: &MarketDay, mut page: ActPage) -> StoreResult<ActPage> {
        page = page.detail("Stall", day.stall.to_string()).detail("Code", day.market_day.to_string());
        if day.status == MarketDayStatus::Open {
            return if page.head.may("POST", "/market-days/{market_day}/close") {
                let sheet = closing(tx, farm, day).await?;
                Ok(page.sheet("Cash up: what is not brought back, thrown away or tasted was sold", sheet))
            } else {
                Ok(page)
            };
        }
        let money = page.head.may("GET", "/week");
        for sale in &day.sold {
            let shown = format!("{} kg sold", kg(sale.grams_g));
            let amount = if money { format!(", {} {}", sale.amount, farm.currency) } else { String::new() };
            page = page.detail(sale.lot.to_string(), shown + &amount);
        }
        if let Some(takings) = day.takings.filter(|_| money) {
            page = page.detail("Takings", format!("{takings} {}", farm.currency));
        }
        Ok(match day.close_act {
            Some(act) => page.link(format!("/acts/{act}"), "The entry that cashed it up"),
            None => page,
        }
        .link(format!("/acts/{}", day.out_act), "The entry that took goods there"))
    }
}

/// What came of the lots that are at the stall.
async fn closing(tx: &mut Tx, farm: &Farm, day: &MarketDay) -> StoreResult<Sheet> {
    let stores = tx.places(&ALL).await?.into_iter().filter(|p| p.kind.sells());
    let stores: Vec<_> = stores.map(|p| choice(&p.place, &p.name)).collect();
    let mut fields = Vec::new();
    for row in tx.stock(None, Some(&day.stall)).await? {
        let name = |field: &str| format!("lots/{}/{field}", row.lot);
        fields.extend([
            Field::hidden(name("lot"), row.lot.to_string()),
            Field::new(
                name("back_g"),
                format!("{}, {} kg: brought back, kg", row.lot, exact_kg(row.grams_g)),
                Input::Kilograms,
            )
            .optional()
            .beside(),
            Field::new(name("wasted_g"), "thrown away, kg", Input::Kilograms).optional().beside(),
            Field::new(name("tasted_g"), "tasted, kg", Input::Kilograms).optional().beside(),
        ]);
    }
    let money = |name: &str, label: &str| Field::new(name, format!("{label}, {}", farm.currency), Input::Amount);
    let first = stores.first().map_or_else(String::new, |(code, _)| code.clone());
    fields.extend([
        Field::new("back_place", "What is brought back goes to", Input::Touch).with(first).of(stores),
        money("cash", "Money in the box at the end, with what was in it at the start"),
        money("card", "Taken by card").with("0"),
        money("fee", "Fee of the stall").with("0"),
    ]);
    Ok(Sheet::new(format!("/market-days/{}/close", day.market_day), "Cash up", fields))
}

pub(super) async fn post_market_day(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    app.refresh_before_read(&who).await?;
    let on = |day: &Value| day["market_day"].as_str().map_or(MarketDays::PATH.into(), |d| format!("/market-days/{d}"));
    let act = async |new: NewMarketDay| create_tx!(app, who, &form.once, |tx| tx.open_market_day(&new).await);
    new_page::<MarketDays>(&app, &who).await?.take(MarketDays::PATH, &form, act, on).await
}

pub(super) async fn post_close(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<MarketDayCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    app.refresh_before_read(&who).await?;
    let (page, _) = item_page::<MarketDays>(&app, &who, &code.to_string()).await?;
    let act = async |new: MarketClose| create_tx!(app, who, &form.once, |tx| tx.close_market_day(&code, &new).await);
    page.take("/close", &form, act, |_| format!("/market-days/{code}")).await
}
