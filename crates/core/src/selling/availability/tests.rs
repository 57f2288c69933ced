mod days;

use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::selling::{
    allocation::{AvailableLot, Taken},
    examples::{customer, product},
    order::Order,
    promise::promise,
};

fn day(n: u64) -> NaiveDate {
    crate::selling::examples::day(1) + Days::new(n)
}

fn lot(n: u32, strain: &str, grade_rank: i32, grams: i64, keeps_until: u64) -> Stock {
    let goods = Goods { strain: strain.parse().unwrap(), grade_rank, form: Form::Fresh, packaging: Packaging::Open };
    Stock {
        candidate: AvailableLot {
            lot: format!("L{n}").parse().unwrap(),
            place: "F1".parse().unwrap(),
            free: Grams(grams),
            expires_on: day(keeps_until),
            harvest_day: day(0),
            goods,
        },
        best_before: day(keeps_until),
        own_best_before: Some(day(keeps_until)),
        life_ends: None,
        on_hold: false,
    }
}

fn coming(strain: &str, grade_rank: i32, grams: i64, ready: u64, keeps_until: u64) -> Coming {
    Coming {
        goods: Goods { strain: strain.parse().unwrap(), grade_rank, form: Form::Fresh, packaging: Packaging::Open },
        grams: Grams(grams),
        harvest_day: day(ready) - Days::new(1),
        ready_on: day(ready),
        best_before: day(keeps_until),
    }
}

fn ordered(least_rank: i32, grams: i64, on: u64) -> Demand {
    Demand {
        need: Need {
            strains: vec!["OY".parse().unwrap()],
            least_rank,
            form: Form::Fresh,
            packaging: None,
            keeps: None,
        },
        wish: LineDemand { grams: Grams(grams), pack: None, delivery_day: day(on), least_days: 0, freshest: false },
        set_aside: Vec::new(),
    }
}

fn facts(stock: Vec<Stock>, demand: Vec<Demand>) -> PromiseFacts {
    PromiseFacts {
        today: day(0),
        now: day_begins(day(0), Tz::UTC) + chrono::TimeDelta::hours(6),
        zone: Tz::UTC,
        currency: "EUR".into(),
        stock,
        low: Vec::new(),
        high: Vec::new(),
        lines: (1..).zip(&demand).map(|(n, _)| (format!("O-{n}").parse().unwrap(), 1)).collect(),
        demand,
        products: vec![product("OYSTER", json!({})), product("BEST", json!({"least_grade": "A"}))],
        keeps: BTreeMap::new(),
        ranks: [("A".parse().unwrap(), 1), ("B".parse().unwrap(), 2)].into(),
        customer: None,
        prices: Vec::new(),
        closed_days: BTreeSet::new(),
        no_forecast: BTreeSet::new(),
    }
}

/// Gives every product a price on the customer's list.
fn list_all(facts: &mut PromiseFacts) {
    let price = |p: &Product| {
        serde_json::from_value(json!({
            "price_list": "TABLE", "product": p.product, "amount": "12", "unit": "kg", "from_g": 0, "tax_included": false,
            "effective_from": "2026-01-01T00:00:00Z", "below_floor": false,
        }))
        .unwrap()
    };
    facts.prices = facts.products.iter().map(price).collect();
}

/// Of the first product, on so many days: in stock, low, high.
fn oysters(facts: &PromiseFacts, days: u64) -> Vec<(i64, i64, i64)> {
    let days: Vec<NaiveDate> = (0..days).map(day).collect();
    let of = |d: AvailableDay| {
        let o = d
            .products
            .iter()
            .find(|p| p.product.as_str() == "OYSTER")
            .map_or_else(Obtainable::default, |p| p.obtainable);
        (o.in_stock_g.0, o.low_g.0, o.high_g.0)
    };
    available_on(facts, &days).days.into_iter().map(of).collect()
}

fn order(facts: &PromiseFacts, n: usize) -> Order {
    serde_json::from_value(json!({
        "order": facts.lines[n].0, "customer": "CAFE", "customer_name": "The café", "delivery_day": facts.demand[n].wish.delivery_day,
        "status": "confirmed", "placed_at": "2026-05-01T08:00:00Z", "note": "", "reference": "", "under_percent": 5.0, "standing_order": null, "version": 1,
        "lines": [{"line": 1, "product": "OYSTER", "name": "Oyster", "grams_g": facts.demand[n].wish.grams, "packs": null, "set_aside": [], "short_g": 0}],
    }))
    .unwrap()
}

#[test]
fn what_is_promised_for_later_is_not_promised_again() {
    let mut some = facts(vec![lot(1, "OY", 1, 3000, 2), lot(2, "OY", 1, 2000, 6)], vec![ordered(1, 1500, 4)]);
    // Until its last day L1 is free; of L2 the order of day 4 takes 1500.
    assert_eq!(oysters(&some, 7).iter().map(|d| d.0).collect::<Vec<_>>(), [3500, 3500, 3500, 500, 500, 500, 500]);
    // With a harvest of day 2, which goes out on day 3 or later, the order of day 4 can wait for it.
    some.low = vec![coming("OY", 1, 1000, 3, 9)];
    some.high = vec![coming("OY", 1, 4000, 3, 9)];
    assert_eq!(
        oysters(&some, 8),
        [
            (3500, 4500, 5000),
            (3500, 4500, 5000),
            (3500, 4500, 5000),
            (500, 1500, 4500),
            (500, 1500, 4500),
            (500, 1500, 4500),
            (500, 1500, 4500),
            (0, 1000, 4000)
        ]
    );
}

#[test]
fn the_days_that_a_customer_asks_for_and_whole_packs_are_kept_to() {
    let mut some = facts(vec![lot(1, "OY", 1, 1000, 4)], Vec::new());
    some.products = vec![product("OYSTER", json!({"pack_g": 300}))];
    assert_eq!(oysters(&some, 5).iter().map(|d| d.0).collect::<Vec<_>>(), [900; 5]);
    some.customer = Some(customer(json!({"least_days": 3})));
    assert_eq!(oysters(&some, 5), [(0, 0, 0); 5], "what their list has no price for is not offered");
    list_all(&mut some);
    assert_eq!(oysters(&some, 5).iter().map(|d| d.0).collect::<Vec<_>>(), [900, 900, 0, 0, 0]);
}

#[test]
fn what_is_set_aside_on_hold_or_of_another_grade_is_not_free() {
    let aside = Taken { lot: "L1".parse().unwrap(), place: "F1".parse().unwrap(), grams: Grams(400) };
    let set_aside = Demand { set_aside: vec![aside], ..ordered(1, 0, 2) };
    let mut stock =
        vec![lot(1, "OY", 1, 1000, 4), lot(2, "OY", 1, 1000, 4), lot(3, "OY", 2, 700, 4), lot(4, "LM", 1, 50, 4)];
    stock[1].on_hold = true;
    assert_eq!(oysters(&facts(stock, vec![set_aside]), 1), [(600, 600, 600)]);
}

#[test]
fn a_promise_says_what_it_rests_on() {
    use PromiseBasis::{Expected, GoodHarvest, InStock, Short};

    let basis = |grams: i64| {
        let mut some = facts(vec![lot(1, "OY", 1, 1000, 9)], vec![ordered(1, 200, 4), ordered(1, grams, 3)]);
        some.low = vec![coming("OY", 1, 600, 2, 9)];
        some.high = vec![coming("OY", 1, 2000, 2, 9)];
        let told = promise(&some, &order(&some, 1));
        assert!(told.lines[0].substitutes.is_empty() && !told.late && told.order_by.is_none());
        let Obtainable { in_stock_g, low_g, high_g } = told.lines[0].obtainable;
        (told.basis, in_stock_g.0, low_g.0, high_g.0)
    };
    assert_eq!(basis(800), (InStock, 800, 800, 800));
    assert_eq!(basis(1400), (Expected, 800, 1400, 1400));
    assert_eq!(basis(2800), (GoodHarvest, 800, 1400, 2800));
    assert_eq!(basis(2801), (Short, 800, 1400, 2800));
}

#[test]
fn no_order_is_promised_what_another_was() {
    // Two orders for 1500 and 700 of 2000: neither can be filled without the other getting less, whichever is for the earlier day.
    let some = facts(vec![lot(1, "OY", 1, 2000, 9)], vec![ordered(1, 1500, 5), ordered(1, 700, 2)]);
    let had = |n| promise(&some, &order(&some, n)).lines[0].obtainable.in_stock_g.0;
    assert_eq!((had(0), had(1)), (1300, 500));
}

#[test]
fn lines_of_the_same_goods_are_served_in_turn_and_what_is_set_aside_is_had() {
    let aside = Taken { lot: "L1".parse().unwrap(), place: "F1".parse().unwrap(), grams: Grams(300) };
    let mut some = facts(vec![lot(1, "OY", 1, 1000, 9)], vec![Demand { set_aside: vec![aside], ..ordered(1, 200, 2) }]);
    let mut two = order(&some, 0);
    two.lines[0].grams_g = Grams(500);
    two.lines.push(two.lines[0].clone());
    (two.lines[1].line, two.lines[1].grams_g) = (2, Grams(900));
    let had =
        |some: &PromiseFacts| promise(some, &two).lines.iter().map(|l| l.obtainable.in_stock_g.0).collect::<Vec<_>>();
    assert_eq!(had(&some), [500, 500]);
    some.stock[0].on_hold = true;
    assert_eq!(had(&some), [0, 0]);
}

#[test]
fn substitutes_are_offered_to_who_takes_them() {
    let mut some = facts(
        vec![lot(1, "OY", 1, 1000, 9), lot(2, "LM", 1, 900, 9), lot(3, "OY", 2, 300, 9), lot(4, "KO", 1, 50, 9)],
        vec![ordered(1, 1500, 1)],
    );
    some.products.extend([
        product("MANE", json!({"strains": ["LM"]})),
        product("KING", json!({"strains": ["KO"]})),
        product("DRIED", json!({"strains": ["LM"], "form": "dried"})),
        product("SECOND", json!({"least_grade": "B"})),
    ]);
    let told = |some: &PromiseFacts| {
        let told = promise(some, &order(some, 0));
        let of = told.lines[0].substitutes.iter().map(|i| (i.product.to_string(), i.grams_g.0)).collect::<Vec<_>>();
        (of, told.late)
    };
    some.customer = Some(customer(json!({"substitutes": false, "order_by_time": "08:00"})));
    assert_eq!(told(&some), (vec![], false), "placed at the very time");
    some.customer = Some(customer(json!({"substitutes": true, "order_by_time": "07:59"})));
    assert_eq!(told(&some), (vec![], true), "nothing else has a price");
    list_all(&mut some);
    // The same strain of a lower grade, then what there is most of, no more than is missing.
    let expected = [("SECOND", 300), ("MANE", 500), ("KING", 50)].map(|(code, grams)| (code.to_owned(), grams));
    assert_eq!(told(&some), (expected.to_vec(), true));
}

#[test]
fn goods_whose_life_is_nearly_used_go_out_no_later_than_it_lasts() {
    let mut worn = lot(1, "OY", 1, 1000, 6);
    (worn.candidate.expires_on, worn.life_ends) = (day(2), Some(day(2)));
    assert_eq!(
        oysters(&facts(vec![worn], Vec::new()), 4).iter().map(|d| d.0).collect::<Vec<_>>(),
        [1000, 1000, 1000, 0]
    );
}

#[test]
fn orders_in_whole_packs_leave_what_they_cannot_take() {
    let mut crates = ordered(1, 10_000, 4);
    crates.wish.pack = Some(Grams(5000));
    let some = facts(vec![lot(1, "OY", 1, 5900, 9), lot(2, "OY", 1, 5900, 9)], vec![crates]);
    // 900 of one lot and nothing of the other can be had before a crate is cut: found to within ten grams.
    let told = oysters(&some, 1)[0].0;
    assert!((890..=900).contains(&told), "{told}");
}

#[test]
fn a_harvest_is_shared_over_its_grades_and_goes_out_the_day_after() {
    let picks = [ExpectedPick { day: day(2), low: Grams(1000), high: Grams(3000) }];
    let strain = "OY".parse().unwrap();
    let harvest = ExpectedHarvest {
        strain: &strain,
        picks: &picks,
        grades: &[(1, Grams(700)), (2, Grams(300))],
        keeps_days: Some(6),
    };
    let told: Vec<_> = coming_of(harvest, |p| p.high)
        .iter()
        .map(|c| (c.goods.grade_rank, c.grams.0, c.ready_on, c.best_before))
        .collect();
    assert_eq!(told, [(1, 2100, day(3), day(8)), (2, 900, day(3), day(8))]);
    assert_eq!(coming_of(harvest, |p| p.low).iter().map(|c| c.grams).sum::<Grams>(), Grams(1000));
}

#[test]
fn days_are_asked_for_from_today_for_two_weeks_at_most() {
    let told = |from: Option<u64>, until: Option<u64>| {
        days_to_tell(day(0), from.map(|n| Day(day(n))), until.map(|n| Day(day(n)))).map(|days| days.len())
    };
    assert_eq!(told(None, None).unwrap(), 7);
    assert_eq!(told(Some(10), None).unwrap(), 4);
    assert_eq!(told(Some(3), Some(3)).unwrap(), 1);
    assert_eq!(told(None, Some(13)).unwrap(), 14);
    assert_eq!(told(None, Some(14)).unwrap_err().faults[0].pointer, "until");
    assert_eq!(told(Some(20), None).unwrap_err().faults[0].pointer, "from");
    assert_eq!(told(Some(3), Some(2)).unwrap_err().faults[0].pointer, "until");
    let past = days_to_tell(day(3), Some(Day(day(1))), None).unwrap_err();
    assert_eq!(past.faults[0].pointer, "from");
}

proptest! {
    /// What is told can be promised in full, and no order gets less for it.
    #[test]
    fn what_is_told_can_be_promised(
        stock in prop::collection::vec((1i64..3000, 0u64..9, 1i32..4), 0..8),
        arriving in prop::collection::vec((1i64..3000, 0u64..9, 0u64..6, 1i32..4), 0..5),
        orders in prop::collection::vec((1i64..2500, 0u64..9, 1i32..4, 0u32..3, prop::option::of(50i64..900), any::<bool>()), 0..7),
        (on, rank, least_days, pack) in (0u64..9, 1i32..4, 0u32..3, prop::option::of(50i64..400)),
    ) {
        let stock: Vec<Stock> = (1..).zip(stock).map(|(n, (grams, until, rank))| lot(n, "OY", rank, grams, until)).collect();
        let arriving: Vec<Coming> = arriving.into_iter().map(|(grams, ready, keeps, rank)| coming("OY", rank, grams, ready, ready + keeps)).collect();
        let mut demand: Vec<Demand> = orders
            .into_iter()
            .map(|(grams, on, rank, least_days, pack, freshest)| {
                let mut d = ordered(rank, grams, on);
                d.wish = LineDemand { least_days, pack: pack.map(Grams), freshest, ..d.wish };
                d
            })
            .collect();
        let asked = ordered(rank, 0, on);
        let wish = LineDemand { least_days, pack: pack.map(Grams), ..asked.wish };
        let before = Simulation::new(&stock, &arriving, &demand);
        let grams = before.free_for(&asked.need, &wish);
        let short_before = before.run(|_, _| {}).short;
        if let Some(pack) = pack {
            prop_assert_eq!(grams.0 % pack, 0);
        }
        demand.push(Demand { wish: LineDemand { grams, ..wish }, ..asked });
        let mut short = Simulation::new(&stock, &arriving, &demand).run(|_, _| {}).short;
        prop_assert_eq!(short.pop(), Some(Grams::ZERO));
        for (after, before) in short.iter().zip(short_before) {
            prop_assert!(*after <= before);
        }
    }
}

/// The greatest flow from what there is through what will do to what is ordered, by the Edmonds–Karp algorithm of another hand.
fn greatest_flow(stock: &[Stock], arriving: &[Coming], demand: &[Demand]) -> i64 {
    let rows = stock.iter().map(|s| (s.candidate.free.0, day(0), s.best_before));
    let rows: Vec<_> = rows.chain(arriving.iter().map(|c| (c.grams.0, c.ready_on, c.best_before))).collect();
    let (source, sink) = (0, rows.len() + demand.len() + 1);
    let mut edges: Vec<((usize, usize), i64)> = Vec::new();
    for (n, d) in demand.iter().enumerate() {
        let node = rows.len() + 1 + n;
        edges.push(((node, sink), d.wish.grams.0));
        for (at, (grams, ready_on, keeps_until)) in rows.iter().enumerate() {
            if (*ready_on..=*keeps_until).contains(&d.wish.delivery_day) {
                edges.push(((at + 1, node), *grams));
            }
        }
    }
    edges.extend((1..).zip(&rows).map(|(node, row)| ((source, node), row.0)));
    let nodes: Vec<usize> = (0..=sink).collect();
    pathfinding::directed::edmonds_karp::edmonds_karp_dense(&nodes, &source, &sink, edges).1
}

proptest! {
    /// Of goods that are all alike, what can be promised is exactly what a greatest flow has room for beside the orders.
    #[test]
    fn as_much_is_told_as_there_is_room_for(
        stock in prop::collection::vec((1i64..3000, 0u64..9), 0..7),
        arriving in prop::collection::vec((1i64..3000, 0u64..9, 0u64..6), 0..5),
        orders in prop::collection::vec((1i64..2500, 0u64..9), 0..7),
        on in 0u64..9,
    ) {
        let stock: Vec<Stock> = (1..).zip(stock).map(|(n, (grams, until))| lot(n, "OY", 1, grams, until)).collect();
        let arriving: Vec<Coming> = arriving.into_iter().map(|(grams, ready, keeps)| coming("OY", 1, grams, ready, ready + keeps)).collect();
        let mut demand: Vec<Demand> = orders.into_iter().map(|(grams, on)| ordered(1, grams, on)).collect();
        let asked = ordered(1, 1_000_000, on);
        let told = Simulation::new(&stock, &arriving, &demand).free_for(&asked.need, &asked.wish);
        let before = greatest_flow(&stock, &arriving, &demand);
        demand.push(asked);
        prop_assert_eq!(told.0, greatest_flow(&stock, &arriving, &demand) - before);
    }
}

#[test]
fn a_crate_that_is_packed_and_a_little_light_asks_for_no_more() {
    let aside = Taken { lot: "L1".parse().unwrap(), place: "F1".parse().unwrap(), grams: Grams(960) };
    let told = |grams: i64| {
        let aside = Taken { grams: Grams(grams), ..aside.clone() };
        let some = facts(vec![lot(1, "OY", 1, grams, 9)], vec![Demand { set_aside: vec![aside], ..ordered(1, 0, 2) }]);
        let mut order = order(&some, 0);
        order.lines[0].grams_g = Grams(1000);
        let packed =
            json!({"lot": "L1", "place": "F1", "grams_g": grams, "reason": "", "packed_at": "2026-05-01T08:00:00Z"});
        order.lines[0].set_aside = vec![serde_json::from_value(packed).unwrap()];
        promise(&some, &order).basis
    };
    assert_eq!((told(960), told(949)), (PromiseBasis::InStock, PromiseBasis::Short));
}
