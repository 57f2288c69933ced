//! The acts: what is asked for, what stands against it, and what becomes of the ledger.

use std::collections::BTreeMap;

use anyhow::{Context, Result, ensure};
use serde_json::{Value, json};

use super::{
    Business, CUSTOMERS, PRODUCTS,
    ledger::{Invoice, InvoiceLine, Line, Payment, Sale, cents, rounded, text},
};

impl Business {
    pub async fn sell(&mut self) -> Result<()> {
        let customer = self.below(CUSTOMERS.len());
        let products = &PRODUCTS[..=self.below(PRODUCTS.len())];
        let wanted: Vec<(usize, i64)> = (0..products.len()).map(|p| (p, self.grams(3000) + 99)).collect();
        self.farm.lot_of(wanted.iter().map(|w| w.1).sum()).await;
        let lines: Vec<Value> = wanted.iter().map(|(p, g)| json!({"product": PRODUCTS[*p].0, "grams_g": g})).collect();
        let order =
            json!({"customer": CUSTOMERS[customer], "delivery_day": self.farm.now().date_naive(), "lines": lines});
        let order = self.farm.create("/api/orders", order).await["order"].clone();
        let path = format!("/api/orders/{}/set-aside", order.as_str().unwrap_or_default());
        self.farm.ask(&self.farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
        let fetched = self.below(3) == 0;
        let body = if fetched { json!({"order": order}) } else { json!({"order": order, "van": "VAN"}) };
        let told = self.ask("sell", "/api/dockets", body, None).await?.context("a docket")?;
        let mut lines = Vec::new();
        for row in told["lines"].as_array().context("lines")? {
            let product = PRODUCTS.iter().find(|p| row["product"] == p.0).context("a product of ours")?;
            let grams = row["grams_g"].as_i64().context("grams")?;
            let kept = if fetched { grams } else { 0 };
            lines.push(Line { tax: product.2, grams, net: cents(&row["amount"])?, kept, billed_g: 0, billed_net: 0 });
        }
        // The lots of an order's line share what all of them cost together.
        for (p, ordered) in wanted {
            let net: i64 = lines.iter().filter(|l| l.tax == PRODUCTS[p].2).map(|l| l.net).sum();
            ensure!(net == rounded(ordered * PRODUCTS[p].1, 1000), "{ordered} g of {}: {net}", PRODUCTS[p].0);
        }
        let code = told["docket"].as_str().context("a docket's code")?.to_owned();
        self.ledger.sales.push(Sale { code, customer, delivered: fetched, lines });
        Ok(())
    }

    pub async fn hand_over(&mut self) -> Result<()> {
        let waiting: Vec<usize> = (0..self.ledger.sales.len()).filter(|s| !self.ledger.sales[*s].delivered).collect();
        if waiting.is_empty() {
            return self.sell().await;
        }
        let of = waiting[self.below(waiting.len())];
        let mut refused = Vec::new();
        for n in 0..self.ledger.sales[of].lines.len() {
            let grams = self.ledger.sales[of].lines[n].grams;
            let back = if self.below(3) == 0 { self.grams(grams) } else { 0 };
            self.ledger.sales[of].lines[n].kept = grams - back;
            if back > 0 {
                refused.push(json!({"line": n + 1, "grams_g": back, "reason": "Bruised"}));
            }
        }
        self.ledger.sales[of].delivered = true;
        let path = format!("/api/dockets/{}/delivery", self.ledger.sales[of].code);
        self.ask("hand over", &path, json!({"taken_by": "Cook", "refused": refused}), None).await.map(drop)
    }

    pub async fn give_back(&mut self) -> Result<()> {
        let had: Vec<(usize, usize)> = self.lines_where(|l| l.kept > 0);
        if had.is_empty() {
            return self.hand_over().await;
        }
        let (of, n) = had[self.below(had.len())];
        let kept = self.ledger.sales[of].lines[n].kept;
        let back = self.grams(kept + kept / 8 + 1);
        let over = (back > kept).then_some("more comes back than was kept");
        let path = format!("/api/dockets/{}/returns", self.ledger.sales[of].code);
        let body = json!({"lines": [{"line": n + 1, "grams_g": back}], "reason": "Soft"});
        if self.ask("return", &path, body, over).await?.is_some() {
            self.ledger.sales[of].lines[n].kept -= back;
        }
        Ok(())
    }

    pub fn lines_where(&self, is: impl Fn(&Line) -> bool) -> Vec<(usize, usize)> {
        let sales = self.ledger.sales.iter().enumerate();
        sales
            .flat_map(|(s, sale)| (0..sale.lines.len()).map(move |n| (s, n)))
            .filter(|(s, n)| is(&self.ledger.sales[*s].lines[*n]))
            .collect()
    }

    pub async fn invoice(&mut self) -> Result<()> {
        let customer = self.below(CUSTOMERS.len());
        let mut dockets = Vec::new();
        let mut against = None;
        for s in (0..self.ledger.sales.len()).filter(|s| self.ledger.sales[*s].customer == customer).collect::<Vec<_>>()
        {
            let sale = &self.ledger.sales[s];
            let has_some = sale.lines.iter().any(|l| l.kept > l.billed_g);
            let is_wrong = !sale.delivered || !has_some;
            // What cannot be invoiced is asked for now and then.
            if self.below(if is_wrong { 12 } else { 2 }) == 0 {
                dockets.push(s);
                if is_wrong {
                    against = Some("a docket is on its way or has nothing left");
                }
            }
        }
        let extra = (self.below(3) == 0).then(|| self.grams(2000));
        if dockets.is_empty() && extra.is_none() {
            against = Some("there is nothing on it");
        }
        let extras: Vec<Value> =
            extra.iter().map(|n| json!({"description": "Crates", "net": text(*n), "tax_percent": "20"})).collect();
        let codes: Vec<&str> = dockets.iter().map(|s| self.ledger.sales[*s].code.as_str()).collect();
        let body = json!({"customer": CUSTOMERS[customer], "dockets": codes, "extras": extras});
        let Some(told) = self.ask("invoice", "/api/invoices", body, against).await? else { return Ok(()) };
        let mut lines = Vec::new();
        for s in dockets {
            for (n, line) in self.ledger.sales[s].lines.iter_mut().enumerate().filter(|(_, l)| l.kept > l.billed_g) {
                let (grams, net) = (line.kept - line.billed_g, line.worth(line.kept) - line.billed_net);
                (line.billed_g, line.billed_net) = (line.billed_g + grams, line.billed_net + net);
                lines.push(InvoiceLine { of: Some((s, n)), tax: line.tax, grams, net, credited_g: 0, credited_net: 0 });
            }
        }
        lines.extend(extra.map(|net| InvoiceLine {
            of: None,
            tax: 200,
            grams: 0,
            net,
            credited_g: 0,
            credited_net: 0,
        }));
        let mut taxes: BTreeMap<i64, (i64, i64)> = BTreeMap::new();
        for line in &lines {
            taxes.entry(line.tax).or_default().0 += line.net;
        }
        for (rate, (tax, _)) in &mut taxes {
            *tax = rounded(*tax * rate, 1000);
        }
        let total = lines.iter().map(|l| l.net).sum::<i64>() + taxes.values().map(|t| t.0).sum::<i64>();
        ensure!(cents(&told["total"])? == total, "the invoice asks for {} and not {total}", told["total"]);
        // Its lines are numbered as it tells them.
        let number = |line: &InvoiceLine| {
            let of = line.of.map(|(s, n)| (self.ledger.sales[s].code.clone(), n + 1));
            let rows = told["lines"].as_array().into_iter().flatten();
            rows.into_iter().position(|row| match &of {
                Some((docket, n)) => row["docket"] == *docket && row["docket_line"] == *n,
                None => row["docket"].is_null(),
            })
        };
        lines.sort_by_key(number);
        let code = told["invoice"].as_str().context("an invoice's code")?.to_owned();
        let issued_on = self.farm.now().date_naive();
        self.ledger.invoices.push(Invoice { code, customer, issued_on, lines, taxes, total, credited: 0 });
        Ok(())
    }

    pub async fn credit(&mut self) -> Result<()> {
        if self.ledger.invoices.is_empty() {
            return self.invoice().await;
        }
        let i = self.below(self.ledger.invoices.len());
        let n = self.below(self.ledger.invoices[i].lines.len());
        let (of, left_g, left_net, tax) = {
            let line = &self.ledger.invoices[i].lines[n];
            (line.of, line.grams - line.credited_g, line.net - line.credited_net, line.tax)
        };
        let by_weight = of.is_some() && self.below(2) == 0;
        let (wanted, most) = if by_weight { ("grams_g", left_g) } else { ("net", left_net) };
        let asked = if self.below(3) == 0 && most > 0 { most } else { self.grams(most + most / 8 + 1) };
        let against = (asked > most).then_some("no so much is left of the line");
        let amount = if by_weight { json!(asked) } else { json!(text(asked)) };
        let body = json!({"invoice": self.ledger.invoices[i].code, "lines": [{"line": n + 1, wanted: amount}], "reason": "Agreed"});
        let Some(told) = self.ask("credit", "/api/credit-notes", body, against).await? else { return Ok(()) };
        let mut net = asked;
        if let Some((s, d)) = of.filter(|_| by_weight) {
            let line = &mut self.ledger.sales[s].lines[d];
            // What stays invoiced is what the docket is worth without them.
            let worth = (line.billed_net - line.worth(line.billed_g - asked)).max(0);
            (line.billed_g, line.billed_net) = (line.billed_g - asked, line.billed_net - worth);
            net = if asked == left_g { left_net } else { worth.min(left_net) };
        }
        let invoice = &mut self.ledger.invoices[i];
        let line = &mut invoice.lines[n];
        line.credited_net += net;
        line.credited_g += if by_weight { asked } else { 0 };
        let left: i64 = invoice.lines.iter().filter(|l| l.tax == tax).map(|l| l.net - l.credited_net).sum();
        let (asked_tax, credited_tax) = invoice.taxes.get_mut(&tax).context("a rate of the invoice")?;
        let left_tax = *asked_tax - *credited_tax;
        let off = if left == 0 { left_tax } else { rounded(net * tax, 1000).min(left_tax) };
        *credited_tax += off;
        invoice.credited += net + off;
        ensure!(cents(&told["total"])? == net + off, "{} is taken off and not {}", told["total"], net + off);
        Ok(())
    }

    pub async fn pay(&mut self) -> Result<()> {
        let customer = self.below(CUSTOMERS.len());
        let (open, credit) = (self.ledger.open(customer), self.ledger.credit(customer));
        let method = ["bank_transfer", "cash", "card", "write_off"][self.below(4)];
        let amount = match self.below(4) {
            0 => open,
            1 => 0,
            _ => self.grams(open + open / 4 + 50),
        };
        let mut due: Vec<usize> = self.ledger.of(customer).filter(|i| self.ledger.open_of(*i) > 0).collect();
        due.sort_by_key(|i| (self.ledger.invoices[*i].issued_on, *i));
        let mut left = amount + if method == "write_off" { 0 } else { credit };
        let mut shares = Vec::new();
        for i in due {
            let share = self.ledger.open_of(i).min(left);
            left -= share;
            if share > 0 {
                shares.push((i, share));
            }
        }
        let settled: i64 = shares.iter().map(|s| s.1).sum();
        let against = if amount == 0 && settled == 0 {
            Some("nothing is paid")
        } else if method == "write_off" && settled != amount {
            Some("so much is not owed")
        } else {
            None
        };
        let body = json!({"customer": CUSTOMERS[customer], "amount": text(amount), "method": method});
        let Some(told) = self.ask("pay", "/api/payments", body, against).await? else { return Ok(()) };
        let code = told["payment"].as_str().context("a payment's code")?.to_owned();
        self.ledger.payments.push(Payment { code, customer, amount, method, shares, reversed: false });
        Ok(())
    }

    pub async fn take_back(&mut self) -> Result<()> {
        if self.ledger.payments.is_empty() {
            return self.pay().await;
        }
        let p = self.below(self.ledger.payments.len());
        let was = self.ledger.payments[p].reversed;
        self.ledger.payments[p].reversed = true;
        let against = match self.ledger.credit(self.ledger.payments[p].customer) {
            _ if was => Some("it was taken back already"),
            credit if credit < 0 => Some("what was over of it has settled another since"),
            _ => None,
        };
        let path = format!("/api/payments/{}/reversal", self.ledger.payments[p].code);
        let done = self.ask("take back", &path, json!({"reason": "Bounced"}), against).await?;
        self.ledger.payments[p].reversed = was || done.is_some();
        Ok(())
    }
}
