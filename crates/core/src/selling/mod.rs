//! What is sold first, what is promised, and what it brings.

pub mod allocation;
pub mod allocation_plan;
pub mod availability;
pub mod billable;
pub mod credit_note;
pub mod customer;
pub mod delivery;
pub mod dispatch;
pub mod docket;
pub mod earnings;
pub mod email;
pub mod gtin;
pub mod invoice;
pub mod invoice_run;
pub mod journal;
pub mod label;
pub mod market;
pub mod order;
pub mod order_to_cash;
pub mod packing_list;
pub mod payment;
pub mod period_lock;
pub mod pricing;
pub mod product;
pub mod promise;
pub mod recall;
pub mod receivables;
pub mod risk;
pub mod sales_summary;
pub mod set_aside;
pub mod signature;
pub mod simulation;
pub mod standing_order;
pub mod standing_schedule;
pub mod takings;
pub mod tally;
pub mod tax;
pub mod usual;
pub mod usual_demand;
pub mod ways_to_sell;

#[cfg(test)]
pub(crate) mod examples {
    //! A customer, products, docket lines and an invoice for tests, changed as they need.

    use serde_json::{Value, json};

    use std::collections::BTreeSet;

    use chrono::NaiveDate;
    use rust_decimal::Decimal;

    use super::{
        billable::BillableLine,
        customer::Customer,
        invoice::{Invoice, InvoiceFacts, InvoiceKind, draw_up},
        product::Product,
        tax::TaxBy,
    };
    use crate::{
        kinds::PriceUnit,
        text::DocketCode,
        units::{
            money::{CurrencyRules, Rounding},
            quantity::Grams,
        },
    };

    /// A body with some of its members changed.
    pub fn changed<T: serde::de::DeserializeOwned>(mut body: Value, changes: Value) -> T {
        let Value::Object(changes) = changes else { panic!("an object") };
        body.as_object_mut().unwrap().extend(changes);
        serde_json::from_value(body).unwrap()
    }

    pub fn customer(changes: Value) -> Customer {
        let body = json!({
            "customer": "CAFE", "name": "The café", "kind": "restaurant", "price_list": "STD", "least_days": 0, "freshest": false,
            "over_percent": 10.0, "under_percent": 5.0, "min_order_g": 0, "address": "", "email": "", "telephone": "", "docket_prices": true, "payment_days": 14, "tax_number": "", "country": "", "electronic_address": "",
            "order_by_days": 1, "order_by_time": "", "deliver_from": "", "deliver_until": "", "delivery_days": [], "substitutes": false, "round": "", "stop": 0, "version": 1,
        });
        changed(body, changes)
    }

    pub fn product(code: &str, changes: Value) -> Product {
        let body = json!({
            "product": code, "name": code, "strains": ["OY"], "least_grade": "A", "packaging": null, "form": "fresh", "pack_g": null,
            "tax_percent": "7", "gtin": null, "floor_per_kg": "0", "version": 1,
        });
        changed(body, changes)
    }

    /// Euros, rounded half up.
    pub fn euro() -> CurrencyRules {
        CurrencyRules::new("EUR", Rounding::HalfUp).unwrap()
    }

    /// A day of May 2026.
    pub fn day(n: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, n).unwrap()
    }

    /// A line of docket D-1 of so many grams for so much, of which so many grams are on invoices.
    pub fn billable(line: i32, grams: i64, net: &str, billed: i64) -> BillableLine {
        let net: Decimal = net.parse().unwrap();
        BillableLine {
            docket: "D-1".parse().unwrap(),
            docket_line: line,
            delivered_on: day(5),
            order_reference: String::new(),
            product_name: "Grey oyster".into(),
            pack_g: None,
            price: Decimal::new(555, 2),
            unit: PriceUnit::Kg,
            tax_percent: Decimal::new(7000, 3),
            sent_g: Grams(grams),
            sent_net: net,
            kept_g: Grams(grams),
            billed_g: Grams(billed),
            billed_net: if billed == grams { net } else { Decimal::ZERO },
        }
    }

    /// What an invoice of the twentieth is decided on.
    pub fn invoice_facts<'a>(billable: &'a [BillableLine], under_way: &'a BTreeSet<DocketCode>) -> InvoiceFacts<'a> {
        InvoiceFacts {
            billable,
            under_way,
            today: day(20),
            last_issued_on: Some(day(10)),
            payment_days: 14,
            tax_by: TaxBy::Rate,
            coinage: euro(),
        }
    }

    /// The invoice of docket lines that are all on it, issued on the tenth.
    pub fn invoice_of(lines: &[BillableLine]) -> Invoice {
        let unbilled: Vec<BillableLine> = lines
            .iter()
            .map(|l| BillableLine { billed_g: Grams::ZERO, billed_net: Decimal::ZERO, ..l.clone() })
            .collect();
        let under_way = BTreeSet::new();
        let mut facts = invoice_facts(&unbilled, &under_way);
        facts.today = day(10);
        let plan =
            draw_up(&serde_json::from_value(json!({"customer": "CAFE", "dockets": ["D-1"]})).unwrap(), &facts).unwrap();
        let party = crate::party::Party { name: "The café".into(), ..crate::party::Party::default() };
        Invoice {
            paper_size: crate::kinds::PaperSize::A4,
            exemption_reason: String::new(),
            invoice: "INV-1".parse().unwrap(),
            kind: InvoiceKind::Invoice,
            customer: "CAFE".parse().unwrap(),
            corrects: None,
            issued_on: plan.issued_on,
            due_on: plan.due_on,
            seller: party.clone(),
            buyer: party,
            payment_details: String::new(),
            currency: "EUR".into(),
            tax_name: "VAT".into(),
            note: String::new(),
            lines: plan.lines,
            taxes: plan.sums.taxes,
            net: plan.sums.net,
            tax: plan.sums.tax,
            total: plan.sums.total,
            credited: Decimal::ZERO,
            paid: Decimal::ZERO,
            open: plan.sums.total,
            credit_notes: Vec::new(),
            payments: Vec::new(),
            issued_by: "Mirel".into(),
        }
    }
}
