//! What counts teach of the water that goods lose, and how more than that is told.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use crate::week::read_at;

/// A week of one lot of 10 kg that stands for two days at 3 °C, is counted and then thrown away: the count. By the published rate it loses
/// 650 g (`tests/reports/week/counts.rs`); here it loses what is said.
async fn counted(farm: &Farm, lost: i64) -> Result<Value> {
    let lot = farm.lot_of(10_000).await;
    farm.pass(TimeDelta::hours(48));
    read_at(farm, 48, 3.0).await;
    let lots = json!([{"lot": lot, "counted_g": 10_000 - lost}]);
    let count = farm.create("/api/stock-counts", json!({"place": "F1", "lots": lots})).await;
    farm.pass(TimeDelta::hours(1));
    crate::week::waste(farm, &lot, 10_000 - lost).await;
    farm.pass(TimeDelta::hours(24 * 7 - 49));
    Ok(count)
}

async fn reported(farm: &Farm) -> Result<Value> {
    let rows = farm.get("/api/reports/weight-loss").await["rows"].clone();
    let row = rows.as_array().and_then(|r| r.iter().find(|r| r["lots"] != 0 || r["warning"] != Value::Null));
    row.cloned().with_context(|| rows.to_string())
}

fn width(count: &Value) -> i64 {
    let gram = |name: &str| count["rows"][0]["expected"][name].as_i64().unwrap_or(i64::MIN);
    gram("high_g") - gram("low_g")
}

/// Around 130 g a week, a fifth of the published rate. In the seventh week 300 g are gone besides.
async fn robbed_farm() -> Result<(Farm, Vec<Value>)> {
    let mut farm = Farm::new().await?;
    let mut counts = Vec::new();
    for (week, lost) in [130, 120, 140, 125, 135, 130, 430].into_iter().enumerate() {
        if week % 3 == 2 {
            farm.owner = farm.sign_in("ada").await;
        }
        counts.push(counted(&farm, lost).await?);
    }
    farm.owner = farm.sign_in("ada").await;
    Ok((farm, counts))
}

#[tokio::test]
async fn counts_narrow_what_is_expected_and_what_is_taken_stands_out() -> Result<()> {
    let (farm, counts) = robbed_farm().await?;
    // Before any count: a tenth to two and a half times the published rate, and a lot's own scatter; integrated apart from the program (see
    // `week/counts.rs`).
    assert_eq!(
        counts[0]["rows"][0]["expected"],
        json!({"low_g": 59, "likely_g": 323, "high_g": 1602}),
        "{}",
        counts[0]
    );
    assert!(counts[..6].iter().all(|c| c["loss_warnings"] == json!([])), "{counts:?}");
    assert!(width(&counts[5]) * 20 < width(&counts[0]), "{} then {}", counts[0], counts[5]);
    let robbed = &counts[6];
    assert!(robbed["rows"][0]["unexplained_g"].as_i64() > Some(200), "{robbed}");
    let warning = &robbed["loss_warnings"][0];
    assert_eq!((&warning["counts"], &warning["missing_g"]), (&json!(1), &json!(430)), "{robbed}");
    assert!(warning["chance"].as_f64() < Some(1e-4), "{warning}");
    // Kept as they were told.
    let listed = farm.get("/api/stock-counts").await["rows"].clone();
    assert_eq!(listed.as_array().map(Vec::len), Some(7));
    assert!(listed.as_array().is_some_and(|all| all.contains(robbed)), "{listed}");

    let row = reported(&farm).await?;
    // What was told teaches nothing: six lots did.
    assert_eq!((&row["lots"], &row["warning"]["missing_g"]), (&json!(6), &json!(430)), "{row}");
    let day = row["a_day"]["likely_percent"].as_f64().context("a share")?;
    // 130 g of 10 kg in two days is 0.65 % a day.
    assert!((0.55..0.75).contains(&day), "{row}");

    let page = farm.raw("GET", "/weight-loss", &[], Vec::new()).await.text;
    for said in ["More is missing than dries off.", "430\u{a0}g", "from 6 counted lots"] {
        let said = said.replace('\u{a0}', " ");
        assert!(page.replace('\u{a0}', " ").contains(&said), "{said}: {page}");
    }
    assert!(farm.raw("GET", "/", &[], Vec::new()).await.text.contains("is missing than dries off"));
    Ok(())
}

#[tokio::test]
async fn a_warning_is_settled_by_the_next_count_or_by_taking_the_count_back() -> Result<()> {
    let (farm, counts) = robbed_farm().await?;
    let act = counts[6]["act"]["act_id"].as_str().context("an act")?;
    let reversal = format!("/api/acts/{act}/reversal");
    // The rest was thrown away since, so the count stays; the next one is as those before.
    farm.post(&reversal, json!({"reason": "Read wrong"})).await;
    let next = counted(&farm, 130).await?;
    assert_eq!(next["loss_warnings"], json!([]), "{next}");
    let row = reported(&farm).await?;
    assert_eq!((&row["lots"], &row["warning"]), (&json!(7), &Value::Null), "{row}");
    Ok(())
}

#[tokio::test]
async fn what_dries_otherwise_now_is_learned_anew() -> Result<()> {
    let (farm, counts) = robbed_farm().await?;
    let (strain, packaging) = (&counts[6]["loss_warnings"][0]["strain"], &counts[6]["loss_warnings"][0]["packaging"]);
    let since = counts[6]["act"]["happened_at"].as_str().and_then(|t| t.get(..10)).context("a day")?;
    let anew = |since: &str, strain: &Value| json!({"strain": strain, "packaging": packaging, "since": since, "reason": "No lids any more"});
    let path = "/api/weight-loss/relearnings";
    farm.post(path, anew("2030-01-01", strain)).await.ensure_problem(422, "invalid", Some("/since"));
    farm.post(path, anew("2020-01-01", strain)).await.ensure_problem(422, "invalid", Some("/since"));
    farm.post(path, anew(since, &json!("XX"))).await.ensure_problem(422, "invalid", Some("/strain"));
    let kept = farm.create(path, anew(since, strain)).await;
    assert_eq!(kept["reason"], "No lids any more");
    let row = reported(&farm).await?;
    // The count of that day is all that it is learned from, and it is as it should be.
    assert_eq!((&row["lots"], &row["warning"]), (&json!(1), &Value::Null), "{row}");
    assert_eq!(row["relearned"]["entered_by"], kept["entered_by"]);
    assert!(!farm.raw("GET", "/", &[], Vec::new()).await.text.contains("is missing than dries off"));
    let page = farm.raw("GET", "/weight-loss", &[], Vec::new()).await.text;
    assert!(page.contains("No lids any more") && page.contains("from 1 counted lot"), "{page}");
    Ok(())
}

/// “All there” is touched where somebody looked and weighed nothing: it says nothing of water, which goes on until a scale tells.
#[tokio::test]
async fn what_was_looked_at_and_not_weighed_teaches_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(10_000).await;
    let at_the_scale = |grams: i64| json!({"place": "F1", "lots": [{"lot": lot, "counted_g": grams}]});
    farm.pass(TimeDelta::hours(24));
    read_at(&farm, 24, 3.0).await;
    farm.create("/api/stock-counts", at_the_scale(10_000)).await;
    farm.pass(TimeDelta::hours(24));
    read_at(&farm, 24, 3.0).await;
    let count = farm.create("/api/stock-counts", at_the_scale(9870)).await;
    assert_eq!(count["rows"][0]["published"]["likely_g"], 650, "{count}");
    assert_eq!(reported(&farm).await?["lots"], 1);
    Ok(())
}
