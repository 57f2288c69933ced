//! Invoices and credit notes, for the customer's own books.
//!
//! The sums are those of EN 16931-1:2017, 6.4, in its two decimals. It does not claim to be an EN 16931 invoice: that asks for a country's
//! letters of both parties, which a free address does not have.

use gillbook_core::{
    Grams,
    kinds::PriceUnit,
    selling::invoice::{Invoice, InvoiceKind, InvoiceLine},
};
use quick_xml::{
    Writer,
    events::{BytesDecl, Event},
};
use rust_decimal::{Decimal, RoundingStrategy};

use super::{KILOGRAM, Out, PIECE, Written, inside, party, quantity, scheme, text};

/// Why an invoice has no UBL.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoUbl {
    /// Its currency has no two decimals.
    #[error("UBL by EN 16931 knows amounts of two decimals, and this currency has others.")]
    Decimals,
    /// Its tax was worked out by another rule than half up for each rate.
    #[error("UBL by EN 16931 rounds the tax of each rate half up, and this tax was worked out otherwise.")]
    Rounding,
}

/// The document as XML.
///
/// # Errors
/// Says why it has none.
pub fn invoice(of: &Invoice) -> Result<Vec<u8>, NoUbl> {
    if of.net.scale() != 2 {
        return Err(NoUbl::Decimals);
    }
    let half_up = |t: Decimal| t.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero);
    if of.taxes.iter().any(|t| half_up(t.net * t.tax_percent / Decimal::ONE_HUNDRED) != t.tax) {
        return Err(NoUbl::Rounding);
    }
    let mut out = Writer::new(Vec::new());
    document(&mut out, of).expect("writing into memory does not fail");
    Ok(out.into_inner())
}

/// What differs between the two kinds of document.
struct Names {
    root: &'static str,
    space: &'static str,
    type_code: (&'static str, &'static str),
    line: &'static str,
    quantity: &'static str,
}

const fn names(kind: InvoiceKind) -> Names {
    match kind {
        InvoiceKind::Invoice => Names {
            root: "Invoice",
            space: "urn:oasis:names:specification:ubl:schema:xsd:Invoice-2",
            type_code: ("cbc:InvoiceTypeCode", "380"),
            line: "cac:InvoiceLine",
            quantity: "cbc:InvoicedQuantity",
        },
        InvoiceKind::CreditNote => Names {
            root: "CreditNote",
            space: "urn:oasis:names:specification:ubl:schema:xsd:CreditNote-2",
            type_code: ("cbc:CreditNoteTypeCode", "381"),
            line: "cac:CreditNoteLine",
            quantity: "cbc:CreditedQuantity",
        },
    }
}

fn money(out: &mut Out, name: &str, amount: Decimal, currency: &str) -> Written {
    out.create_element(name)
        .with_attribute(("currencyID", currency))
        .write_text_content(quick_xml::events::BytesText::new(&amount.to_string()))
        .map(drop)
}

fn document(out: &mut Out, of: &Invoice) -> Written {
    let names = names(of.kind);
    out.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    out.create_element(names.root)
        .with_attribute(("xmlns", names.space))
        .with_attribute(("xmlns:cac", "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"))
        .with_attribute(("xmlns:cbc", "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"))
        .write_inner_content(|out| {
            text(out, "cbc:UBLVersionID", "2.1")?;
            text(out, "cbc:ID", of.invoice.as_str())?;
            text(out, "cbc:IssueDate", &of.issued_on.to_string())?;
            if of.kind == InvoiceKind::Invoice {
                text(out, "cbc:DueDate", &of.due_on.to_string())?;
            }
            text(out, names.type_code.0, names.type_code.1)?;
            if !of.note.is_empty() {
                text(out, "cbc:Note", &of.note)?;
            }
            text(out, "cbc:DocumentCurrencyCode", &of.currency)?;
            if let Some(reference) = of.order_reference() {
                inside(out, "cac:OrderReference", |out| text(out, "cbc:ID", reference))?;
            }
            if let Some(corrects) = &of.corrects {
                inside(out, "cac:BillingReference", |out| {
                    inside(out, "cac:InvoiceDocumentReference", |out| text(out, "cbc:ID", corrects.as_str()))
                })?;
            }
            inside(out, "cac:AccountingSupplierParty", |out| party(out, &of.seller))?;
            inside(out, "cac:AccountingCustomerParty", |out| party(out, &of.buyer))?;
            if of.kind == InvoiceKind::Invoice && !of.payment_details.is_empty() {
                inside(out, "cac:PaymentTerms", |out| text(out, "cbc:Note", &of.payment_details))?;
            }
            sums(out, of)?;
            of.lines.iter().try_for_each(|l| line(out, l, of, &names))
        })
        .map(drop)
}

/// The letter of a rate: standard where there is tax; where there is none exempt, if it is said why, or else zero-rated (UN/ECE 5305).
const fn letter(is_taxed: bool, has_reason: bool) -> &'static str {
    match (is_taxed, has_reason) {
        (true, _) => "S",
        (false, true) => "E",
        (false, false) => "Z",
    }
}

/// A rate. The reason of an exemption stands with the sums alone (EN 16931-1:2017, BT-120).
fn category(out: &mut Out, name: &str, percent: Decimal, of: &Invoice, reason: Option<&str>) -> Written {
    inside(out, name, |out| {
        text(out, "cbc:ID", letter(!percent.is_zero(), !of.exemption_reason.is_empty()))?;
        text(out, "cbc:Percent", &percent.to_string())?;
        if let Some(reason) = reason {
            text(out, "cbc:TaxExemptionReason", reason)?;
        }
        scheme(out)
    })
}

fn sums(out: &mut Out, of: &Invoice) -> Written {
    inside(out, "cac:TaxTotal", |out| {
        money(out, "cbc:TaxAmount", of.tax, &of.currency)?;
        of.taxes.iter().try_for_each(|t| {
            inside(out, "cac:TaxSubtotal", |out| {
                money(out, "cbc:TaxableAmount", t.net, &of.currency)?;
                money(out, "cbc:TaxAmount", t.tax, &of.currency)?;
                let reason = Some(of.exemption_reason.as_str()).filter(|r| t.tax_percent.is_zero() && !r.is_empty());
                category(out, "cac:TaxCategory", t.tax_percent, of, reason)
            })
        })
    })?;
    inside(out, "cac:LegalMonetaryTotal", |out| {
        money(out, "cbc:LineExtensionAmount", of.net, &of.currency)?;
        money(out, "cbc:TaxExclusiveAmount", of.net, &of.currency)?;
        money(out, "cbc:TaxInclusiveAmount", of.total, &of.currency)?;
        money(out, "cbc:PayableAmount", of.total, &of.currency)
    })
}

/// How much of what unit a line is of. What is not goods, and an allowance, is one piece.
fn count_of(line: &InvoiceLine) -> (Decimal, &'static str) {
    match (line.unit, line.packs) {
        (Some(PriceUnit::Pack), Some(packs)) if line.grams_g > Grams::ZERO => (packs.into(), PIECE),
        _ if line.grams_g > Grams::ZERO => (Decimal::new(line.grams_g.0, 3), KILOGRAM),
        _ => (Decimal::ONE, PIECE),
    }
}

fn line(out: &mut Out, of: &InvoiceLine, invoice: &Invoice, names: &Names) -> Written {
    let (count, unit) = count_of(of);
    inside(out, names.line, |out| {
        text(out, "cbc:ID", &of.line.to_string())?;
        // A line's own reference of UBL asks for a line number of the customer's order, which nobody gives.
        if invoice.order_reference().is_none() && !of.order_reference.is_empty() {
            text(out, "cbc:Note", &format!("Order {}", of.order_reference))?;
        }
        quantity(out, names.quantity, count, unit)?;
        money(out, "cbc:LineExtensionAmount", of.net, &invoice.currency)?;
        if let (Some(docket), Some(n)) = (&of.docket, of.docket_line) {
            inside(out, "cac:DespatchLineReference", |out| {
                text(out, "cbc:LineID", &n.to_string())?;
                inside(out, "cac:DocumentReference", |out| text(out, "cbc:ID", docket.as_str()))
            })?;
        }
        inside(out, "cac:Item", |out| {
            text(out, "cbc:Name", &of.description)?;
            category(out, "cac:ClassifiedTaxCategory", of.tax_percent, invoice, None)
        })?;
        inside(out, "cac:Price", |out| money(out, "cbc:PriceAmount", price(of, count), &invoice.currency))
    })
}

/// The price of a unit: as agreed where it makes the line's amount, else the amount shared by the quantity.
fn price(line: &InvoiceLine, count: Decimal) -> Decimal {
    let agreed = line.price.filter(|price| ((price * count) - line.net).abs() <= Decimal::new(1, 2));
    agreed.unwrap_or_else(|| (line.net / count).round_dp(6).normalize())
}
