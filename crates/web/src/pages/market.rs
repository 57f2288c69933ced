//! Market days: what goes to the stall, and what came of it.

use std::cmp::Ordering;

use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    kinds::{CustomerKind, MarketDayStatus, PlaceKind},
    selling::{
        market::{MarketClose, MarketDay, NewMarketDay},
        tally::Tally,
    },
    text::MarketDayCode,
};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use rust_decimal::Decimal;
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
            let there: Grams = tx.stock(None, Some(&day.stall)).await?.iter().map(|row| row.grams_g).sum();
            page = page
                .detail("At the stall", format!("{} kg, before what was sold", kg(there)))
                .detail("Tallied so far", tallied(&day.tally, farm));
            if page.head.may("GET", "/stall") {
                page = page.link("/stall", "Sell at the stall");
                page.unsent = true;
            }
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
            let counted = [
                ("In the box at the start", Some(day.float_amount)),
                ("In the box at the end", day.cash),
                ("By card", day.card),
                ("Takings", Some(takings)),
                ("Fee of the stall", day.fee),
            ];
            for (what, amount) in counted.into_iter().filter_map(|(what, amount)| Some((what, amount?))) {
                page = page.detail(what, format!("{amount} {}", farm.currency));
            }
            page = with_differences(page, day, farm);
        }
        Ok(match day.close_act {
            Some(act) => page.link(format!("/acts/{act}"), "The entry that cashed it up"),
            None => page,
        }
        .link(format!("/acts/{}", day.out_act), "The entry that took goods there"))
    }
}

fn tallied(tally: &Tally, farm: &Farm) -> String {
    if tally.sales == 0 {
        return "nothing".into();
    }
    let sales = if tally.sales == 1 { "1 sale".into() } else { format!("{} sales", tally.sales) };
    let (sold, currency) = (kg(tally.grams_g), &farm.currency);
    format!("{sales}, {sold} kg, {} {currency} in cash, {} {currency} by card", tally.cash, tally.card)
}

/// What was in the box and on the cards beside the tally, what of the goods nobody tallied, and why.
fn with_differences(mut page: ActPage, day: &MarketDay, farm: &Farm) -> ActPage {
    let Some((cash, card)) = day.cash_difference.zip(day.card_difference) else { return page };
    page = page.detail("By the tally", tallied(&day.tally, farm));
    if day.tally.cash_rounding != Decimal::ZERO {
        page = page.detail("Rounding of cash", format!("{} {}", day.tally.cash_rounding, farm.currency));
    }
    for (what, amount) in [("Cash beside the tally", cash), ("Card beside the tally", card)] {
        let beside = match amount.cmp(&Decimal::ZERO) {
            Ordering::Less => format!("{} {} short", -amount, farm.currency),
            Ordering::Equal => "right".into(),
            Ordering::Greater => format!("{amount} {} over", farm.currency),
        };
        page = page.detail(what, beside);
    }
    let sold: Grams = day.sold.iter().map(|s| s.grams_g).sum();
    if sold != day.tally.grams_g {
        page = page.detail("Sold and tallied", format!("{} kg sold, {} kg tallied", kg(sold), kg(day.tally.grams_g)));
    }
    match day.difference_reason.as_deref() {
        Some(reason) if !reason.is_empty() => page.detail("Why", reason),
        _ => page,
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
    let tally = &day.tally;
    let by_tally = |amount: Decimal| {
        if tally.sales == 0 { String::new() } else { format!("by the tally {amount} {}", farm.currency) }
    };
    let first = stores.first().map_or_else(String::new, |(code, _)| code.clone());
    fields.extend([
        Field::new("back_place", "What is brought back goes to", Input::Touch).with(first).of(stores),
        money("cash", "Money in the box at the end, with what was in it at the start")
            .hint(by_tally(day.float_amount + tally.cash)),
        money("card", "Taken by card").hint(by_tally(tally.card)).with(if tally.sales == 0 { "0" } else { "" }),
    ]);
    if tally.sales > 0 {
        let why = "Why it is short or over";
        let reasons = "such as wrong change, a sale that was not tallied";
        fields.extend([
            Field::hidden("tallied_cash", tally.cash.to_string()),
            Field::hidden("tallied_card", tally.card.to_string()),
            Field::new("difference_reason", why, Input::Text).hint(reasons).optional(),
        ]);
    }
    fields.push(money("fee", "Fee of the stall").with("0"));
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
    // What the page showed when the box was counted, and not what it would show by now.
    let shown =
        |name: &str| form.form.iter().find(|(field, _)| field == name).and_then(|(_, value)| value.parse().ok());
    let act = async |mut new: MarketClose| {
        (new.tallied_cash, new.tallied_card) = (shown("tallied_cash"), shown("tallied_card"));
        create_tx!(app, who, &form.once, |tx| tx.close_market_day(&code, &new).await)
    };
    page.take("/close", &form, act, |_| format!("/market-days/{code}")).await
}
