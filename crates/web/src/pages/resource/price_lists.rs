//! Price lists, and their prices in words.

use gillbook_core::{
    Grams,
    selling::product::{Price, PriceList},
};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use serde_json::Value;

use super::{
    super::{
        act::ActPage,
        full_time, price as price_of, round_kg,
        sheet::{Field, Input},
        zone_of,
    },
    Addable, Resource, answered,
};

pub(in crate::pages) struct PriceLists;

impl Resource for PriceLists {
    const PATH: &'static str = "/price-lists";
    const TITLE: &'static str = "Price lists";
    const ADD: &'static str = "Add a price list";
    const CODE: &'static str = "price_list";
    const SETTLED: &'static [&'static str] = &["price_list"];
    type Item = PriceList;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<PriceList>> {
        tx.price_lists(page).await
    }

    fn code(list: &PriceList) -> String {
        list.price_list.to_string()
    }

    fn line(list: &PriceList) -> (String, String) {
        (list.name.to_string(), list.price_list.to_string())
    }

    async fn fields(_: &mut Tx, farm: &Farm) -> StoreResult<Vec<Field>> {
        Ok(vec![
            Field::new("name", "Name", Input::Text),
            Field::new("price_list", "Code", Input::Code).hint("such as TRADE"),
            Field::new("tax_included", format!("Its prices have {} in them", farm.tax_name), Input::Tick)
                .hint("for good; an invoice may be some cents beside them"),
        ])
    }

    async fn more(tx: &mut Tx, farm: &Farm, list: &PriceList, page: ActPage) -> StoreResult<ActPage> {
        let with = if list.tax_included { "with" } else { "without" };
        let page = page.detail("Prices", format!("{with} {}", farm.tax_name));
        let prices = tx.prices().await?.into_iter().filter(|price| price.price_list == list.price_list);
        let shown = prices.fold(page, |page, price| page.detail(price.product.to_string(), price_words(&price, farm)));
        let coming = tx.coming_prices().await?.into_iter().filter(|price| price.price_list == list.price_list);
        let shown = coming
            .fold(shown, |page, price| page.detail(format!("{}, to come", price.product), from_then_on(&price, farm)));
        Ok(shown.link("/products", "Prices are set on a product's page"))
    }
}

/// A price that begins later, as it is told.
pub(super) fn from_then_on(price: &Price, farm: &Farm) -> String {
    format!("{}, from {}", price_words(price, farm), full_time(price.effective_from.0, zone_of(farm)))
}

/// A price as it is told: what it is, for what, and for how much of it.
pub(super) fn price_words(price: &Price, farm: &Farm) -> String {
    let of = price
        .amount
        .map_or_else(|| "off the list".to_owned(), |amount| format!("{} a {}", price_of(amount, farm), price.unit));
    if price.from_g == Grams::ZERO { of } else { format!("{of} for {} kg or more", round_kg(price.from_g)) }
}

impl Addable for PriceLists {
    type New = PriceList;

    async fn add(tx: &mut Tx, new: &PriceList) -> StoreResult<Value> {
        tx.add_price_list(new).await?;
        Ok(answered(new))
    }
}
