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
    let shown = |told: &[AvailableDay]| -> Vec<Vec<(i64, String)>> {
        told.iter().map(|d| d.products[0].prices.iter().map(|p| (p.from_g.0, p.amount.to_string())).collect()).collect()
    };
    let one = |amount: &str| vec![(0, amount.to_owned())];
    assert_eq!(shown(&told), [one("14"), one("14"), one("15")]);
    assert!(told[0].products[1].prices.is_empty());
    // Who takes five kilograms pays less until the third, and the whole product is off the list from noon of then.
    some.prices
        .extend([price_from(5000, Some("12"), "2026-04-02T00:00:00Z"), price_from(5000, None, "2026-05-03T00:00:00Z")]);
    let told = available_on(&some, &[day(1), day(2)]).days;
    assert_eq!(shown(&told), [vec![(0, "14".to_owned()), (5000, "12".to_owned())], one("15")]);
    some.prices.push(price_from(3000, Some("14.5"), "2026-05-02T00:00:00Z"));
    some.prices.push(price_from(0, None, "2026-05-03T12:00:00Z"));
    assert_eq!(shown(&available_on(&some, &[day(3)]).days), [vec![]], "it ends the prices of every weight");
    some.prices.push(price_from(2000, Some("13.5"), "2026-05-03T18:00:00Z"));
    assert_eq!(shown(&available_on(&some, &[day(3)]).days), [vec![(2000, "13.5".to_owned())]]);
}
