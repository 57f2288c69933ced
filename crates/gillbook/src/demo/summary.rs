//! What came of the season, for the terminal.

use anyhow::Result;
use chrono::{DateTime, Utc};
use gillbook_core::units::calendar::{IsoWeek, day_of};
use serde_json::Value;

use super::{client::Client, setting::ZONE};

/// Prints the last closed week, the lots at risk, and the best and the worst batch.
pub(super) async fn print(client: &Client, until: DateTime<Utc>) -> Result<()> {
    let week = IsoWeek::of(day_of(until, ZONE)).previous();
    let report = client.get(&format!("/api/reports/weeks/{week}")).await?;
    println!("\nWeek {week}, closed: kilograms");
    print_sheet(&report["closed"]["total"]);
    print_counted(&report["closed"]["counted"], &report["closed"]["currency"]);
    println!("  money without tax, and fees:");
    for m in report["closed"]["money"].as_array().into_iter().flatten() {
        println!(
            "    {:<12} {:>9.3} kg  {:>9} {currency}  fee {:>6}  {} {currency} per kg",
            m["channel"].as_str().unwrap_or(""),
            kg(&m["grams_g"]),
            m["net"].as_str().unwrap_or(""),
            m["fee"].as_str().unwrap_or(""),
            m["per_kg"].as_str().unwrap_or("–"),
            currency = report["closed"]["currency"].as_str().unwrap_or("")
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
    println!("\nFinished batches, contribution per block:");
    if earnings["best"].is_null() {
        println!("    none yet; batches that stood in the rooms before the book was opened are not compared");
    }
    for word in ["best", "worst"] {
        let batch = earnings["batches"].as_array().and_then(|b| b.iter().find(|b| b["batch"] == earnings[word]));
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
    for (word, field) in [
        ("opening stock", "opening_g"),
        ("+ harvested", "harvested_g"),
        ("+ stock entered at start", "entered_g"),
        ("+ count gain", "found_g"),
        ("+ repacked in", "from_lots_g"),
        ("- sold", "sold_g"),
        ("- given away", "given_g"),
        ("- home use", "home_g"),
        ("- wasted", "wasted_g"),
        ("- samples", "tested_g"),
        ("- trimmed", "trimmed_g"),
        ("- water loss", "water_loss_g"),
        ("- unexplained loss", "unexplained_g"),
        ("- water, drying", "drying_g"),
        ("- left when finished", "finished_g"),
        ("- repacked out", "into_lots_g"),
        ("= closing stock", "closing_g"),
    ] {
        println!("    {word:<26} {:>9.3}", kg(&sheet[field]));
    }
}

fn print_counted(counted: &Value, currency: &Value) {
    if counted.is_null() {
        println!("  not counted");
        return;
    }
    println!(
        "  counted {}: closing by the book {:.3}, by the counts {:.3}",
        counted["last_counted_at"].as_str().unwrap_or(""),
        kg(&counted["closing_by_book_g"]),
        kg(&counted["closing_by_count_g"])
    );
    let expected = &counted["expected"];
    println!(
        "    water loss {:.3} (expected {:.3} to {:.3}), unexplained {:.3} ({:.1} % of what went through, {} {})",
        kg(&counted["water_loss_g"]),
        kg(&expected["low_g"]),
        kg(&expected["high_g"]),
        kg(&counted["unexplained_g"]),
        counted["unexplained_percent"].as_f64().unwrap_or(0.0),
        counted["unexplained_money"].as_str().unwrap_or(""),
        currency.as_str().unwrap_or("")
    );
}

fn kg(grams: &Value) -> f64 {
    grams.as_f64().unwrap_or(0.0) / 1000.0
}
