//! Credit notes: what is taken off an invoice, because goods came back or because it was agreed.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::Deserialize;
use utoipa::ToSchema;

use super::{
    billable::BillableLine,
    invoice::{Invoice, InvoiceKind, InvoiceLine, InvoicePlan, issue_day, plan},
    tax::TaxBy,
};
use crate::{
    refusal::Refusal,
    text::{InvoiceCode, Line},
    units::{calendar::Day, money::CurrencyRules, quantity::Grams},
};

/// What is taken off a line: grams that came back, or an amount that was agreed.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CreditLine {
    /// The invoice's line.
    pub line: i32,
    /// Grams of it. They are worth what the docket asked for them, but no more than is left of the line after allowances, and can be invoiced
    /// again.
    pub grams_g: Option<Grams>,
    /// A net amount, and no goods.
    #[schema(value_type = Option<String>)]
    pub net: Option<Decimal>,
}

/// A credit note to be issued.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCreditNote {
    /// The invoice that it corrects.
    pub invoice: InvoiceCode,
    /// What is taken off.
    #[serde(default)]
    #[schema(min_items = 1, max_items = 1000)]
    pub lines: Vec<CreditLine>,
    /// Why.
    pub reason: Line,
    /// The day that it bears; today unless said.
    pub issued_on: Option<Day>,
}

/// What a credit note is decided on.
#[derive(Debug, Clone)]
pub struct CreditFacts<'a> {
    /// The invoice, with what was credited of it so far.
    pub invoice: &'a Invoice,
    /// Tax by rate that credit notes took off it so far.
    pub credited_tax: &'a BTreeMap<Decimal, Decimal>,
    /// Its docket lines as they stand.
    pub billable: &'a [BillableLine],
    /// The farm's day.
    pub today: NaiveDate,
    /// The day of the credit note that was issued last.
    pub last_issued_on: Option<NaiveDate>,
    /// How tax is rounded.
    pub tax_by: TaxBy,
    /// The farm's coinage.
    pub coinage: CurrencyRules,
}

/// Draws up a credit note.
///
/// # Errors
/// Refuses a line that the invoice does not have or that is named twice, more than is left of it, both or neither of grams and an amount, a
/// credit note of a credit note, and a day to come, before the invoice or before the last credit note.
pub fn draw_up_credit(new: &NewCreditNote, facts: &CreditFacts<'_>) -> Result<InvoicePlan, Refusal> {
    let invoice = facts.invoice;
    if invoice.kind == InvoiceKind::CreditNote {
        return Err(Refusal::field(
            "/invoice",
            format!("{} is a credit note. Correct the invoice that it was for.", invoice.invoice),
        ));
    }
    let last = facts.last_issued_on.max(Some(invoice.issued_on));
    let issued_on = issue_day(new.issued_on, facts.today, last)?;
    if new.lines.is_empty() {
        return Err(Refusal::field("/lines", "Say what is taken off: grams of a line, or an amount."));
    }
    let mut lines: Vec<InvoiceLine> = Vec::new();
    for (n, wanted) in new.lines.iter().enumerate() {
        let at = |field: &str| format!("/lines/{n}/{field}");
        let Some(line) = invoice.lines.iter().find(|l| l.line == wanted.line) else {
            return Err(Refusal::field(at("line"), format!("{} has no line {}.", invoice.invoice, wanted.line)));
        };
        if lines.iter().any(|l| l.corrects_line == Some(line.line)) {
            return Err(Refusal::field(at("line"), format!("Line {} is named twice. Name it once.", line.line)));
        }
        let (grams, net, goods_net) = match (wanted.grams_g, wanted.net) {
            (Some(grams), None) => {
                let (net, worth) = goods_back(line, grams, facts, &at("grams_g"))?;
                (grams, net, worth)
            }
            (None, Some(net)) => (Grams::ZERO, allowance(line, net, facts, &at("net"))?, Decimal::ZERO),
            _ => return Err(Refusal::field(at("grams_g"), "Give grams or an amount, one of the two.")),
        };
        lines.push(InvoiceLine {
            corrects_line: Some(line.line),
            grams_g: grams,
            packs: line.packs.filter(|_| grams == line.grams_g && grams > Grams::ZERO),
            net,
            goods_net,
            credited_g: Grams::ZERO,
            credited_net: Decimal::ZERO,
            ..line.clone()
        });
    }
    let mut plan = plan(issued_on, issued_on, lines, facts.tax_by, facts.coinage);
    settle_tax(&mut plan, facts);
    Ok(plan)
}

/// What is taken off for grams that came back of a line, and what they are worth by their docket. The two differ where an allowance was given
/// for them before.
fn goods_back(
    line: &InvoiceLine,
    grams: Grams,
    facts: &CreditFacts<'_>,
    pointer: &str,
) -> Result<(Decimal, Decimal), Refusal> {
    let left_g = line.grams_g - line.credited_g;
    let left_net = line.net - line.credited_net;
    if line.docket.is_none() {
        return Err(Refusal::field(pointer, "This line is not goods. Give an amount instead."));
    }
    if grams <= Grams::ZERO || grams > left_g {
        return Err(Refusal::field(
            pointer,
            format!(
                "{left_g} of line {} are left to credit. Give more than nothing, and no more than that.",
                line.line
            ),
        ));
    }
    let docket = facts
        .billable
        .iter()
        .find(|b| Some(&b.docket) == line.docket.as_ref() && Some(b.docket_line) == line.docket_line);
    let worth = docket.map_or_else(
        || facts.coinage.round(line.goods_net * Decimal::from(grams.0) / Decimal::from(line.grams_g.0.max(1))),
        // By what the docket is worth without them, so that what stays invoiced is that, to the cent.
        |b| facts.coinage.round((b.billed_net - b.worth(b.billed_g - grams, facts.coinage)).max(Decimal::ZERO)),
    );
    let net = if grams == left_g { left_net } else { worth.min(left_net) };
    Ok((net, worth))
}

/// An amount that was agreed.
fn allowance(line: &InvoiceLine, net: Decimal, facts: &CreditFacts<'_>, pointer: &str) -> Result<Decimal, Refusal> {
    facts.coinage.ensure_amount(net, pointer)?;
    let left = line.net - line.credited_net;
    if net.is_zero() || net > left {
        return Err(Refusal::field(
            pointer,
            format!("{left} is left of line {}. Give more than nothing, and no more than that.", line.line),
        ));
    }
    Ok(facts.coinage.round(net))
}

/// The tax that goes with what is taken off: that of its own net, but of each rate no more than the invoice asked for, and all of the rest with the last of its net, so
/// that an invoice that is credited whole leaves no cent.
fn settle_tax(plan: &mut InvoicePlan, facts: &CreditFacts<'_>) {
    let invoice = facts.invoice;
    for tax in &mut plan.sums.taxes {
        let is_of = |percent: Decimal| percent.normalize() == tax.tax_percent;
        let asked: Decimal = invoice.taxes.iter().filter(|t| is_of(t.tax_percent)).map(|t| t.tax).sum();
        let credited: Decimal = facts.credited_tax.iter().filter(|(rate, _)| is_of(**rate)).map(|(_, tax)| *tax).sum();
        let of_rate = invoice.lines.iter().filter(|l| is_of(l.tax_percent));
        let left_net: Decimal = of_rate.map(|l| l.net - l.credited_net).sum::<Decimal>() - tax.net;
        let left_tax = asked - credited;
        tax.tax = facts.coinage.round(if left_net.is_zero() { left_tax } else { tax.tax.min(left_tax) });
    }
    plan.sums.tax = facts.coinage.round(plan.sums.taxes.iter().map(|t| t.tax).sum());
    plan.sums.total = plan.sums.net + plan.sums.tax;
}

impl CreditLine {
    /// What is proposed for a line of an invoice of which more is invoiced than the customer kept.
    #[must_use]
    pub fn proposed(line: &InvoiceLine, billable: &[BillableLine]) -> Option<Grams> {
        let of = billable
            .iter()
            .find(|b| Some(&b.docket) == line.docket.as_ref() && Some(b.docket_line) == line.docket_line)?;
        let over = (-of.unbilled_g()).min(line.grams_g - line.credited_g);
        (over > Grams::ZERO).then_some(over)
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::{
        super::examples::{billable, changed, day, euro, invoice_of},
        *,
    };

    fn facts<'a>(
        invoice: &'a Invoice,
        billable: &'a [BillableLine],
        credited_tax: &'a BTreeMap<Decimal, Decimal>,
    ) -> CreditFacts<'a> {
        CreditFacts {
            invoice,
            credited_tax,
            billable,
            today: day(20),
            last_issued_on: None,
            tax_by: TaxBy::Rate,
            coinage: euro(),
        }
    }

    #[expect(clippy::needless_pass_by_value, reason = "made where it is handed in")]
    fn credit(lines: serde_json::Value) -> NewCreditNote {
        changed(json!({"invoice": "INV-1", "reason": "came back"}), json!({"lines": lines}))
    }

    /// A line of 3 kg at 5.55, and one of 1 kg at 10.00, both at 7 per cent.
    fn example() -> (Invoice, Vec<BillableLine>) {
        let lines = vec![billable(1, 3000, "16.65", 3000), billable(2, 1000, "10.00", 1000)];
        (invoice_of(&lines), lines)
    }

    #[test]
    fn grams_that_came_back_are_worth_what_the_docket_is_worth_less() {
        let (invoice, mut lines) = example();
        lines[0].kept_g = Grams(2000);
        let plan =
            draw_up_credit(&credit(json!([{"line": 1, "grams_g": 1000}])), &facts(&invoice, &lines, &BTreeMap::new()))
                .unwrap();
        // 16.65 less 11.10; 7 per cent of 5.55 is 0.3885.
        assert_eq!((plan.lines[0].net, plan.sums.tax, plan.sums.total), (d("5.55"), d("0.39"), d("5.94")));
        assert_eq!(plan.lines[0].corrects_line, Some(1));
        assert_eq!(CreditLine::proposed(&invoice.lines[0], &lines), Some(Grams(1000)));
        assert_eq!(CreditLine::proposed(&invoice.lines[1], &lines), None);
    }

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    #[test]
    fn an_invoice_that_is_credited_in_parts_leaves_no_cent() {
        let (mut invoice, lines) = example();
        let mut credited_tax = BTreeMap::new();
        let mut total = Decimal::ZERO;
        // Tax of 26.65 is 1.87 (1.8655); of thirds of it 0.62, 0.62 and the rest.
        for wanted in [
            json!([{"line": 1, "net": "8.88"}]),
            json!([{"line": 1, "net": "7.77"}]),
            json!([{"line": 2, "net": "10"}]),
        ] {
            let plan = draw_up_credit(&credit(wanted), &facts(&invoice, &lines, &credited_tax)).unwrap();
            total += plan.sums.total;
            for line in &plan.lines {
                invoice.lines[usize::try_from(line.corrects_line.unwrap()).unwrap() - 1].credited_net += line.net;
            }
            *credited_tax.entry(plan.sums.taxes[0].tax_percent).or_default() += plan.sums.tax;
        }
        assert_eq!(total, invoice.total);
    }

    #[test]
    fn no_more_is_credited_than_is_left() {
        let (mut invoice, lines) = example();
        invoice.lines[0].credited_g = Grams(2500);
        invoice.lines[0].credited_net = d("13.87");
        let none = BTreeMap::new();
        let refused = |lines_of: serde_json::Value| {
            draw_up_credit(&credit(lines_of), &facts(&invoice, &lines, &none)).unwrap_err().faults[0].pointer.clone()
        };
        assert_eq!(refused(json!([{"line": 1, "grams_g": 501}])), "/lines/0/grams_g");
        assert_eq!(refused(json!([{"line": 1, "grams_g": 0}])), "/lines/0/grams_g");
        assert_eq!(refused(json!([{"line": 1, "net": "2.79"}])), "/lines/0/net");
        assert_eq!(refused(json!([{"line": 1, "net": "1.005"}])), "/lines/0/net");
        assert_eq!(refused(json!([{"line": 3, "grams_g": 1}])), "/lines/0/line");
        assert_eq!(refused(json!([{"line": 1}])), "/lines/0/grams_g");
        assert_eq!(refused(json!([{"line": 1, "grams_g": 1, "net": "1"}])), "/lines/0/grams_g");
        assert_eq!(refused(json!([{"line": 1, "grams_g": 1}, {"line": 1, "grams_g": 1}])), "/lines/1/line");
        assert_eq!(refused(json!([])), "/lines");
        let last =
            draw_up_credit(&credit(json!([{"line": 1, "grams_g": 500}])), &facts(&invoice, &lines, &none)).unwrap();
        assert_eq!(last.lines[0].net, d("2.78"));
    }

    #[test]
    fn a_credit_note_is_not_credited_and_bears_no_day_before_its_invoice() {
        let (mut invoice, lines) = example();
        let none = BTreeMap::new();
        let mut new = credit(json!([{"line": 1, "grams_g": 1}]));
        new.issued_on = Some(Day(day(9)));
        assert_eq!(draw_up_credit(&new, &facts(&invoice, &lines, &none)).unwrap_err().faults[0].pointer, "/issued_on");
        invoice.kind = InvoiceKind::CreditNote;
        new.issued_on = None;
        assert_eq!(draw_up_credit(&new, &facts(&invoice, &lines, &none)).unwrap_err().faults[0].pointer, "/invoice");
    }
}
