//! Shelf life along the way that a lot's own grams went, and what must be sold first.

use anyhow::{Context, Result};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

/// The farm's profile of oysters in open crates, reckoned here on its own: the logarithm of life is straight between the table's points.
fn life_days(c: f64) -> f64 {
    let table = [(1.0, 17.0f64), (6.0, 10.0), (20.0, 2.5)];
    let [(c0, d0), (c1, d1)] = if c < 6.0 { [table[0], table[1]] } else { [table[1], table[2]] };
    (d0.ln() + (d1.ln() - d0.ln()) * (c - c0) / (c1 - c0)).exp()
}

fn near(got: &Value, expected: f64) {
    let got = got.as_f64().unwrap_or(f64::NAN);
    assert!((got - expected).abs() < 1e-6 * expected.abs().max(1.0), "{got}, and not {expected}");
}

/// Steady air of a probe, a reading every ten minutes, both ends with it.
async fn steady(farm: &Farm, probe: &str, from: DateTime<Utc>, until: DateTime<Utc>, c: f64) {
    let tens = (until - from).num_minutes() / 10;
    let record = |n: i64| json!({"n": probe, "u": "Cel", "t": (from + TimeDelta::minutes(10 * n)).timestamp(), "v": c});
    let records: Vec<Value> = (0..=tens).map(record).collect();
    for pack in records.chunks(1000) {
        let receipt = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
        assert_eq!(receipt["refused"], json!([]), "{receipt}");
    }
}

/// A second fridge with a probe of its own, warm or cold.
async fn second_fridge(farm: &Farm) {
    let limit = json!({"name": "Cold", "warm_c": 5, "cold_c": 0, "example": true});
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge", "limit": limit})).await;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F2"})).await;
}

async fn transfer(farm: &Farm, lot: &str, from: &str, to: &str, grams: i64) -> Value {
    let body = json!({"kind": "transfer", "lot": lot, "from_place": from, "to_place": to, "grams_g": grams});
    farm.create("/api/movements", body).await
}

async fn at(farm: &Farm, lot: &str, place: &str) -> Value {
    let lot = farm.get(&format!("/api/lots/{lot}")).await;
    let places = lot["places"].as_array().cloned().unwrap_or_default();
    places.into_iter().find(|p| p["place"] == place).unwrap_or_else(|| panic!("nothing at {place}: {lot}"))
}

fn days(n: i64) -> TimeDelta {
    TimeDelta::days(n)
}

fn hours(n: i64) -> TimeDelta {
    TimeDelta::hours(n)
}

#[tokio::test]
async fn grams_that_were_in_the_warm_count_for_all_that_they_may_be_among() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    second_fridge(&farm).await;
    farm.pass(days(1));
    transfer(&farm, &lot, "F1", "F2", 400).await;
    farm.pass(days(2));
    transfer(&farm, &lot, "F2", "F1", 400).await;
    farm.pass(days(1));
    steady(&farm, "p1", began, farm.now(), 2.0).await;
    steady(&farm, "p2", began, farm.now(), 12.0).await;
    let fridge = at(&farm, &lot, "F1").await;
    near(&fridge["life"]["used_share"], 2.0 / life_days(2.0) + 2.0 / life_days(12.0));
    near(&fridge["life_at_best"]["used_share"], 4.0 / life_days(2.0));
    near(&fridge["life"]["known_share"], 1.0);
    assert_eq!(fridge["life"]["assumed_c"], Value::Null);
    // Whatever is taken out now may be what was in the warm, until the place has been empty.
    transfer(&farm, &lot, "F1", "F2", 1000).await;
    transfer(&farm, &lot, "F2", "F1", 100).await;
    near(&at(&farm, &lot, "F1").await["life"]["used_share"], 2.0 / life_days(2.0) + 2.0 / life_days(12.0));
    let page = farm.raw("GET", &format!("/lots/{lot}"), &[], Vec::new()).await;
    assert!(page.text.contains("Shelf life left"), "{}", page.text);
    Ok(())
}

#[tokio::test]
async fn a_van_that_was_emptied_counts_only_while_it_is_loaded() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    farm.pass(hours(1));
    transfer(&farm, &lot, "F1", "VAN", 1000).await;
    farm.pass(hours(2));
    transfer(&farm, &lot, "VAN", "F1", 1000).await;
    farm.pass(days(6));
    transfer(&farm, &lot, "F1", "VAN", 300).await;
    farm.pass(hours(1));
    steady(&farm, "p1", began, farm.now(), 2.0).await;
    // Nobody knows how warm a van without a probe and a limit is: 20 °C.
    let cold = 6.0 + 1.0 / 24.0;
    let van = at(&farm, &lot, "VAN").await["life"].clone();
    near(&van["used_share"], cold / life_days(2.0) + 3.0 / 24.0 / life_days(20.0));
    near(&van["known_share"], cold * 24.0 / (cold * 24.0 + 3.0));
    near(&van["assumed_c"], 20.0);
    near(&van["at_c"], 20.0);
    let fridge = at(&farm, &lot, "F1").await["life"].clone();
    near(&fridge["used_share"], (cold + 1.0 / 24.0) / life_days(2.0) + 2.0 / 24.0 / life_days(20.0));
    near(&fridge["at_c"], 2.0);
    // The high end takes the hours without a temperature for as cold as the fridge is now.
    let high = (1.2 - (6.0 + 4.0 / 24.0) / life_days(2.0)) * life_days(2.0);
    near(&fridge["days_left_high"], high);
    Ok(())
}

#[tokio::test]
async fn packed_grams_bring_the_life_that_their_own_packaging_took() -> Result<()> {
    let farm = Farm::new().await?;
    let vented = json!([{"packaging": "vented", "spread": 0.1, "source": "test", "points": [{"c": 1, "days": 25.5}, {"c": 6, "days": 15}]}]);
    farm.ask(&farm.owner, "PATCH", "/api/strains/OY", &[("if-match", "\"1\"")], Some(json!({"life": vented})))
        .await
        .expect(200);
    let began = farm.now();
    let (first, second) = (farm.lot_of(1000).await, {
        farm.pass(days(1));
        farm.lot_of(1000).await
    });
    farm.pass(days(2));
    let packing = json!({"place": "F1", "lots_in": [{"lot": first, "grams_g": 300}, {"lot": second, "grams_g": 700}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1000}]});
    let child = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    farm.pass(days(1));
    steady(&farm, "p1", began, farm.now(), 2.0).await;
    let made = at(&farm, &child, "F1").await;
    near(&made["life"]["used_share"], 3.0 / life_days(2.0) + 1.0 / (1.5 * life_days(2.0)));
    near(
        &made["life"]["days_left_low"],
        (1.0 - 0.1 - made["life"]["used_share"].as_f64().context("a share")?) * 1.5 * life_days(2.0),
    );
    near(&made["life_at_best"]["used_share"], 2.0 / life_days(2.0) + 1.0 / (1.5 * life_days(2.0)));
    Ok(())
}

#[tokio::test]
async fn hours_on_a_stall_are_not_hours_in_the_fridge() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    farm.pass(days(1));
    farm.create("/api/market-days", json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": lot, "place": "F1", "grams_g": 400}]})).await;
    farm.pass(hours(8));
    let reckoning = json!({"lots": [{"lot": lot, "back_g": 300}], "back_place": "F1", "cash": "80.00", "card": "0.00", "fee": "5.00"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(reckoning)).await.expect(200);
    farm.pass(hours(2));
    steady(&farm, "p1", began, farm.now(), 2.0).await;
    let lots = farm.get("/api/lots?in_stock=true").await;
    let back =
        lots["rows"].as_array().into_iter().flatten().find(|l| l["origin"] == "stall").context("a lot of the stall")?;
    let life = &back["places"][0]["life"];
    near(&life["known_share"], 26.0 / 34.0);
    near(&life["used_share"], 26.0 / 24.0 / life_days(2.0) + 8.0 / 24.0 / life_days(20.0));
    near(&at(&farm, &lot, "F1").await["life"]["known_share"], 1.0);
    Ok(())
}

#[tokio::test]
async fn what_was_reversed_was_never_there() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    second_fridge(&farm).await;
    farm.pass(hours(1));
    let act = transfer(&farm, &lot, "F1", "F2", 1000).await["act_id"].as_str().context("an act")?.to_owned();
    farm.pass(days(1));
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "It never left"})).await;
    farm.pass(days(1));
    steady(&farm, "p1", began, farm.now(), 2.0).await;
    steady(&farm, "p2", began, farm.now(), 12.0).await;
    let fridge = at(&farm, &lot, "F1").await;
    near(&fridge["life"]["used_share"], (2.0 + 1.0 / 24.0) / life_days(2.0));
    let trace = farm.get(&format!("/api/lots/{lot}/trace")).await;
    assert_eq!(trace["was_in"].as_array().map(Vec::len), Some(1), "{trace}");
    Ok(())
}

#[tokio::test]
async fn a_warm_spell_takes_life_of_a_lot_only_while_it_is_there() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lots = [graded(&farm, "A", 1000).await, {
        farm.pass(hours(3));
        graded(&farm, "B", 1000).await
    }];
    let second_came = farm.now();
    farm.pass(hours(3));
    transfer(&farm, &lots[0], "F1", "VAN", 1000).await;
    let first_left = farm.now();
    farm.pass(hours(2));
    steady(&farm, "p1", began, farm.now(), 9.0).await;
    let spell = farm.get("/api/excursions").await["rows"][0].clone();
    let time = |name: &str| -> Result<DateTime<Utc>> { Ok(spell[name].as_str().unwrap_or_default().parse()?) };
    let ended = farm.now();
    assert_eq!((time("began_at")?, &spell["ended_at"]), (began, &Value::Null), "{spell}");
    let one = farm.get(&format!("/api/excursions/{}", spell["excursion_id"].as_str().context("an id")?)).await;
    let lost = |from: DateTime<Utc>, until: DateTime<Utc>| {
        (until - from).as_seconds_f64() / 86_400.0 * (life_days(5.0) / life_days(9.0) - 1.0)
    };
    for (lot, expected) in lots.iter().zip([lost(began, first_left), lost(second_came, ended)]) {
        let there = one["lots"].as_array().into_iter().flatten().find(|l| l["lot"] == json!(lot)).context("there")?;
        near(&there["life_days"], expected);
    }
    Ok(())
}

#[tokio::test]
async fn a_departure_that_was_reversed_does_not_hide_how_cold_it_was_before() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    sqlx::query("update strain set lowest_safe_c = 6 where strain = 'OY'")
        .execute(&mut PgConnection::connect_with(&farm.admin).await?)
        .await?;
    farm.pass(hours(8));
    steady(&farm, "p1", began, farm.now(), 4.0).await;
    let act = transfer(&farm, &lot, "F1", "VAN", 1000).await["act_id"].as_str().context("an act")?.to_owned();
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "It never left"})).await;
    let chilled = &farm.get("/api/places/F1/temperature").await["chilled"];
    assert_eq!((&chilled[0]["lot"], &chilled[0]["hours"]), (&json!(lot), &json!(8)), "{chilled}");
    Ok(())
}

#[tokio::test]
async fn hours_without_a_temperature_count_at_the_worst_that_is_known() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    farm.pass(days(1));
    // Nothing was ever known: the limit of 5 °C and 5 °C more.
    let blind = at(&farm, &lot, "F1").await["life"].clone();
    near(&blind["used_share"], 1.0 / life_days(10.0));
    near(&blind["assumed_c"], 10.0);
    near(&blind["known_share"], 0.0);
    farm.pass(days(1));
    // From here on an hour at 7 °C and the rest at 2 °C are known: the silent day counts at 7 °C.
    steady(&farm, "p1", began, began + hours(1), 7.0).await;
    steady(&farm, "p1", began + days(1), farm.now(), 2.0).await;
    let life = at(&farm, &lot, "F1").await["life"].clone();
    near(&life["used_share"], 1.0 / life_days(2.0) + 1.0 / life_days(7.0));
    near(&life["assumed_c"], 7.0);
    near(&life["known_share"], 25.0 / 48.0);
    Ok(())
}

/// Judged hours stand for what is long past: a forgotten lot costs no more than eight days of readings, and no fewer figures.
#[tokio::test]
async fn a_forgotten_lot_is_counted_without_its_old_readings() -> Result<()> {
    let mut farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    farm.pass(days(60));
    farm.owner = farm.sign_in("ada").await;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    let readings = "select ensure_reading_partitions($1, $2 + interval '1 day');
        insert into reading (farm_id, probe_id, at, value_c, received_at)
        select p.farm_id, p.probe_id, t, 3 + sin(extract(epoch from t) / 900), t from probe p, generate_series($1, $2, interval '10 minutes') t;
        insert into dirty_range select farm_id, 'F1', false, $1, $2 from farm
            on conflict (farm_id, place, leased) do update set from_at = excluded.from_at";
    for one in readings.split(';') {
        let one = sqlx::query(sqlx::AssertSqlSafe(
            one.replace("$1", &format!("'{began}'::timestamptz"))
                .replace("$2", &format!("'{}'::timestamptz", farm.now())),
        ));
        one.execute(&mut db).await?;
    }
    farm.get("/api/excursions").await;
    let before = at(&farm, &lot, "F1").await;
    // The exact integral over the straight lines between the readings, in steps of a minute.
    let epoch_s = (began - DateTime::UNIX_EPOCH).as_seconds_f64();
    let c = |m: i32| {
        let sine = |tens: i32| 3.0 + ((epoch_s + f64::from(tens) * 600.0) / 900.0).sin();
        sine(m / 10) + (sine(m / 10 + 1) - sine(m / 10)) * f64::from(m % 10) / 10.0
    };
    let exact: f64 = (0..60 * 1440).map(|m| 1.0 / 1440.0 / life_days(f64::midpoint(c(m), c(m + 1)))).sum();
    let used = before["life"]["used_share"].as_f64().context("a share")?;
    assert!(used >= exact - 1e-6 && used < exact * 1.02, "{used}, exactly {exact}");
    sqlx::raw_sql("set session_replication_role = replica").execute(&mut db).await?;
    let gone = sqlx::query("delete from reading where at < $1").bind(farm.now() - days(9)).execute(&mut db).await?;
    assert!(gone.rows_affected() > 7000, "{}", gone.rows_affected());
    assert_eq!(at(&farm, &lot, "F1").await, before);
    let page = farm.raw("GET", "/stock", &[], Vec::new()).await;
    assert!(page.text.contains("used up") && !page.text.contains("(-"), "{}", page.text);
    Ok(())
}

async fn graded(farm: &Farm, grade: &str, net_g: i64) -> String {
    let mut weighing = Farm::weighing(net_g);
    weighing["grade"] = json!(grade);
    farm.create("/api/weighings", weighing).await["lot"].as_str().unwrap_or_default().to_owned()
}

async fn order(farm: &Farm, customer: &str, on: NaiveDate, grams: i64) -> String {
    let body = json!({"customer": customer, "delivery_day": on, "past_day": true, "lines": [{"product": "OY", "grams_g": grams}]});
    farm.create("/api/orders", body).await["order"].as_str().unwrap_or_default().to_owned()
}

async fn at_risk(farm: &Farm) -> Vec<Value> {
    farm.get("/api/reports/shelf-life").await["lots"].as_array().cloned().unwrap_or_default()
}

#[tokio::test]
async fn a_lesser_grade_fills_no_order_and_the_lowest_that_will_do_goes_first() -> Result<()> {
    let farm = Farm::new().await?;
    let today = farm.now().date_naive();
    let (a, b, c) = (graded(&farm, "A", 1000).await, graded(&farm, "B", 300).await, graded(&farm, "C", 250).await);
    let code = order(&farm, "PLUM", today, 1400).await;
    let rows = at_risk(&farm).await;
    let told: Vec<_> = rows.iter().map(|r| (r["lot"].as_str(), r["at_risk_g"].as_i64(), r["why"].as_str())).collect();
    let why = "PLUM asks for grade B or better on 4 May.";
    assert_eq!(told, [(Some(c.as_str()), Some(250), Some(why))]);
    let aside =
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{code}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let lots = &aside["lines"][0]["set_aside"];
    let taken: Vec<_> =
        lots.as_array().into_iter().flatten().map(|s| (s["lot"].as_str(), s["grams_g"].as_i64())).collect();
    assert_eq!(taken.iter().find(|t| t.0 == Some(&b)), Some(&(Some(b.as_str()), Some(300))));
    assert_eq!(taken.iter().find(|t| t.0 == Some(&a)), Some(&(Some(a.as_str()), Some(1000))));
    // Of an order that one of them could fill alone, the lesser grade gives first.
    farm.ask(&farm.owner, "DELETE", &format!("/api/orders/{code}/set-aside"), &[], None).await;
    let small = order(&farm, "PLUM", today, 200).await;
    let aside =
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{small}/set-aside"), &[], Some(json!({}))).await.expect(200);
    assert_eq!(aside["lines"][0]["set_aside"][0]["lot"], json!(b), "{aside}");
    Ok(())
}

#[tokio::test]
async fn a_lot_ends_with_its_life_and_an_order_far_off_does_not_hide_it() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    farm.pass(days(3));
    let today = farm.now().date_naive();
    steady(&farm, "p1", began, farm.now(), 12.0).await;
    order(&farm, "PLUM", today + days(4), 1000).await;
    let rows = at_risk(&farm).await;
    let low = (0.8 - 3.0 / life_days(12.0)) * life_days(12.0);
    assert!((1.0..2.0).contains(&low), "{low}");
    assert_eq!(
        (&rows[0]["lot"], &rows[0]["at_risk_g"], &rows[0]["ends_by"]),
        (&json!(lot), &json!(1000), &json!("shelf_life"))
    );
    assert_eq!((&rows[0]["last_day"], &rows[0]["when"]), (&json!(today + days(1)), &json!("tomorrow")));
    assert_eq!(rows[0]["why"], "The next order for it is PLUM's on 11 May, after its last day.");
    near(&rows[0]["life"]["days_left_low"], low);
    // An order from yesterday is an order of today.
    order(&farm, "PLUM", today - days(1), 600).await;
    let rows = at_risk(&farm).await;
    assert_eq!((&rows[0]["at_risk_g"], &rows[0]["stock_g"]), (&json!(400), &json!(1000)));
    Ok(())
}

#[tokio::test]
async fn the_days_that_a_customer_asks_for_are_named_and_what_is_away_is_not_at_risk() -> Result<()> {
    let farm = Farm::new().await?;
    let today = farm.now().date_naive();
    farm.create(
        "/api/customers",
        json!({"customer": "PICKY", "name": "Picky's", "kind": "restaurant", "price_list": "TABLE", "least_days": 2}),
    )
    .await;
    let lot = farm.lot_of(1500).await;
    let limit = farm.lot_of(900).await;
    assert_eq!(lot, limit, "the same lot, two crates");
    order(&farm, "PICKY", today + days(6), 500).await;
    let sent = order(&farm, "PLUM", today, 700).await;
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{sent}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": sent, "van": "VAN"})).await;
    farm.pass(hours(1));
    let rows = at_risk(&farm).await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    assert_eq!(
        (&rows[0]["place"], &rows[0]["stock_g"], &rows[0]["at_risk_g"]),
        (&json!("F1"), &json!(1700), &json!(1700))
    );
    assert_eq!(rows[0]["why"], "Picky's asks for 2 days left at delivery on 10 May.");
    // The life of the grams in the fridge, not of those in the van.
    near(&rows[0]["life"]["at_c"], 5.0);
    let today_page = farm.raw("GET", "/", &[], Vec::new()).await;
    assert!(
        today_page.text.contains("Sell first") && today_page.text.contains("1.70 kg after that"),
        "{}",
        today_page.text
    );
    Ok(())
}

#[tokio::test]
async fn what_comes_later_is_told_beside_what_is_urgent() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/openings", json!({"strain": "OY", "grade": "A", "packaging": "open", "harvest_day": "2026-04-27", "place": "F1", "grams_g": 570})).await;
    farm.lot_of(1250).await;
    let page = farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(page.contains("has no order and must go by tomorrow"), "{page}");
    assert!(page.contains("1.25 kg after that"), "{page}");
    assert!(page.contains("No order is left for it."), "{page}");
    Ok(())
}
