//! Decides on a packing: from what its parents are to the lots that are made, or a refusal.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::{NewOpening, NewPacking};
use crate::{
    kinds::{Form, Packaging, PlaceKind},
    ledger::{
        entry::{PlannedLeg, PlannedLink, PlannedLot, built_in_place},
        lot::{Drained, drain, links},
    },
    refusal::Refusal,
    text::{GradeCode, LotCode, PlaceCode, ProductCode, StrainCode},
    units::quantity::Grams,
};

/// The most lots on either side of a packing.
const MAX_LOTS: usize = 20;

/// What a lot that goes in is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ParentFacts {
    /// Its strain.
    pub strain: StrainCode,
    /// Fresh or dried.
    pub form: Form,
    /// Its harvest day.
    pub harvest_day: NaiveDate,
    /// When the oldest of it was on the scale.
    pub harvested_at: DateTime<Utc>,
    /// The date that it carries, where it has been dated.
    pub best_before: Option<NaiveDate>,
}

/// What a packing is decided on. What is not there is left out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Facts {
    /// The lots that go in.
    pub parents: BTreeMap<LotCode, ParentFacts>,
    /// The places that it names.
    pub places: BTreeSet<PlaceCode>,
    /// The grades that it names.
    pub grades: BTreeSet<GradeCode>,
    /// The products that it names.
    pub products: BTreeSet<ProductCode>,
    /// Days from harvest to best before, by the farm's rules in force.
    pub best_before_days: BTreeMap<(ProductCode, Packaging), u64>,
}

/// A lot to be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Child {
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh or dried.
    pub form: Form,
    /// How much.
    pub grams_g: Grams,
    /// Where it goes.
    pub place: PlaceCode,
    /// The date that it carries.
    pub best_before: Option<NaiveDate>,
}

/// What is written down of a packing, but for the codes of the lots that it makes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// The strain of all of it.
    pub strain: StrainCode,
    /// The earliest harvest day of the parents.
    pub harvest_day: NaiveDate,
    /// The earliest harvest of the parents.
    pub harvested_at: DateTime<Utc>,
    /// The lots that are made, in the order of the entry.
    pub children: Vec<Child>,
    /// What each parent lost to trim and water, and gave.
    pub drained: Vec<Drained>,
}

impl NewPacking {
    /// Refuses what no fact can mend: nothing on a side, a lot listed twice, weights that are not above zero, sums that do not close.
    ///
    /// # Errors
    /// Names the field.
    pub fn ensure_sums(&self) -> Result<(), Refusal> {
        if !(1..=MAX_LOTS).contains(&self.lots_in.len()) {
            return Err(Refusal::field("/lots_in", "One to twenty lots go in."));
        }
        if !(1..=MAX_LOTS).contains(&self.lots_out.len()) {
            return Err(Refusal::field("/lots_out", "One to twenty lots come out."));
        }
        for (i, from) in self.lots_in.iter().enumerate() {
            if from.grams_g <= Grams::ZERO {
                return Err(Refusal::field(format!("/lots_in/{i}/grams_g"), "Give a weight above zero."));
            }
            if self.lots_in[..i].iter().any(|other| other.lot == from.lot) {
                let twice = format!("Lot {} is listed twice. Add the two up.", from.lot);
                return Err(Refusal::field(format!("/lots_in/{i}/lot"), twice));
            }
        }
        if let Some(i) = self.lots_out.iter().position(|into| into.grams_g <= Grams::ZERO) {
            return Err(Refusal::field(format!("/lots_out/{i}/grams_g"), "Give a weight above zero."));
        }
        for (pointer, grams) in [("/trim_g", self.trim_g), ("/water_g", self.water_g)] {
            if grams < Grams::ZERO {
                return Err(Refusal::field(pointer, "This is below zero. Give what was lost, or nothing."));
            }
        }
        let gone: Grams = self.lots_in.iter().map(|l| l.grams_g).sum();
        let come = self.lots_out.iter().map(|l| l.grams_g).sum::<Grams>() + self.trim_g + self.water_g;
        if gone != come {
            let apart = Grams((gone - come).0.abs());
            return Err(Refusal::field(
                "/lots_out",
                format!(
                    "{gone} go in and {come} come out, trim and water counted. They differ by {apart}: weigh again, or book it as trim or water."
                ),
            ));
        }
        Ok(())
    }
}

impl NewOpening {
    /// Refuses a harvest after the day of the entry.
    ///
    /// # Errors
    /// Names the harvest day.
    pub fn ensure_harvested(&self, entered_on: NaiveDate) -> Result<(), Refusal> {
        if self.harvest_day.0 > entered_on {
            return Err(Refusal::field("/harvest_day", "The harvest day lies after the entry. Check the day."));
        }
        Ok(())
    }
}

/// Decides on a packing whose sums close.
///
/// # Errors
/// Names the first field that cannot be.
pub fn decide(new: &NewPacking, facts: &Facts) -> Result<Plan, Refusal> {
    new.ensure_sums()?;
    let parents = parents(new, facts)?;
    let strain = &parents[0].1.strain;
    let harvest_day = parents.iter().map(|(_, p)| p.harvest_day).min().unwrap_or(parents[0].1.harvest_day);
    let harvested_at = parents.iter().map(|(_, p)| p.harvested_at).min().unwrap_or(parents[0].1.harvested_at);
    let dried = parents.iter().find(|(_, p)| p.form == Form::Dried).map(|(lot, _)| *lot);
    let mut children = Vec::new();
    for (i, out) in new.lots_out.iter().enumerate() {
        let place = out.place.as_ref().unwrap_or(&new.place);
        if !facts.places.contains(place) {
            let pointer = if out.place.is_some() { format!("/lots_out/{i}/place") } else { "/place".into() };
            return Err(Refusal::field(pointer, format!("There is no place {place} on this farm. Check the code.")));
        }
        if !facts.grades.contains(&out.grade) {
            let unknown = format!("There is no grade {} on this farm. Check the code.", out.grade);
            return Err(Refusal::field(format!("/lots_out/{i}/grade"), unknown));
        }
        if let Some(product) = out.product.as_ref().filter(|p| !facts.products.contains(*p)) {
            let unknown = format!("There is no product {product} on this farm. Check the code.");
            return Err(Refusal::field(format!("/lots_out/{i}/product"), unknown));
        }
        let form = out.form.unwrap_or(Form::Fresh);
        if let Some(dried) = dried.filter(|_| form == Form::Fresh) {
            let stale = format!("Lot {dried} is dried, and what is made of it is not fresh again. Give \"dried\".");
            return Err(Refusal::field(format!("/lots_out/{i}/form"), stale));
        }
        // By the farm's rule for the product, never later than what parents of the same form carry already. Drying makes food that lasts by
        // another rule, so the date of a fresh pack ends there.
        let carried = parents.iter().filter(|(_, p)| p.form == form).filter_map(|(_, p)| p.best_before).min();
        let days = out.product.as_ref().and_then(|p| facts.best_before_days.get(&(p.clone(), out.packaging)));
        let by_rule = days.map(|days| harvest_day + Days::new(*days));
        children.push(Child {
            grade: out.grade.clone(),
            packaging: out.packaging,
            form,
            grams_g: out.grams_g,
            place: place.clone(),
            best_before: [by_rule, carried].into_iter().flatten().min(),
        });
    }
    let ins: Vec<(LotCode, Grams)> = new.lots_in.iter().map(|l| (l.lot.clone(), l.grams_g)).collect();
    let drained = drain(&ins, &[new.trim_g, new.water_g]);
    Ok(Plan { strain: strain.clone(), harvest_day, harvested_at, children, drained })
}

/// The lots that go in, all there and of one strain.
fn parents<'a>(new: &'a NewPacking, facts: &'a Facts) -> Result<Vec<(&'a LotCode, &'a ParentFacts)>, Refusal> {
    let mut parents: Vec<(&LotCode, &ParentFacts)> = Vec::new();
    for (i, from) in new.lots_in.iter().enumerate() {
        let lot = &from.lot;
        let blame = |detail: String| Refusal::field(format!("/lots_in/{i}/lot"), detail);
        let parent = facts
            .parents
            .get(lot)
            .ok_or_else(|| blame(format!("There is no lot {lot} on this farm. Check the code.")))?;
        if let Some((_, first)) = parents.first().filter(|(_, first)| first.strain != parent.strain) {
            let mixed = format!("Lot {lot} is {} and the lot before it is {}.", parent.strain, first.strain);
            return Err(blame(format!("{mixed} A lot is of one strain: pack each by itself.")));
        }
        parents.push((lot, parent));
    }
    Ok(parents)
}

impl Plan {
    /// What each parent gave to each child.
    #[must_use]
    pub fn links(&self) -> Vec<PlannedLink> {
        let gave: Vec<(LotCode, Grams)> =
            self.drained.iter().filter(|d| d.gave > Grams::ZERO).map(|d| (d.lot.clone(), d.gave)).collect();
        links(&gave, &self.children.iter().map(|child| child.grams_g).collect::<Vec<_>>())
    }

    /// From where it is done to trim, water and the packing table, and from there to where each child goes.
    #[must_use]
    pub fn legs(&self, place: &PlaceCode) -> Vec<PlannedLeg> {
        let [packing, trim, water] = [PlaceKind::Packing, PlaceKind::Trim, PlaceKind::Water].map(built_in_place);
        let out = self.children.iter().enumerate().map(|(n, child)| PlannedLeg {
            lot: PlannedLot::Made(n),
            from_place: packing.clone(),
            to_place: child.place.clone(),
            grams_g: child.grams_g,
        });
        let ins = self.drained.iter().flat_map(|from| {
            let lost = [&trim, &water].into_iter().zip(from.lost.iter().copied());
            lost.chain([(&packing, from.gave)])
                .filter(|(_, grams)| *grams > Grams::ZERO)
                .map(|(to_place, grams_g)| PlannedLeg::of(&from.lot, place, to_place, grams_g))
        });
        out.chain(ins).collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn day(d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, d).unwrap()
    }

    fn parent(strain: &str, harvested: u32, best_before: Option<u32>) -> ParentFacts {
        ParentFacts {
            strain: strain.parse().unwrap(),
            form: Form::Fresh,
            harvest_day: day(harvested),
            harvested_at: day(harvested).and_hms_opt(7, 0, 0).unwrap().and_utc(),
            best_before: best_before.map(day),
        }
    }

    fn facts() -> Facts {
        Facts {
            parents: BTreeMap::from([
                ("L1".parse().unwrap(), parent("OY", 4, None)),
                ("L2".parse().unwrap(), parent("OY", 3, Some(12))),
                ("L3".parse().unwrap(), parent("LM", 4, None)),
            ]),
            places: BTreeSet::from(["F1".parse().unwrap(), "S1".parse().unwrap()]),
            grades: BTreeSet::from(["A".parse().unwrap(), "B".parse().unwrap()]),
            products: BTreeSet::from(["PUN".parse().unwrap()]),
            best_before_days: BTreeMap::from([(("PUN".parse().unwrap(), Packaging::Vented), 7)]),
        }
    }

    /// 1,000 g of L1 into 900 g vented, 60 g trim and 40 g water, changed.
    fn packing(changes: Value) -> NewPacking {
        let mut body = json!({
            "place": "F1", "lots_in": [{"lot": "L1", "grams_g": 1000}],
            "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900}], "trim_g": 60, "water_g": 40,
        });
        let Value::Object(changes) = changes else { panic!("an object") };
        body.as_object_mut().unwrap().extend(changes);
        serde_json::from_value(body).unwrap()
    }

    fn blamed(changes: Value, facts: &Facts) -> String {
        decide(&packing(changes), facts).unwrap_err().faults[0].pointer.clone()
    }

    fn plan(changes: Value) -> Plan {
        decide(&packing(changes), &facts()).unwrap()
    }

    #[test]
    fn what_goes_in_comes_out() {
        let plan = plan(json!({}));
        assert_eq!((plan.strain.as_str(), plan.harvest_day), ("OY", day(4)));
        assert_eq!(plan.drained[0].lost, [Grams(60), Grams(40)]);
        assert_eq!(plan.drained[0].gave, Grams(900));
        let child = &plan.children[0];
        assert_eq!((child.place.as_str(), child.form, child.best_before), ("F1", Form::Fresh, None));
    }

    #[test]
    fn sums_that_do_not_close_say_by_how_much() {
        let refusal = packing(json!({"water_g": 0})).ensure_sums().unwrap_err();
        assert_eq!(refusal.faults[0].pointer, "/lots_out");
        assert!(refusal.detail.contains("They differ by 40 g"), "{}", refusal.detail);
        assert!(packing(json!({"water_g": 41})).ensure_sums().is_err());
    }

    #[test]
    fn each_side_has_one_to_twenty_lots() {
        assert_eq!(blamed(json!({"lots_in": []}), &facts()), "/lots_in");
        assert_eq!(blamed(json!({"lots_out": []}), &facts()), "/lots_out");
        let many = vec![json!({"grade": "A", "packaging": "open", "grams_g": 1}); 21];
        assert_eq!(blamed(json!({"lots_out": many}), &facts()), "/lots_out");
    }

    #[test]
    fn no_weight_is_zero_or_less() {
        assert_eq!(blamed(json!({"lots_in": [{"lot": "L1", "grams_g": 0}]}), &facts()), "/lots_in/0/grams_g");
        let nothing = json!({"lots_out": [{"grade": "A", "packaging": "open", "grams_g": -1}]});
        assert_eq!(blamed(nothing, &facts()), "/lots_out/0/grams_g");
        assert_eq!(blamed(json!({"trim_g": -1}), &facts()), "/trim_g");
        assert_eq!(blamed(json!({"water_g": -1}), &facts()), "/water_g");
    }

    #[test]
    fn a_lot_goes_in_once() {
        let twice = json!({"lots_in": [{"lot": "L1", "grams_g": 500}, {"lot": "L1", "grams_g": 500}]});
        assert_eq!(blamed(twice, &facts()), "/lots_in/1/lot");
    }

    #[test]
    fn a_lot_that_is_not_there_is_named() {
        assert_eq!(blamed(json!({"lots_in": [{"lot": "L9", "grams_g": 1000}]}), &facts()), "/lots_in/0/lot");
    }

    #[test]
    fn strains_do_not_mix() {
        let mixed = json!({"lots_in": [{"lot": "L1", "grams_g": 500}, {"lot": "L3", "grams_g": 500}]});
        assert_eq!(blamed(mixed, &facts()), "/lots_in/1/lot");
    }

    #[test]
    fn the_oldest_parent_gives_the_harvest() {
        let two = plan(json!({"lots_in": [{"lot": "L1", "grams_g": 500}, {"lot": "L2", "grams_g": 500}]}));
        assert_eq!(two.harvest_day, day(3));
        assert_eq!(two.harvested_at, facts().parents[&"L2".parse().unwrap()].harvested_at);
    }

    #[test]
    fn the_rule_dates_a_pack_from_the_harvest_and_never_beyond_a_parent() {
        let product = json!([{"grade": "A", "packaging": "vented", "grams_g": 900, "product": "PUN"}]);
        assert_eq!(plan(json!({"lots_out": product})).children[0].best_before, Some(day(11)));
        let dated = json!({"lots_in": [{"lot": "L2", "grams_g": 1000}], "lots_out": product});
        assert_eq!(plan(dated).children[0].best_before, Some(day(10)));
        let mut facts = facts();
        facts.best_before_days.insert(("PUN".parse().unwrap(), Packaging::Vented), 30);
        let dated = json!({"lots_in": [{"lot": "L2", "grams_g": 1000}], "lots_out": product});
        assert_eq!(decide(&packing(dated), &facts).unwrap().children[0].best_before, Some(day(12)));
    }

    #[test]
    fn a_product_or_a_grade_that_is_not_there_is_named() {
        let slip = json!({"lots_out": [{"grade": "Z", "packaging": "vented", "grams_g": 900}]});
        assert_eq!(blamed(slip, &facts()), "/lots_out/0/grade");
        let slip = json!({"lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900, "product": "PUM"}]});
        assert_eq!(blamed(slip, &facts()), "/lots_out/0/product");
    }

    #[test]
    fn a_rule_of_another_packaging_dates_nothing() {
        let open = json!({"lots_out": [{"grade": "A", "packaging": "open", "grams_g": 900, "product": "PUN"}]});
        assert_eq!(plan(open).children[0].best_before, None);
    }

    #[test]
    fn drying_ends_the_date_of_a_fresh_lot() {
        let dried = json!({"lots_in": [{"lot": "L2", "grams_g": 1000}], "trim_g": 0, "water_g": 900,
                           "lots_out": [{"grade": "A", "packaging": "open", "grams_g": 100, "form": "dried"}]});
        let plan = plan(dried);
        assert_eq!((plan.children[0].form, plan.children[0].best_before), (Form::Dried, None));
    }

    #[test]
    fn what_is_dried_is_not_fresh_again() {
        let mut facts = facts();
        facts.parents.get_mut(&"L1".parse().unwrap()).unwrap().form = Form::Dried;
        assert_eq!(blamed(json!({}), &facts), "/lots_out/0/form");
        let still = json!({"lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900, "form": "dried"}]});
        assert!(decide(&packing(still), &facts).is_ok());
    }

    #[test]
    fn the_place_that_is_not_there_is_blamed_by_the_field_that_names_it() {
        assert_eq!(blamed(json!({"place": "F9"}), &facts()), "/place");
        let elsewhere = json!({"lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900, "place": "F9"}]});
        assert_eq!(blamed(elsewhere, &facts()), "/lots_out/0/place");
        let elsewhere = json!({"lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900, "place": "S1"}]});
        assert_eq!(plan(elsewhere).children[0].place.as_str(), "S1");
    }

    #[test]
    fn legs_and_links_carry_every_gram() {
        let plan = plan(json!({
            "lots_in": [{"lot": "L1", "grams_g": 700}, {"lot": "L2", "grams_g": 300}],
            "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 650}, {"grade": "B", "packaging": "open", "grams_g": 250}],
        }));
        let legs = plan.legs(&"F1".parse().unwrap());
        let sum = |to: &str| legs.iter().filter(|l| l.to_place.as_str() == to).map(|l| l.grams_g.0).sum::<i64>();
        assert_eq!((sum("PACKING"), sum("TRIM"), sum("WATER"), sum("F1")), (900, 60, 40, 900));
        let links = plan.links();
        assert_eq!(links.iter().map(|l| l.grams.0).sum::<i64>(), 900);
        assert!(links.iter().filter(|l| l.child == PlannedLot::Made(1)).count() == 2, "both parents are in each");
    }

    #[test]
    fn an_opening_lot_was_harvested_before_it_is_entered() {
        let opening: NewOpening = serde_json::from_value(json!({
            "strain": "OY", "grade": "A", "packaging": "open", "harvest_day": "2026-05-04", "place": "F1", "grams_g": 10
        }))
        .unwrap();
        assert!(opening.ensure_harvested(day(4)).is_ok());
        assert_eq!(opening.ensure_harvested(day(3)).unwrap_err().faults[0].pointer, "/harvest_day");
    }
}
