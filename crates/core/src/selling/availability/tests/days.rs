//! What is told of a day, whatever there is.

use serde_json::json;

use super::*;

#[test]
fn a_closed_day_promises_nothing() {
    let mut some = facts(vec![lot(1, "OY", 1, 1000, 4)], Vec::new());
    some.closed_days.insert(day(1));
    let told = |facts: &PromiseFacts| {
        available_on(facts, &[day(0), day(1)])
            .days
            .into_iter()
            .map(|d| (d.no_delivery, d.products.len()))
            .collect::<Vec<_>>()
    };
    assert_eq!(told(&some), [(None, 2), (Some(NoDelivery::FarmClosed), 0)]);
    // Neither is a Monday.
    some.customer = Some(customer(json!({"delivery_days": ["monday"]})));
    assert_eq!(told(&some), [(Some(NoDelivery::NotTheirDay), 0), (Some(NoDelivery::FarmClosed), 0)]);
}

#[test]
fn the_price_is_that_of_the_day() {
    let mut some = facts(vec![lot(1, "OY", 1, 1000, 9)], Vec::new());
    let price_from = |from_g: i64, amount: Option<&str>, from: &str| {
        serde_json::from_value(
            json!({"price_list": "STD", "product": "OYSTER", "from_g": from_g, "amount": amount, "unit": "kg", "tax_included": false, "effective_from": from}),
        )
        .unwrap()
    };
    let price = |amount: &str, from: &str| price_from(0, Some(amount), from);
    some.prices = vec![
        price("14", "2026-04-01T00:00:00Z"),
        price("15", "2026-05-03T00:00:00Z"),
        price("13", "2026-03-01T00:00:00Z"),
    ];
    let told = available_on(&some, &[day(0), day(1), day(2)]).days;
    let prices: Vec<String> = told.iter().map(|d| d.products[0].price.unwrap().to_string()).collect();
    assert_eq!(prices, ["14", "14", "15"]);
    assert_eq!(told[0].products[1].price, None);
    // Who takes five kilograms pays less until the third, and the whole product is off the list from then on.
    some.prices
        .extend([price_from(5000, Some("12"), "2026-04-02T00:00:00Z"), price_from(5000, None, "2026-05-03T00:00:00Z")]);
    let told = available_on(&some, &[day(1), day(2)]).days;
    let breaks = told.iter().map(|d| d.products[0].breaks.iter().map(|b| (b.from_g.0, b.price.to_string())).collect());
    assert_eq!(breaks.collect::<Vec<Vec<_>>>(), [vec![(5000, "12".to_owned())], vec![]]);
    some.prices.push(price_from(0, None, "2026-05-03T12:00:00Z"));
    let told = available_on(&some, &[day(2), day(3)]).days;
    assert_eq!(
        told.iter().map(|d| d.products[0].price.map(|p| p.to_string())).collect::<Vec<_>>(),
        [Some("15".to_owned()), None]
    );
}
