//! Dockets as despatch advice: what went out, lot by lot, for the customer's own stock book. It has no prices, and says nothing of what was
//! refused or came back, which is the customer's to tell.

use chrono::NaiveDate;
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    party::Party,
    selling::docket::{Docket, DocketLine, DocketStatus, KITCHEN_CAUTION, OrderedLine, packs_of},
    units::calendar::day_of,
};
use quick_xml::{
    Writer,
    events::{BytesDecl, Event},
};
use rust_decimal::Decimal;

use super::{CRATE, GRAM, KILOGRAM, Out, PIECE, Written, inside, party, quantity, text};

/// A docket as UBL despatch advice. Days are those of the farm's `zone`; the docket is not void.
#[must_use]
pub fn despatch_advice(of: &Docket, farm: &Party, zone: Tz) -> Vec<u8> {
    let mut out = Writer::new(Vec::new());
    document(&mut out, of, farm, zone).expect("writing into memory does not fail");
    out.into_inner()
}

/// How much less was sent than was ordered, and why where that is said.
fn outstanding(out: &mut Out, ordered: &OrderedLine, of: &Docket) -> Written {
    count(out, "cbc:OutstandingQuantity", ordered.short_g, packs_of(ordered.short_g, ordered))?;
    if of.short_because.is_empty() { Ok(()) } else { text(out, "cbc:OutstandingReason", &of.short_because) }
}

fn document(out: &mut Out, of: &Docket, farm: &Party, zone: Tz) -> Written {
    out.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    out.create_element("DespatchAdvice")
        .with_attribute(("xmlns", "urn:oasis:names:specification:ubl:schema:xsd:DespatchAdvice-2"))
        .with_attribute(("xmlns:cac", "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"))
        .with_attribute(("xmlns:cbc", "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"))
        .write_inner_content(|out| {
            text(out, "cbc:UBLVersionID", "2.1")?;
            text(out, "cbc:ID", of.docket.as_str())?;
            text(out, "cbc:IssueDate", &day_of(of.dispatched_at, zone).to_string())?;
            text(out, "cbc:IssueTime", &of.dispatched_at.with_timezone(&zone).format("%H:%M:%S%:z").to_string())?;
            text(out, "cbc:Note", KITCHEN_CAUTION)?;
            if !of.reference.is_empty() {
                inside(out, "cac:OrderReference", |out| {
                    text(out, "cbc:ID", &of.reference)?;
                    text(out, "cbc:SalesOrderID", of.order.as_str())
                })?;
            }
            inside(out, "cac:DespatchSupplierParty", |out| party(out, farm))?;
            let customer = Party { name: of.customer_name.clone(), address: of.address.clone(), ..Party::default() };
            inside(out, "cac:DeliveryCustomerParty", |out| party(out, &customer))?;
            shipment(out, of, zone)?;
            of.lines.iter().try_for_each(|l| line(out, l, of))?;
            let unsent = of.ordered.iter().filter(|o| sent_with(of, o).next().is_none());
            unsent.zip(1_i64..).try_for_each(|(ordered, n)| {
                let id = of.lines.iter().map(|l| i64::from(l.line)).max().unwrap_or_default() + n;
                unsent_line(out, id, ordered, of)
            })
        })
        .map(drop)
}

fn shipment(out: &mut Out, of: &Docket, zone: Tz) -> Written {
    inside(out, "cac:Shipment", |out| {
        text(out, "cbc:ID", of.docket.as_str())?;
        weight(out, of.lines.iter().map(|l| l.grams_g).sum())?;
        if let Some(delivery) = of.delivery.as_ref().filter(|d| d.crates_out > 0) {
            quantity(out, "cbc:TotalTransportHandlingUnitQuantity", delivery.crates_out.into(), CRATE)?;
        }
        inside(out, "cac:Delivery", |out| {
            if of.status == DocketStatus::Delivered {
                let at = of.handed_over_at().with_timezone(&zone);
                text(out, "cbc:ActualDeliveryDate", &at.date_naive().to_string())?;
                text(out, "cbc:ActualDeliveryTime", &at.format("%H:%M:%S%:z").to_string())?;
            }
            inside(out, "cac:RequestedDeliveryPeriod", |out| {
                text(out, "cbc:StartDate", &of.delivery_day.to_string())?;
                text(out, "cbc:EndDate", &of.delivery_day.to_string())
            })
        })
    })
}

fn weight(out: &mut Out, grams: Grams) -> Written {
    quantity(out, "cbc:NetWeightMeasure", grams.0.into(), GRAM)
}

/// Packs, or kilograms of what is loose.
fn count(out: &mut Out, name: &str, grams: Grams, packs: Option<i64>) -> Written {
    match packs {
        Some(packs) => quantity(out, name, packs.into(), PIECE),
        None => quantity(out, name, Decimal::new(grams.0, 3), KILOGRAM),
    }
}

/// The docket's lines that went out for a line of the order.
fn sent_with<'a>(of: &'a Docket, ordered: &'a OrderedLine) -> impl Iterator<Item = &'a DocketLine> {
    of.lines.iter().filter(|l| l.order_line == ordered.order_line)
}

/// A line of our own order: nobody gives the numbers of the lines of theirs.
fn order_line(out: &mut Out, order_line: i32, of: &Docket) -> Written {
    inside(out, "cac:OrderLineReference", |out| {
        text(out, "cbc:LineID", &order_line.to_string())?;
        text(out, "cbc:SalesOrderLineID", &order_line.to_string())?;
        inside(out, "cac:OrderReference", |out| {
            text(out, "cbc:ID", of.order.as_str())?;
            text(out, "cbc:SalesOrderID", of.order.as_str())
        })
    })
}

fn line(out: &mut Out, l: &DocketLine, of: &Docket) -> Written {
    let ordered = of.ordered.iter().find(|o| o.order_line == l.order_line);
    let is_last = |o: &&OrderedLine| sent_with(of, o).last().is_some_and(|last| last.line == l.line);
    inside(out, "cac:DespatchLine", |out| {
        text(out, "cbc:ID", &l.line.to_string())?;
        let short = ordered.filter(|o| o.short_g > Grams::ZERO).filter(is_last);
        if let Some(short) = short {
            text(out, "cbc:Note", &format!("Ordered {}, short {}", short.grams_g, short.short_g))?;
        }
        if l.refused_g > Grams::ZERO {
            text(out, "cbc:Note", &format!("Refused at the door {}: {}", l.refused_g, l.refused_because))?;
        }
        if l.returned_g > Grams::ZERO {
            text(out, "cbc:Note", &format!("Came back {}: {}", l.returned_g, l.returned_because))?;
        }
        if let Some(warm) = &l.warm_spell {
            text(out, "cbc:Note", &warm.caution)?;
        }
        count(out, "cbc:DeliveredQuantity", l.grams_g, l.packs)?;
        if let Some(short) = short {
            outstanding(out, short, of)?;
        }
        order_line(out, l.order_line, of)?;
        inside(out, "cac:Item", |out| {
            text(out, "cbc:Name", &l.product_name)?;
            inside(out, "cac:SellersItemIdentification", |out| text(out, "cbc:ID", l.product.as_str()))?;
            inside(out, "cac:AdditionalItemProperty", |out| {
                text(out, "cbc:Name", "Grade")?;
                text(out, "cbc:Value", l.grade.as_str())
            })?;
            lot(out, l.lot.as_str(), l.harvest_day, l.best_before)
        })?;
        inside(out, "cac:Shipment", |out| {
            text(out, "cbc:ID", &l.line.to_string())?;
            weight(out, l.grams_g)
        })
    })
}

/// A lot, by the day of its harvest and its best-before day.
fn lot(out: &mut Out, lot: &str, harvest_day: NaiveDate, best_before: Option<NaiveDate>) -> Written {
    inside(out, "cac:ItemInstance", |out| {
        text(out, "cbc:ManufactureDate", &harvest_day.to_string())?;
        if let Some(day) = best_before {
            text(out, "cbc:BestBeforeDate", &day.to_string())?;
        }
        inside(out, "cac:LotIdentification", |out| text(out, "cbc:LotNumberID", lot))
    })
}

/// A line of the order of which nothing went out.
fn unsent_line(out: &mut Out, id: i64, ordered: &OrderedLine, of: &Docket) -> Written {
    inside(out, "cac:DespatchLine", |out| {
        text(out, "cbc:ID", &id.to_string())?;
        text(out, "cbc:Note", &format!("Ordered {}, short {}", ordered.grams_g, ordered.short_g))?;
        count(out, "cbc:DeliveredQuantity", Grams::ZERO, ordered.packs.map(|_| 0))?;
        outstanding(out, ordered, of)?;
        order_line(out, ordered.order_line, of)?;
        inside(out, "cac:Item", |out| {
            text(out, "cbc:Name", &ordered.product_name)?;
            inside(out, "cac:SellersItemIdentification", |out| text(out, "cbc:ID", ordered.product.as_str()))
        })
    })
}
