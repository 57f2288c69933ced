//! What counts teach of the water that goods lose, and how more than that is told.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use crate::week::{read_at, waste};

/// A lot of 10 kg that has stood for two days at 3 °C. By the published rate it loses 650 g (`tests/reports/week/counts.rs`).
async fn stood(farm: &Farm) -> String {
    let lot = farm.lot_of(10_000).await;
    farm.pass(TimeDelta::hours(48));
    read_at(farm, 48, 3.0).await;
    lot
}

async fn count(farm: &Farm, place: &str, lot: &str, counted_g: i64) -> Value {
    let lots = json!([{"lot": lot, "counted_g": counted_g}]);
    farm.create("/api/stock-counts", json!({"place": place, "lots": lots})).await
}

/// A week of one such lot that is counted, having lost what is said, and then thrown away: the count.
async fn counted(farm: &Farm, lost: i64) -> Value {
    let lot = stood(farm).await;
    let count = count(farm, "F1", &lot, 10_000 - lost).await;
    farm.pass(TimeDelta::hours(1));
    waste(farm, &lot, 10_000 - lost).await;
    farm.pass(TimeDelta::hours(24 * 7 - 49));
    count
}

async fn reported(farm: &Farm) -> Result<Value> {
    let rows = farm.get("/api/reports/weight-loss").await["rows"].clone();
    let row = rows.as_array().and_then(|r| r.iter().find(|r| r["lots"] != 0 || r["warning"] != Value::Null));
    row.cloned().with_context(|| rows.to_string())
}

async fn page(farm: &Farm, path: &str) -> String {
    farm.raw("GET", path, &[], Vec::new()).await.text
}

fn width(count: &Value) -> i64 {
    let gram = |name: &str| count["rows"][0]["expected"][name].as_i64().unwrap_or(i64::MIN);
    gram("high_g") - gram("low_g")
}

/// Six weeks of about 130 g, a fifth of the published rate, in which nothing is told.
async fn quiet_farm() -> Result<Farm> {
    let mut farm = Farm::new().await?;
    let mut counts = Vec::new();
    for (week, lost) in [130, 110, 150, 125, 135, 130].into_iter().enumerate() {
        if week == 3 {
            farm.owner = farm.sign_in("ada").await;
        }
        counts.push(counted(&farm, lost).await);
    }
    assert!(counts.iter().all(|c| c["loss_warnings"] == json!([])), "{counts:?}");
    assert!(width(&counts[5]) * 8 < width(&counts[0]), "{} then {}", counts[0], counts[5]);
    farm.owner = farm.sign_in("ada").await;
    Ok(farm)
}

const SAID: &str = "is missing than drying out explains";

#[tokio::test]
async fn what_is_taken_stands_out_and_is_told_until_somebody_answers() -> Result<()> {
    let farm = quiet_farm().await?;
    let robbed = counted(&farm, 430).await;
    assert!(robbed["rows"][0]["unexplained_g"].as_i64() > Some(150), "{robbed}");
    let warning = &robbed["loss_warnings"][0];
    assert_eq!((&warning["count_days"], &warning["missing_g"]), (&json!(1), &json!(430)), "{robbed}");
    assert!(warning["probability"].as_f64() < Some(1e-4), "{warning}");
    // Kept as they were told.
    let listed = farm.get("/api/stock-counts").await["rows"].clone();
    assert!(listed.as_array().is_some_and(|all| all.len() == 7 && all.contains(&robbed)), "{listed}");
    // It stands though the next count is as those before, which is not told of.
    let next = counted(&farm, 130).await;
    assert_eq!(next["loss_warnings"], json!([]), "{next}");
    let row = reported(&farm).await?;
    // What was told teaches nothing: seven other lots did.
    assert_eq!((&row["lots"], &row["warning"]["missing_g"]), (&json!(7), &json!(430)), "{row}");
    assert_eq!(row["warning"]["lots"][0]["lot"], robbed["rows"][0]["lot"], "{row}");
    let day = row["a_day"]["likely_percent"].as_f64().context("a share")?;
    // 130 g of 10 kg in two days is 0.65 % a day.
    assert!((0.6..0.7).contains(&day), "{row}");
    let lot = robbed["rows"][0]["lot"].as_str().context("a lot")?;
    let told = page(&farm, "/weight-loss").await;
    for said in ["430 g missing", "from 7 counted lots", &format!("/lots/{lot}"), "/places/F1/count"] {
        assert!(told.contains(said), "{said}: {told}");
    }
    assert!(page(&farm, "/").await.contains(SAID));

    let path = "/api/weight-loss/answers";
    let (strain, packaging) = (&warning["strain"], &warning["packaging"]);
    let answer = |strain: &Value, packaging: &Value| json!({"strain": strain, "packaging": packaging, "reason": "Two kilos for the fete"});
    farm.post(path, answer(&json!("XX"), packaging)).await.ensure_problem(422, "invalid", Some("/packaging"));
    farm.post(path, answer(strain, &json!("sealed"))).await.ensure_problem(422, "invalid", Some("/packaging"));
    let picker = farm.person("picker").await;
    farm.post_as(&picker, path, answer(strain, packaging)).await.ensure_problem(403, "not-allowed", None);
    farm.create(path, answer(strain, packaging)).await;
    let row = reported(&farm).await?;
    // It was no water, and still teaches nothing.
    assert_eq!((&row["lots"], &row["warning"]), (&json!(7), &Value::Null), "{row}");
    assert!(!page(&farm, "/").await.contains(SAID));
    Ok(())
}

/// Shelf by shelf is one day: the next crate does not wipe what the first was missing.
#[tokio::test]
async fn counts_of_a_day_belong_together_and_taking_them_back_is_no_answer() -> Result<()> {
    let farm = quiet_farm().await?;
    let lot = stood(&farm).await;
    let robbed = count(&farm, "F1", &lot, 9570).await;
    farm.pass(TimeDelta::minutes(1));
    let other = farm.lot_of(500).await;
    farm.pass(TimeDelta::minutes(1));
    // All there: nothing was weighed, and nothing is told a second time.
    assert_eq!(count(&farm, "F1", &other, 500).await["loss_warnings"], robbed["loss_warnings"]);
    farm.pass(TimeDelta::minutes(1));
    let second = count(&farm, "F1", &other, 495).await;
    assert_eq!(second["loss_warnings"][0]["missing_g"], 435, "{second}");
    for count in [&second, &robbed] {
        assert!(page(&farm, "/").await.contains(SAID));
        let act = count["act"]["act_id"].as_str().context("an act")?;
        farm.post(&format!("/api/acts/{act}/reversal"), json!({"reason": "Read wrong"})).await.expect(201);
    }
    // Who takes them back has not said what became of it.
    assert_eq!(count(&farm, "F1", &lot, 9860).await["loss_warnings"], json!([]));
    assert!(page(&farm, "/").await.contains(SAID));
    assert!(page(&farm, "/weight-loss").await.contains("taken back since"));
    let row = reported(&farm).await?;
    farm.pass(TimeDelta::minutes(1));
    let answer = json!({"strain": row["strain"], "packaging": row["packaging"], "reason": "Read 9 570 for 9 870"});
    farm.create("/api/weight-loss/answers", answer).await;
    assert!(!page(&farm, "/").await.contains(SAID));
    Ok(())
}

#[tokio::test]
async fn what_dries_differently_now_is_learned_anew() -> Result<()> {
    let farm = quiet_farm().await?;
    let changed = counted(&farm, 430).await;
    let warning = &changed["loss_warnings"][0];
    let (strain, packaging) = (&warning["strain"], &warning["packaging"]);
    let since = changed["act"]["happened_at"].as_str().and_then(|t| t.get(..10)).context("a day")?;
    let anew = |since: &str| json!({"strain": strain, "packaging": packaging, "differently_since": since, "reason": "No lids any more"});
    let path = "/api/weight-loss/answers";
    for wrong in ["2030-01-01", "2020-01-01"] {
        farm.post(path, anew(wrong)).await.ensure_problem(422, "invalid", Some("/differently_since"));
    }
    // Of a day after that count it says nothing of it.
    farm.create(path, anew(&farm.today().to_string())).await;
    assert_eq!(reported(&farm).await?["warning"]["missing_g"], 430);
    farm.pass(TimeDelta::minutes(1));
    let kept = farm.create(path, anew(since)).await;
    let row = reported(&farm).await?;
    // The count of that day is all that it is learned from, and it is as it should be.
    assert_eq!((&row["lots"], &row["warning"]), (&json!(1), &Value::Null), "{row}");
    assert_eq!(row["learned_since"], kept);
    assert!(!page(&farm, "/").await.contains(SAID));
    let told = page(&farm, "/weight-loss").await;
    assert!(told.contains("No lids any more") && told.contains("from 1 counted lot"), "{told}");
    Ok(())
}

/// “All there” is touched where somebody looked and weighed nothing: it says nothing of water, which goes on until a scale tells.
#[tokio::test]
async fn what_was_looked_at_and_not_weighed_teaches_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(10_000).await;
    farm.pass(TimeDelta::hours(24));
    read_at(&farm, 24, 3.0).await;
    count(&farm, "F1", &lot, 10_000).await;
    farm.pass(TimeDelta::hours(24));
    read_at(&farm, 24, 3.0).await;
    let count = count(&farm, "F1", &lot, 9870).await;
    assert_eq!(count["rows"][0]["published"]["likely_g"], 650, "{count}");
    assert_eq!(reported(&farm).await?["lots"], 1);
    Ok(())
}

/// What was carried to the van by the book's weight has dried in the fridge.
#[tokio::test]
async fn what_came_from_another_store_is_told_of_only_once_it_was_weighed_there() -> Result<()> {
    let farm = quiet_farm().await?;
    let lot = stood(&farm).await;
    let carried = json!({"kind": "transfer", "lot": lot, "from_place": "F1", "to_place": "VAN", "grams_g": 10_000});
    farm.create("/api/movements", carried).await;
    farm.pass(TimeDelta::hours(1));
    let first = count(&farm, "VAN", &lot, 9570).await;
    assert_eq!((&first["rows"][0]["transferred"], &first["loss_warnings"]), (&json!(true), &json!([])), "{first}");
    farm.pass(TimeDelta::hours(1));
    let next = count(&farm, "VAN", &lot, 9000).await;
    assert_eq!(next["rows"][0]["transferred"], json!(false), "{next}");
    assert_eq!(next["loss_warnings"][0]["missing_g"], 570, "{next}");
    Ok(())
}
