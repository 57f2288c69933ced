//! The rows that a week's money is the sum of, as the book has it now: on the page, and as CSV.

use chrono_tz::Tz;
use gillbook_core::{kinds::SaleKind, selling::sales_summary::ProductSales};
use gillbook_store::{farm::farms::Farm, reports::week_money::WeekSale};

use super::{full_time, g as grams, zone_of};
use crate::problem::Problem;

/// A row as the page shows it.
pub(super) struct SaleRow {
    pub when: String,
    pub what: String,
    /// The docket, where there is one to open.
    pub docket: Option<String>,
    pub customer: String,
    pub lot: String,
    pub grams: String,
    pub net: String,
}

pub(super) fn sale_row(sale: &WeekSale, zone: Tz) -> SaleRow {
    let under_docket = sale.kind != SaleKind::Stall;
    SaleRow {
        when: full_time(sale.at, zone),
        what: if sale.kind == SaleKind::Returned {
            format!("{}, returned", sale.document)
        } else {
            sale.document.clone()
        },
        docket: under_docket.then(|| sale.document.clone()),
        customer: sale.customer.to_string(),
        lot: sale.lot.as_ref().map_or_else(|| "–".into(), ToString::to_string),
        grams: grams(sale.grams_g),
        net: sale.net.to_string().replace('-', "\u{2212}"),
    }
}

/// A week's sales as CSV (RFC 4180), with the clock times of the farm.
pub(crate) fn sales_csv(farm: &Farm, sales: &[WeekSale]) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(farm);
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let heads = ["at", "kind", "document", "customer", "channel", "lot", "grams", "net", "tax", "fee", "currency"];
    let written = csv.write_record(heads).and_then(|()| {
        sales.iter().try_for_each(|s| {
            csv.write_record([
                s.at.with_timezone(&zone).to_rfc3339().as_str(),
                s.kind.as_str(),
                &s.document,
                s.customer.as_str(),
                s.channel.as_str(),
                s.lot.as_ref().map_or("", |l| l.as_str()),
                &s.grams_g.0.to_string(),
                &s.net.to_string(),
                &s.tax.to_string(),
                &s.fee.to_string(),
                &farm.currency,
            ])
        })
    });
    written.map_err(|_| Problem::broken())?;
    csv.into_inner().map_err(|_| Problem::broken())
}

/// What was sold by customer, product and tax rate, as CSV (RFC 4180).
pub(crate) fn product_sales_csv(rows: &[ProductSales], currency: &str) -> Result<Vec<u8>, Problem> {
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let heads = ["customer", "product", "tax_percent", "grams", "net", "currency"];
    let written = csv.write_record(heads).and_then(|()| {
        rows.iter().try_for_each(|row| {
            csv.write_record([
                row.customer.as_str(),
                row.product.as_ref().map_or("", |product| product.as_str()),
                &row.tax_percent.map_or_else(String::new, |percent| percent.to_string()),
                &row.grams_g.0.to_string(),
                &row.net.to_string(),
                currency,
            ])
        })
    });
    written.map_err(|_| Problem::broken())?;
    csv.into_inner().map_err(|_| Problem::broken())
}
