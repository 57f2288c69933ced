//! What the label of a lot or a crate says, to people and to machines.

use chrono::NaiveDate;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::{
    kinds::{Form, LabelLayout, Packaging},
    refusal::Refusal,
    selling::{gtin::Gtin, product::Product},
    text::{LotCode, ProductCode, StrainCode},
    units::quantity::Grams,
};

/// The most labels in one document: two sheets of the smaller ones and more than a day's crates.
pub const MAX_LABELS: u16 = 100;

/// The most grams that a label can say: six digits with three decimals of a kilogram.
pub const MAX_NET_G: Grams = Grams(999_999);

/// Labels that are asked for.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct LabelQuery {
    /// The product that the goods are sold as: its name and its GTIN. Without one the label has the strain's name.
    pub product: Option<ProductCode>,
    /// Net weight of what the label is stuck on, g, up to 999,999; needed where the product's GTIN begins with 9. Of a product in packs it is the pack's.
    pub net_g: Option<Grams>,
    /// How many, up to 100; one unless said.
    #[param(minimum = 1, maximum = 100)]
    pub copies: Option<u16>,
    /// On a roll of 58 mm, or on A4 sheets; a roll unless said.
    pub layout: Option<LabelLayout>,
}

impl LabelQuery {
    /// How many.
    ///
    /// # Errors
    /// Names `copies`.
    pub fn copies(&self) -> Result<u16, Refusal> {
        let copies = self.copies.unwrap_or(1);
        if (1..=MAX_LABELS).contains(&copies) {
            return Ok(copies);
        }
        Err(Refusal::field("copies", format!("Ask for 1 to {MAX_LABELS} labels at a time.")))
    }
}

/// What a lot is, as its label needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LabelledLot {
    /// Code.
    pub lot: LotCode,
    /// Strain.
    pub strain: StrainCode,
    /// The strain's name.
    pub strain_name: String,
    /// The grade's name.
    pub grade_name: String,
    /// Harvest day.
    pub harvest_day: NaiveDate,
    /// Packaging.
    pub packaging: Packaging,
    /// Fresh or dried.
    pub form: Form,
    /// The day on which it was put into its packaging; not known of what was there at the opening, came back from a stall or was set apart.
    pub packed_on: Option<NaiveDate>,
    /// Best before.
    pub best_before: Option<NaiveDate>,
}

/// Whether a lot can be sold as a product, as far as its label goes: a grade that is too low is a matter of who sells it.
#[must_use]
pub fn fits(lot: &LabelledLot, p: &Product) -> bool {
    p.strains.contains(&lot.strain) && p.form == lot.form && p.packaging.is_none_or(|of| of == lot.packaging)
}

/// The weight that a label says.
///
/// # Errors
/// Names `product` where the lot cannot be sold as it, and `net_g` where it is no weight of a crate or another than the pack's.
pub fn net_weight(
    lot: &LabelledLot,
    product: Option<&Product>,
    asked: Option<Grams>,
) -> Result<Option<Grams>, Refusal> {
    if let Some(p) = product.filter(|p| !fits(lot, p)) {
        let detail = format!("Lot {} is not sold as {}: its strain, form or packaging is another.", lot.lot, p.product);
        return Err(Refusal::field("product", detail));
    }
    if asked.is_some_and(|grams| !(Grams(1)..=MAX_NET_G).contains(&grams)) {
        return Err(Refusal::field("net_g", "A label says 1 to 999,999 grams."));
    }
    let pack = product.and_then(|p| p.pack_g).map(|grams| Grams(grams.into()));
    if let (Some(pack), Some(asked)) = (pack, asked)
        && asked != pack
    {
        return Err(Refusal::field("net_g", format!("A pack of it weighs {pack} g. Leave the weight out.")));
    }
    let net = asked.or(pack);
    let needs_weight = product.and_then(|p| p.gtin.as_ref()).is_some_and(Gtin::is_of_variable_weight);
    if needs_weight && net.is_none() {
        return Err(Refusal::field(
            "net_g",
            "Its number is of goods that are weighed piece by piece. Give the weight.",
        ));
    }
    Ok(net)
}

/// An element of what machines read: its application identifier, and its value.
type Element = (&'static str, String);

/// Elements one after the other, as machines read them.
fn joined(elements: &[Element]) -> String {
    elements.iter().flat_map(|(ai, value)| [*ai, value.as_str()]).collect()
}

/// The elements of a label in the order of a code: those of fixed length first, so that nothing has to be set apart (GS1 General
/// Specifications, element string concatenation). There is none without a GTIN: a lot number alone says nothing of whose it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ElementString(Vec<Element>);

impl ElementString {
    /// The elements of a lot. The weight goes with a number of variable weight; any other number says its own.
    #[must_use]
    pub fn of(lot: &LabelledLot, gtin: &Gtin, net_g: Option<Grams>) -> Self {
        let date = |day: NaiveDate| day.format("%y%m%d").to_string();
        let elements = [
            Some(("01", gtin.of_14_digits())),
            net_g.filter(|_| gtin.is_of_variable_weight()).map(|grams| ("3103", format!("{:06}", grams.0))),
            lot.packed_on.map(|day| ("13", date(day))),
            lot.best_before.map(|day| ("15", date(day))),
            Some(("10", lot.lot.to_string())),
        ];
        Self(elements.into_iter().flatten().collect())
    }

    /// As people read it beside the code: `(01)09521234543213(10)OY-260504-1`.
    #[must_use]
    pub fn for_people(&self) -> String {
        self.0.iter().flat_map(|(ai, value)| ["(", *ai, ")", value.as_str()]).collect()
    }

    /// As a two-dimensional code holds it. The lot comes last and alone may be of any length, so that no separator is needed.
    #[must_use]
    pub fn for_machines(&self) -> String {
        joined(&self.0)
    }

    /// The digits of fixed length, and the rest: what two linear codes hold, as one of both would be longer than a linear code may be.
    #[must_use]
    pub fn in_two(&self) -> (String, String) {
        let (rest, fixed): (Vec<Element>, Vec<Element>) = self.0.iter().cloned().partition(|(ai, _)| *ai == "10");
        (joined(&fixed), joined(&rest))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::selling::examples::product;

    fn lot(code: &str) -> LabelledLot {
        LabelledLot {
            lot: code.parse().unwrap(),
            strain: "OY".parse().unwrap(),
            strain_name: "Grey oyster".into(),
            grade_name: "First".into(),
            harvest_day: NaiveDate::from_ymd_opt(2026, 1, 5).unwrap(),
            packaging: Packaging::Open,
            form: Form::Fresh,
            packed_on: NaiveDate::from_ymd_opt(2026, 1, 5),
            best_before: NaiveDate::from_ymd_opt(2026, 1, 12),
        }
    }

    #[test]
    fn elements_are_those_that_the_official_engine_accepts() {
        // (01)99521234543216(10)OY041(13)260105(15)260112(3103)001250 is accepted by GS1's own syntax engine; here with the fixed ones first.
        let gtin: Gtin = "99521234543216".parse().unwrap();
        let elements = ElementString::of(&lot("OY041"), &gtin, Some(Grams(1250)));
        assert_eq!(elements.for_people(), "(01)99521234543216(3103)001250(13)260105(15)260112(10)OY041");
        assert_eq!(elements.for_machines(), "0199521234543216310300125013260105152601121 0OY041".replace(' ', ""));
        assert_eq!(
            elements.in_two(),
            ("01995212345432163103001250132601051526 0112".replace(' ', ""), "10OY041".into())
        );
    }

    #[test]
    fn what_is_not_known_is_not_in_it() {
        let bare = LabelledLot { best_before: None, packed_on: None, ..lot("OY-260504-1") };
        let elements = ElementString::of(&bare, &"02345673".parse().unwrap(), Some(Grams(500)));
        assert_eq!(elements.for_people(), "(01)00000002345673(10)OY-260504-1");
    }

    #[test]
    fn a_label_says_the_weight_of_its_crate_or_of_its_pack() {
        let loose = product("OY", json!({}));
        let punnet = product("PUN", json!({"pack_g": 150}));
        let of = |p: Option<&Product>, g: Option<i64>| net_weight(&lot("OY-260504-1"), p, g.map(Grams));
        assert_eq!(of(None, None), Ok(None));
        assert_eq!(of(Some(&loose), Some(2500)), Ok(Some(Grams(2500))));
        assert_eq!(of(Some(&punnet), None), Ok(Some(Grams(150))));
        assert_eq!(of(Some(&punnet), Some(1250)).unwrap_err().faults[0].pointer, "net_g");
        let weighed = product("OY", json!({"gtin": "99521234543216"}));
        assert_eq!(of(Some(&weighed), None).unwrap_err().faults[0].pointer, "net_g");
        for grams in [0, -5, 1_000_000] {
            assert_eq!(of(None, Some(grams)).unwrap_err().faults[0].pointer, "net_g");
        }
        for other in [json!({"strains": ["LM"]}), json!({"packaging": "sealed"}), json!({"form": "dried"})] {
            assert_eq!(of(Some(&product("X", other)), None).unwrap_err().faults[0].pointer, "product");
        }
    }

    #[test]
    fn a_hundred_labels_at_a_time_and_no_fewer_than_one() {
        let query =
            |copies: serde_json::Value| serde_json::from_value::<LabelQuery>(json!({"copies": copies})).unwrap();
        assert_eq!(query(json!(null)).copies(), Ok(1));
        assert_eq!(query(json!(100)).copies(), Ok(100));
        assert!(query(json!(0)).copies().is_err() && query(json!(101)).copies().is_err());
    }
}
