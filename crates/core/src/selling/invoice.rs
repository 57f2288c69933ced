//! Invoices: what was handed over and not invoiced yet, with its tax.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    billable::BillableLine,
    tax::{Sums, TaxBy, TaxTotal, add_up},
};
use crate::{
    kinds::{PaperSize, PriceUnit},
    party::Party,
    refusal::{FieldErrors, Refusal, RefusalKind},
    text::{CustomerCode, DocketCode, InvoiceCode, Line, Note},
    units::{calendar::Day, money::CurrencyRules, quantity::Grams},
};

/// Most dockets on one invoice: a month of three deliveries a day.
pub const MAX_DOCKETS: usize = 100;
/// Most lines that are not goods.
pub const MAX_EXTRAS: usize = 20;
/// Most lines of an invoice. Two pages of A4 hold some eighty.
pub const MAX_LINES: usize = 1000;

crate::kinds::string_enum!(/// Whether it asks for money or takes off what an invoice asked for.
InvoiceKind {
    /// An invoice.
    Invoice = "invoice",
    /// A credit note, which corrects an invoice.
    CreditNote = "credit_note",
});

/// A line that is not goods: a delivery charge, what was owed before the book began.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ExtraLine {
    /// What it is for.
    pub description: Line,
    /// Net amount.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Tax rate, per cent; no tax unless said.
    #[serde(default)]
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
}

/// An invoice to be issued. It takes all of a docket that the customer has and no invoice has taken.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewInvoice {
    /// The customer.
    pub customer: CustomerCode,
    /// The dockets.
    #[serde(default)]
    #[schema(max_items = 100)]
    pub dockets: Vec<DocketCode>,
    /// What is not goods.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub extras: Vec<ExtraLine>,
    /// The day that it bears; today unless said. Not before the day of the invoice that was issued last.
    pub issued_on: Option<Day>,
    /// What else stands on it: their order number, a word of thanks.
    #[serde(default)]
    pub note: Note,
}

/// A line of an invoice or a credit note.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct InvoiceLine {
    /// Its number.
    pub line: i32,
    /// Of a credit note: the line of the invoice that it corrects.
    pub corrects_line: Option<i32>,
    /// The docket, where it is goods.
    pub docket: Option<DocketCode>,
    /// The docket's line.
    pub docket_line: Option<i32>,
    /// The day on which the customer had it.
    pub delivered_on: Option<NaiveDate>,
    /// The number that the customer knows the order by; empty where they gave none, and of what is not goods.
    pub order_reference: String,
    /// What it is.
    pub description: String,
    /// Grams; none of what is not goods, and of an allowance.
    pub grams_g: Grams,
    /// How many packs, where it is sold in packs.
    pub packs: Option<i64>,
    /// Price of a unit.
    #[schema(value_type = Option<String>)]
    pub price: Option<Decimal>,
    /// A kilogram, or a pack.
    pub unit: Option<PriceUnit>,
    /// Tax rate, per cent.
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// Net amount (BT-131). Of goods it is the docket's, where an order line's amount is shared by the lots that filled it: it may be a cent off
    /// weight × price.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// What its grams are worth by their docket, which was earned at the hand-over. Of a credit note that is more than `net` where an allowance
    /// was given for them before.
    #[schema(value_type = String)]
    pub goods_net: Decimal,
    /// Grams that credit notes took back of it.
    pub credited_g: Grams,
    /// Net amount that credit notes took off it.
    #[schema(value_type = String)]
    pub credited_net: Decimal,
}

/// An invoice or a credit note.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Invoice {
    /// Code.
    pub invoice: InvoiceCode,
    /// Which of the two.
    pub kind: InvoiceKind,
    /// The customer.
    pub customer: CustomerCode,
    /// The invoice that a credit note corrects.
    pub corrects: Option<InvoiceCode>,
    /// The day that it bears.
    pub issued_on: NaiveDate,
    /// The day on which it is due.
    pub due_on: NaiveDate,
    /// Who it is from.
    pub seller: Party,
    /// Who it is for.
    pub buyer: Party,
    /// How it is paid.
    pub payment_details: String,
    /// ISO 4217 letters.
    pub currency: String,
    /// Why what bears no tax bears none; empty where all of it does, or no reason was given.
    pub exemption_reason: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// What tax is called.
    pub tax_name: String,
    /// What else stands on it; of a credit note, why.
    pub note: String,
    /// Lines.
    pub lines: Vec<InvoiceLine>,
    /// Tax by rate.
    pub taxes: Vec<TaxTotal>,
    /// Sum of the lines (BT-109).
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Sum of the tax (BT-110).
    #[schema(value_type = String)]
    pub tax: Decimal,
    /// What is asked for, or taken off (BT-112).
    #[schema(value_type = String)]
    pub total: Decimal,
    /// What credit notes took off it.
    #[schema(value_type = String)]
    pub credited: Decimal,
    /// What payments settled of it.
    #[schema(value_type = String)]
    pub paid: Decimal,
    /// What is still owed of it: total less credited less paid, and never less than nothing.
    #[schema(value_type = String)]
    pub open: Decimal,
    /// Credit notes that correct it.
    pub credit_notes: Vec<InvoiceCode>,
    /// Payments that settled some of it.
    pub payments: Vec<crate::text::PaymentCode>,
    /// Who issued it.
    pub issued_by: String,
}

impl Invoice {
    /// The order that all of its goods were ordered with, by the customer's number (BT-13); none where there are several or it has no number.
    #[must_use]
    pub fn order_reference(&self) -> Option<&str> {
        let mut references = self.lines.iter().filter(|l| l.docket.is_some()).map(|l| l.order_reference.as_str());
        let first = references.next().filter(|first| !first.is_empty())?;
        references.all(|other| other == first).then_some(first)
    }
}

/// What an invoice is decided on.
#[derive(Debug, Clone)]
pub struct InvoiceFacts<'a> {
    /// What is billable of the dockets that it names; a docket without a line here is not the customer's, or is void.
    pub billable: &'a [BillableLine],
    /// Dockets that it names and that are on their way still.
    pub under_way: &'a BTreeSet<DocketCode>,
    /// The farm's day.
    pub today: NaiveDate,
    /// The day of the invoice that was issued last.
    pub last_issued_on: Option<NaiveDate>,
    /// Days until it is due.
    pub payment_days: i32,
    /// How tax is rounded.
    pub tax_by: TaxBy,
    /// The farm's coinage.
    pub coinage: CurrencyRules,
}

/// An invoice or a credit note to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct InvoicePlan {
    /// The day that it bears.
    pub issued_on: NaiveDate,
    /// The day on which it is due.
    pub due_on: NaiveDate,
    /// Lines.
    pub lines: Vec<InvoiceLine>,
    /// Sums.
    pub sums: Sums,
}

impl InvoicePlan {
    /// Whether something of it bears no tax, so that it is to say why.
    #[must_use]
    pub fn has_untaxed(&self) -> bool {
        self.sums.taxes.iter().any(|t| t.tax_percent.is_zero())
    }
}

/// The day that a document bears. Numbers and days go up together, so that nobody can slip one in between.
pub(super) fn issue_day(wanted: Option<Day>, today: NaiveDate, last: Option<NaiveDate>) -> Result<NaiveDate, Refusal> {
    let day = wanted.map_or(today, |day| day.0);
    if day > today {
        return Err(Refusal::field("/issued_on", "That day is still to come. Use today or an earlier day."));
    }
    if let Some(last) = last.filter(|last| day < *last) {
        return Err(Refusal::field(
            "/issued_on",
            format!("The last one bears {last}, and days go up with the numbers. Use that day or a later one."),
        ));
    }
    Ok(day)
}

/// Draws up an invoice.
///
/// # Errors
/// Refuses a docket that is not the customer's, is void, was not handed over yet or has nothing left to invoice; one that is named twice; an
/// extra line of nothing; an invoice without lines; and a day to come, before the last invoice's, or before something on it was handed over.
pub fn draw_up(new: &NewInvoice, facts: &InvoiceFacts<'_>) -> Result<InvoicePlan, Refusal> {
    let mut faults = FieldErrors::default();
    let mut seen = BTreeSet::new();
    let mut lines = Vec::new();
    faults.check(
        new.dockets.len() <= MAX_DOCKETS,
        "/dockets",
        format!("An invoice takes {MAX_DOCKETS} dockets at most. Make two."),
    );
    for (n, docket) in new.dockets.iter().enumerate() {
        let of: Vec<&BillableLine> = facts.billable.iter().filter(|l| &l.docket == docket).collect();
        let open: Vec<&BillableLine> = of.iter().copied().filter(|l| l.unbilled_g() > Grams::ZERO).collect();
        let wrong = if !seen.insert(docket) {
            Some(format!("Docket {docket} is named twice. Name it once."))
        } else if facts.under_way.contains(docket) {
            Some(format!("Docket {docket} is on its way. Write down the hand-over first, then invoice it."))
        } else if of.is_empty() {
            Some(format!("{} has no docket {docket}, or it was taken back. Check the code.", new.customer))
        } else if open.is_empty() {
            Some(format!("Nothing of docket {docket} is left to invoice."))
        } else {
            None
        };
        match wrong {
            Some(wrong) => faults.check(false, format!("/dockets/{n}"), wrong),
            None => lines.extend(open.into_iter().map(|l| goods(l, facts.coinage))),
        }
    }
    lines.extend(extra_lines(&new.extras, facts.coinage, &mut faults)?);
    faults.done()?;
    if lines.is_empty() {
        return Err(Refusal::field("/dockets", "There is nothing on this invoice. Name a docket, or add a line."));
    }
    if lines.len() > MAX_LINES {
        return Err(Refusal::new(RefusalKind::Invalid, format!("An invoice has {MAX_LINES} lines at most. Make two.")));
    }
    let issued_on = issue_day(new.issued_on, facts.today, facts.last_issued_on)?;
    if let Some(later) =
        lines.iter().filter(|l| l.delivered_on.is_some_and(|day| day > issued_on)).max_by_key(|l| l.delivered_on)
    {
        let (docket, day) = (later.docket.as_ref().map_or("", |d| d.as_str()), later.delivered_on.unwrap_or(issued_on));
        return Err(Refusal::field(
            "/issued_on",
            format!("Docket {docket} was handed over on {day}. Use that day or a later one."),
        ));
    }
    let due_on = issued_on + chrono::TimeDelta::days(facts.payment_days.into());
    Ok(plan(issued_on, due_on, lines, facts.tax_by, facts.coinage))
}

/// Lines of what is not goods.
fn extra_lines(
    extras: &[ExtraLine],
    coinage: CurrencyRules,
    faults: &mut FieldErrors,
) -> Result<Vec<InvoiceLine>, Refusal> {
    let mut lines = Vec::new();
    faults.check(
        extras.len() <= MAX_EXTRAS,
        "/extras",
        format!("An invoice takes {MAX_EXTRAS} lines at most that are not goods."),
    );
    for (n, extra) in extras.iter().enumerate() {
        coinage.ensure_amount(extra.net, &format!("/extras/{n}/net"))?;
        faults.check(
            extra.net > Decimal::ZERO,
            format!("/extras/{n}/net"),
            "Give an amount above zero, or leave the line out.",
        );
        faults.check(
            (Decimal::ZERO..=Decimal::ONE_HUNDRED).contains(&extra.tax_percent)
                && extra.tax_percent.normalize().scale() <= 3,
            format!("/extras/{n}/tax_percent"),
            "A tax rate is from 0 to 100 per cent, with at most 3 decimals.",
        );
        lines.push(InvoiceLine {
            description: extra.description.to_string(),
            tax_percent: extra.tax_percent.normalize(),
            net: coinage.round(extra.net),
            ..blank()
        });
    }
    Ok(lines)
}

/// Numbers lines and adds them up.
pub(super) fn plan(
    issued_on: NaiveDate,
    due_on: NaiveDate,
    mut lines: Vec<InvoiceLine>,
    tax_by: TaxBy,
    coinage: CurrencyRules,
) -> InvoicePlan {
    lines.iter_mut().zip(1..).for_each(|(line, n)| line.line = n);
    let amounts: Vec<(Decimal, Decimal)> = lines.iter().map(|l| (l.tax_percent, l.net)).collect();
    InvoicePlan { issued_on, due_on, lines, sums: add_up(&amounts, tax_by, coinage) }
}

/// A line without anything.
pub(super) fn blank() -> InvoiceLine {
    InvoiceLine {
        line: 0,
        corrects_line: None,
        docket: None,
        docket_line: None,
        delivered_on: None,
        order_reference: String::new(),
        description: String::new(),
        grams_g: Grams::ZERO,
        packs: None,
        price: None,
        unit: None,
        tax_percent: Decimal::ZERO,
        net: Decimal::ZERO,
        goods_net: Decimal::ZERO,
        credited_g: Grams::ZERO,
        credited_net: Decimal::ZERO,
    }
}

/// What is left to invoice of a docket's line.
fn goods(line: &BillableLine, coinage: CurrencyRules) -> InvoiceLine {
    let net = line.unbilled_net(coinage).max(Decimal::ZERO);
    InvoiceLine {
        docket: Some(line.docket.clone()),
        docket_line: Some(line.docket_line),
        delivered_on: Some(line.delivered_on),
        order_reference: line.order_reference.clone(),
        description: line.product_name.clone(),
        grams_g: line.unbilled_g(),
        packs: line.packs(line.unbilled_g()),
        price: Some(line.price),
        unit: Some(line.unit),
        tax_percent: line.tax_percent.normalize(),
        net,
        goods_net: net,
        ..blank()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::{
        super::examples::{billable, changed, day, euro, invoice_facts},
        *,
    };

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn new(changes: serde_json::Value) -> NewInvoice {
        changed(json!({"customer": "CAFE", "dockets": ["D-1"]}), changes)
    }

    fn sums(lines: &[(&str, &str)], tax_by: TaxBy) -> Sums {
        let lines: Vec<_> = lines.iter().map(|(percent, net)| (d(percent), d(net))).collect();
        add_up(&lines, tax_by, euro())
    }

    /// Figures of the UBL examples that come with the EN 16931 validation artefacts 1.3.16: example2 (three rates; 365.125 goes up),
    /// example8 (ten lines of 21 %), sample-discount-price; and of Peppol BIS Billing 3 Vat-category-S.
    #[test]
    fn invoices_add_up_as_published() {
        let two = sums(&[("25", "1460.50"), ("15", "1.00"), ("0", "-25.00")], TaxBy::Rate);
        assert_eq!((two.net, two.tax, two.total), (d("1436.50"), d("365.28"), d("1801.78")));
        assert_eq!(two.taxes.iter().map(|t| t.tax).collect::<Vec<_>>(), [d("0.00"), d("0.15"), d("365.13")]);
        let eight = ["140.80", "16.16", "167.64", "88.74", "36.75", "56.50", "83.34", "190.31", "64.21", "64.46"];
        let eight: Vec<_> = eight.iter().map(|net| ("21", *net)).collect();
        let by_rate = sums(&eight, TaxBy::Rate);
        assert_eq!((by_rate.net, by_rate.tax, by_rate.total), (d("908.91"), d("190.87"), d("1099.78")));
        assert_eq!(sums(&eight, TaxBy::Line).tax, d("190.88"));
        let discount = sums(&[("25", "12.12")], TaxBy::Rate);
        assert_eq!((discount.tax, discount.total), (d("3.03"), d("15.15")));
        let two_rates = sums(&[("25", "5000"), ("15", "2000")], TaxBy::Rate);
        assert_eq!((two_rates.net, two_rates.tax, two_rates.total), (d("7000"), d("1550"), d("8550")));
    }

    #[test]
    fn an_invoice_takes_what_is_left_of_its_dockets() {
        let mut lines = vec![billable(1, 3000, "16.65", 0), billable(2, 1000, "10.00", 1000)];
        lines[0].kept_g = Grams(2000);
        let under_way = BTreeSet::new();
        let plan = draw_up(
            &new(json!({"extras": [{"description": "Delivery", "net": "4.50", "tax_percent": "19"}]})),
            &invoice_facts(&lines, &under_way),
        )
        .unwrap();
        assert_eq!(
            plan.lines.iter().map(|l| (l.line, l.grams_g, l.net)).collect::<Vec<_>>(),
            [(1, Grams(2000), d("11.10")), (2, Grams::ZERO, d("4.50"))]
        );
        // 7 % of 11.10 is 0.777, 19 % of 4.50 is 0.855.
        assert_eq!((plan.sums.net, plan.sums.tax, plan.sums.total), (d("15.60"), d("1.64"), d("17.24")));
        assert_eq!((plan.issued_on, plan.due_on), (day(20), NaiveDate::from_ymd_opt(2026, 6, 3).unwrap()));
    }

    #[test]
    fn a_refusal_names_the_docket_the_line_or_the_day() {
        let lines = [billable(1, 3000, "16.65", 0)];
        let all_billed = [billable(1, 3000, "16.65", 3000)];
        let none = BTreeSet::new();
        let under_way = BTreeSet::from(["D-1".parse().unwrap()]);
        let refused =
            |new: NewInvoice, facts: InvoiceFacts<'_>| draw_up(&new, &facts).unwrap_err().faults[0].pointer.clone();
        assert_eq!(refused(new(json!({"dockets": ["D-1", "D-2"]})), invoice_facts(&lines, &none)), "/dockets/1");
        assert_eq!(refused(new(json!({"dockets": ["D-1", "D-1"]})), invoice_facts(&lines, &none)), "/dockets/1");
        assert_eq!(refused(new(json!({})), invoice_facts(&[], &under_way)), "/dockets/0");
        assert_eq!(refused(new(json!({})), invoice_facts(&all_billed, &none)), "/dockets/0");
        assert_eq!(refused(new(json!({"dockets": []})), invoice_facts(&lines, &none)), "/dockets");
        for (extra, at) in [
            (json!({"description": "x", "net": "0"}), "/extras/0/net"),
            (json!({"description": "x", "net": "1.005"}), "/extras/0/net"),
            (json!({"description": "x", "net": "1", "tax_percent": "101"}), "/extras/0/tax_percent"),
        ] {
            assert_eq!(refused(new(json!({"extras": [extra]})), invoice_facts(&lines, &none)), at);
        }
        assert_eq!(refused(new(json!({"issued_on": "2026-05-21"})), invoice_facts(&lines, &none)), "/issued_on");
        assert_eq!(refused(new(json!({"issued_on": "2026-05-09"})), invoice_facts(&lines, &none)), "/issued_on");
    }

    #[test]
    fn packs_are_counted_where_they_are_whole() {
        let line = BillableLine { pack_g: Some(150), ..billable(1, 900, "9.00", 0) };
        assert_eq!((line.packs(Grams(900)), line.packs(Grams(800)), line.packs(Grams::ZERO)), (Some(6), None, None));
        assert_eq!(billable(1, 900, "9.00", 0).packs(Grams(900)), None);
    }

    proptest! {
        /// Whatever is kept and invoiced in whatever steps, what stands on invoices in the end is what the customer kept is worth.
        #[test]
        fn steps_of_invoices_add_up_to_what_was_kept(sent in 1i64..20_000, cents in 0i64..100_000, steps in prop::collection::vec(0.0f64..1.0, 1..6)) {
            let mut line = billable(1, sent, "0", 0);
            line.sent_net = Decimal::new(cents, 2);
            for share in steps {
                #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "below 2^53")]
                let kept = (sent as f64 * share) as i64;
                line.kept_g = Grams(kept);
                let step = line.unbilled_net(euro());
                line.billed_net += step;
                line.billed_g = line.kept_g;
                prop_assert_eq!(line.unbilled_net(euro()), Decimal::ZERO);
                prop_assert_eq!(line.billed_net, line.worth(line.kept_g, euro()));
                prop_assert!(line.billed_net >= Decimal::ZERO && line.billed_net <= line.sent_net);
            }
        }

        /// The tax of an invoice is that of its rates, and differs from the tax of its lines by half a cent a line at most.
        #[test]
        fn tax_by_rate_and_by_line_are_close(lines in prop::collection::vec((0u32..4, 0i64..1_000_000), 1..40)) {
            let lines: Vec<(Decimal, Decimal)> =
                lines.into_iter().map(|(rate, cents)| (d(["0", "5.5", "7", "19"][rate as usize]), Decimal::new(cents, 2))).collect();
            let (by_rate, by_line) = (add_up(&lines, TaxBy::Rate, euro()), add_up(&lines, TaxBy::Line, euro()));
            prop_assert_eq!(by_rate.net, lines.iter().map(|(_, net)| *net).sum::<Decimal>());
            prop_assert_eq!(by_rate.total, by_rate.net + by_rate.tax);
            prop_assert_eq!(by_rate.net, by_line.net);
            let bound = Decimal::new(5, 3) * Decimal::from(lines.len() + by_rate.taxes.len());
            prop_assert!((by_rate.tax - by_line.tax).abs() <= bound);
        }
    }
}
