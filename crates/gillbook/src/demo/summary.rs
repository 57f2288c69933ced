//! What came of the season, for the terminal.

use anyhow::Result;
use chrono::{DateTime, Utc};
use gillbook_core::calendar::{IsoWeek, day_of};
use serde_json::Value;

use super::{client::Client, setting::ZONE};

/// Prints the last closed week, the lots at risk, and the best and the worst batch.
pub(super) async fn print(client: &Client, until: DateTime<Utc>) -> Result<()> {
    let week = IsoWeek::of(day_of(until, ZONE)).previous();
    let report = client.get(&format!("/api/reports/weeks/{week}")).await?;
    println!("\nWeek {week}, closed: kilograms");
    print_sheet(&report["closed"]["total"]);
    println!("  money, net:");
    for m in report["closed"]["money"].as_array().into_iter().flatten() {
        println!(
            "    {:<12} {:>9.3} kg  {:>9} {}",
            m["channel"].as_str().unwrap_or(""),
            kg(&m["grams_g"]),
            m["net"].as_str().unwrap_or(""),
            report["closed"]["currency"].as_str().unwrap_or("")
        );
    }

    let risk = client.get("/api/reports/shelf-life").await?;
    println!(
        "\nAt risk of not being sold in time: {:.3} kg, {} {}",
        kg(&risk["at_risk_g"]),
        risk["money"].as_str().unwrap_or(""),
        risk["currency"].as_str().unwrap_or("")
    );
    for lot in risk["lots"].as_array().into_iter().flatten().take(5) {
        println!(
            "    {:<14} {:>7.3} kg  last day {} ({})",
            lot["lot"].as_str().unwrap_or(""),
            kg(&lot["at_risk_g"]),
            lot["last_day"].as_str().unwrap_or(""),
            lot["when"].as_str().unwrap_or("")
        );
    }
    println!("    {}", risk["caution"].as_str().unwrap_or(""));

    let earnings = client.get("/api/reports/earnings").await?;
    let mut finished: Vec<&Value> = earnings["batches"]
        .as_array()
        .into_iter()
        .flatten()
        .filter(|b| b["standing"] == 0 && b["harvested_g"] != 0 && b["cook"].is_string())
        .collect();
    finished.sort_by(|a, b| money(a).total_cmp(&money(b)));
    println!("\nFinished batches, contribution per block:");
    for (word, batch) in [("best", finished.last()), ("worst", finished.first())] {
        let Some(b) = batch else { continue };
        println!(
            "    {word:<6} {:<10} {} blocks, {} lost, {:.0} g a block, efficiency {:.0} %, {} {} a block",
            b["batch"].as_str().unwrap_or(""),
            b["blocks"],
            b["lost"],
            b["per_block_g"].as_f64().unwrap_or(0.0),
            b["biological_efficiency"].as_f64().unwrap_or(0.0),
            b["contribution_per_block"].as_str().unwrap_or(""),
            earnings["currency"].as_str().unwrap_or(""),
        );
    }
    Ok(())
}

fn print_sheet(sheet: &Value) {
    let line = |word: &str, field: &str| println!("    {word:<24} {:>9.3}", kg(&sheet[field]));
    line("in the stores before", "opening_g");
    line("+ harvested", "harvested_g");
    line("+ entered at opening", "entered_g");
    line("+ found", "found_g");
    line("+ made of other lots", "from_lots_g");
    line("- sold", "sold_g");
    line("- given", "given_g");
    line("- wasted", "wasted_g");
    line("- trimmed", "trimmed_g");
    line("- weight lost", "weight_lost_g");
    line("- made into other lots", "into_lots_g");
    line("= in the stores after", "closing_g");
    line("difference", "difference_g");
}

fn kg(grams: &Value) -> f64 {
    grams.as_f64().unwrap_or(0.0) / 1000.0
}

fn money(batch: &Value) -> f64 {
    batch["contribution_per_block"].as_str().and_then(|t| t.parse().ok()).unwrap_or(0.0)
}
