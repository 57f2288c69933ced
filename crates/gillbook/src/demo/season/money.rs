//! The season's paperwork: invoices on Mondays, payments when customers feel like it, a credit note now and then, and standing orders for the weeks to come.

use super::Season;
use crate::demo::{client::Client, setting::ZONE};
use anyhow::{Context, Result};
use chrono::{Days, NaiveDate};
use rand::RngExt;
use serde_json::{Value, json};

/// Pays when reminded, and no earlier.
const SLOW_PAYER: &str = "QUINCE";

impl Season {
    async fn write(&mut self, client: &Client, path: &str, body: Value) -> Result<Value> {
        let key = uuid::Builder::from_random_bytes(self.paperwork.random()).into_uuid();
        client.post(path, key, body).await
    }

    /// Invoices what was delivered in the week before, one invoice a customer.
    pub(super) async fn invoice(&mut self, client: &Client) -> Result<()> {
        let owed = client.get("/api/receivables").await?;
        if rows(&owed).any(|row| is_above_zero(text(row, "not_invoiced_net"))) {
            self.write(client, "/api/invoice-runs", json!({})).await?;
        }
        Ok(())
    }

    /// What came to the bank today: most pay all that is open within a week of its day, one pays a part, one pays late.
    pub(super) async fn look_at_the_bank(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let owed = client.get("/api/receivables").await?;
        for row in rows(&owed) {
            let customer = text(row, "customer");
            let (open, overdue) = (text(row, "open"), text(row, "overdue"));
            let wanted = if customer == SLOW_PAYER { overdue } else { open };
            let in_part = self.paperwork.random_bool(0.1);
            if !is_above_zero(wanted) || !self.paperwork.random_bool(0.15) {
                continue;
            }
            let amount = if in_part { "50.00" } else { wanted };
            let body = json!({"customer": customer, "amount": amount, "method": "bank_transfer", "reference": format!("Transfer {day}")});
            self.write(client, "/api/payments", body).await?;
        }
        Ok(())
    }

    /// Two customers settle on the same every week from the day after the season's last.
    pub(super) async fn take_standing_orders(&mut self, client: &Client) -> Result<()> {
        let from = self.clock.now().with_timezone(&ZONE).date_naive() + Days::new(1);
        let quince = json!({
            "customer": SLOW_PAYER, "from": from, "weekdays": ["tuesday", "friday"], "note": "By the kitchen door",
            "lines": [{"product": "OY", "grams_g": 2500}, {"product": "SH", "grams_g": 1000}],
        });
        let first_monday = json!({
            "customer": "GREENBOX", "from": from, "rule": "FREQ=MONTHLY;BYDAY=1MO", "on_closed_day": "day_after",
            "lines": [{"product": "OYP", "packs": 20}],
        });
        for body in [quince, first_monday] {
            self.write(client, "/api/standing-orders", body).await?;
        }
        Ok(())
    }

    /// A customer says that some of the tenth invoice was bruised, and something is taken off its largest line.
    pub(super) async fn make_good(&mut self, client: &Client) -> Result<()> {
        let latest = client.get("/api/invoices?limit=30").await?;
        let Some(tenth) = rows(&latest).find(|i| i["invoice"] == "INV-10" && i["credit_notes"] == json!([])) else {
            return Ok(());
        };
        let lines = tenth["lines"].as_array().context("an invoice has lines")?;
        let largest = lines.iter().max_by_key(|l| l["grams_g"].as_i64()).context("an invoice has a line")?;
        let taken_off = json!([{"line": largest["line"], "net": "0.50"}]);
        let body = json!({"invoice": tenth["invoice"], "lines": taken_off, "reason": "Caps were bruised"});
        self.write(client, "/api/credit-notes", body).await?;
        Ok(())
    }
}

fn rows(list: &Value) -> impl Iterator<Item = &Value> {
    list["rows"].as_array().into_iter().flatten()
}

fn text<'a>(row: &'a Value, member: &str) -> &'a str {
    row[member].as_str().unwrap_or_default()
}

/// Whether an amount is, as the interface writes it.
fn is_above_zero(amount: &str) -> bool {
    !amount.starts_with('-') && amount.chars().any(|c| matches!(c, '1'..='9'))
}
