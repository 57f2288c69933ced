//! Documents as UBL 2.1 (OASIS Standard, 4 November 2013).

mod despatch;
mod invoice;

use gillbook_core::party::Party;
use quick_xml::Writer;
use rust_decimal::Decimal;

pub use self::{
    despatch::despatch_advice,
    invoice::{NoUbl, invoice},
};

/// Kilograms (UN/ECE Recommendation 20).
const KILOGRAM: &str = "KGM";
/// Grams (UN/ECE Recommendation 20).
const GRAM: &str = "GRM";
/// Pieces (UN/ECE Recommendation 20).
const PIECE: &str = "H87";
/// Crates (UN/ECE Recommendation 21, with the X that Recommendation 20 puts before its codes).
const CRATE: &str = "XCR";

type Out = Writer<Vec<u8>>;
type Written = std::io::Result<()>;

fn text(out: &mut Out, name: &str, value: &str) -> Written {
    out.create_element(name).write_text_content(quick_xml::events::BytesText::new(value)).map(drop)
}

fn inside(out: &mut Out, name: &str, inner: impl FnOnce(&mut Out) -> Written) -> Written {
    out.create_element(name).write_inner_content(inner).map(drop)
}

/// So much of a unit.
fn quantity(out: &mut Out, name: &str, count: Decimal, unit: &str) -> Written {
    out.create_element(name)
        .with_attribute(("unitCode", unit))
        .write_text_content(quick_xml::events::BytesText::new(&count.to_string()))
        .map(drop)
}

fn party(out: &mut Out, of: &Party) -> Written {
    inside(out, "cac:Party", |out| {
        if let Some((scheme, id)) = of.electronic_address.parts() {
            out.create_element("cbc:EndpointID")
                .with_attribute(("schemeID", scheme))
                .write_text_content(quick_xml::events::BytesText::new(id))?;
        }
        inside(out, "cac:PartyName", |out| text(out, "cbc:Name", &of.name))?;
        let lines: Vec<&str> = of.address.lines().filter(|l| !l.trim().is_empty()).collect();
        let country = of.country.as_str();
        if !lines.is_empty() || !country.is_empty() {
            inside(out, "cac:PostalAddress", |out| {
                lines.iter().try_for_each(|l| inside(out, "cac:AddressLine", |out| text(out, "cbc:Line", l)))?;
                if country.is_empty() {
                    return Ok(());
                }
                inside(out, "cac:Country", |out| text(out, "cbc:IdentificationCode", country))
            })?;
        }
        if !of.tax_number.is_empty() {
            inside(out, "cac:PartyTaxScheme", |out| {
                text(out, "cbc:CompanyID", &of.tax_number)?;
                scheme(out)
            })?;
        }
        inside(out, "cac:PartyLegalEntity", |out| text(out, "cbc:RegistrationName", &of.name))
    })
}

fn scheme(out: &mut Out) -> Written {
    inside(out, "cac:TaxScheme", |out| text(out, "cbc:ID", "VAT"))
}
