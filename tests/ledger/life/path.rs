//! Life left by the temperatures on the way.

use anyhow::{Context, Result};
use chrono::{DateTime, Utc};
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

use super::{at, days, graded, hours, life_days, near, second_fridge, steady, transfer};

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
