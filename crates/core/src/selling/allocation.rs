//! Which lots fill an order line: first-expiring-first, as the Australian Cold Chain Guidelines (2017) name it. Where the dates are
//! equal the lowest grade that will do goes first, so that the better ones are left for who asks for them; then the earlier harvest.

use std::{
    cmp::{Ordering, Reverse},
    collections::BTreeMap,
};

use chrono::{Days, NaiveDate};
use rust_decimal::{Decimal, prelude::ToPrimitive};

use crate::{
    kinds::{Form, Packaging},
    text::{LotCode, PlaceCode, StrainCode},
    units::quantity::Grams,
};

/// What a lot is, as far as an order cares.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Goods {
    /// Its strain.
    pub strain: StrainCode,
    /// Its grade's rank; 1 is the best.
    pub grade_rank: i32,
    /// Fresh or dried.
    pub form: Form,
    /// Its packaging.
    pub packaging: Packaging,
}

/// What a product may be filled with.
#[derive(Debug, Clone, PartialEq, Eq, serde::Deserialize)]
pub struct Need {
    /// Any of these strains will do.
    pub strains: Vec<StrainCode>,
    /// The least grade's rank; a better one, which is a lower rank, will do.
    pub least_rank: i32,
    /// Fresh or dried.
    pub form: Form,
    /// The packaging; any where none is said.
    pub packaging: Option<Packaging>,
    /// Days from harvest that the product keeps by the farm's own rules, by packaging, for lots without a best-before day of their own. Where
    /// none are said, the day that a lot has whatever it is sold as counts.
    #[serde(default)]
    pub keeps: Option<BTreeMap<Packaging, i32>>,
}

impl Need {
    /// Whether goods will do, but for their grade.
    #[must_use]
    pub fn takes_but_for_grade(&self, goods: &Goods) -> bool {
        self.takes_kind(goods) && self.packaging.is_none_or(|p| p == goods.packaging)
    }

    /// Whether goods that are not packed yet will do.
    #[must_use]
    pub fn takes_once_packed(&self, goods: &Goods) -> bool {
        self.takes_kind(goods) && goods.grade_rank <= self.least_rank
    }

    pub(super) fn takes_kind(&self, goods: &Goods) -> bool {
        self.strains.contains(&goods.strain) && self.form == goods.form
    }

    /// Whether goods will do.
    #[must_use]
    pub fn takes(&self, goods: &Goods) -> bool {
        self.takes_but_for_grade(goods) && goods.grade_rank <= self.least_rank
    }
}

/// Grams of a lot that are free at a place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AvailableLot {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// Free grams: neither set aside nor on hold.
    pub free: Grams,
    /// The last day it may be sold on: its best-before day.
    pub expires_on: NaiveDate,
    /// Its harvest day.
    pub harvest_day: NaiveDate,
    /// What it is.
    pub goods: Goods,
}

impl AvailableLot {
    pub(super) fn freshness(&self) -> Freshness {
        Freshness { expires_on: self.expires_on, harvest_day: self.harvest_day, grade_rank: self.goods.grade_rank }
    }
}

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineDemand {
    /// How much.
    pub grams: Grams,
    /// Grams of one pack where whole packs are asked for.
    pub pack: Option<Grams>,
    /// The day it is handed over.
    pub delivery_day: NaiveDate,
    /// Days that must be left between delivery and expiry.
    pub least_days: u32,
    /// Freshest first instead of first-expiring-first.
    pub freshest: bool,
}

/// Grams of a lot taken for a wish.
#[derive(Debug, Clone, PartialEq, Eq, serde::Deserialize)]
pub struct Taken {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams: Grams,
}

/// Days from harvest that a product is taken to last, until the farm sets its own best-before rule.
pub const DEFAULT_SHELF_DAYS: u64 = 7;

/// The last day by the farm's rule, days from harvest, or by [`DEFAULT_SHELF_DAYS`].
#[must_use]
pub fn best_before(harvest_day: NaiveDate, days: Option<i32>) -> NaiveDate {
    harvest_day + Days::new(days.and_then(|d| u64::try_from(d).ok()).unwrap_or(DEFAULT_SHELF_DAYS))
}

/// What decides which of two lots is taken first.
#[derive(Debug, Clone, Copy)]
pub(super) struct Freshness {
    pub expires_on: NaiveDate,
    pub harvest_day: NaiveDate,
    pub grade_rank: i32,
}

impl LineDemand {
    /// The last day that goods must keep to.
    pub(super) fn needed_until(&self) -> NaiveDate {
        self.delivery_day + Days::new(u64::from(self.least_days))
    }

    /// Which of two lots is taken first.
    pub(super) fn order_of(&self, a: Freshness, b: Freshness) -> Ordering {
        let key = |f: Freshness| (f.expires_on, Reverse(f.grade_rank), f.harvest_day);
        let first_expiring = key(a).cmp(&key(b));
        if self.freshest { b.harvest_day.cmp(&a.harvest_day).then(first_expiring) } else { first_expiring }
    }

    /// What is taken of free grams while some are short: whole packs where packs are asked for.
    pub(super) fn take(&self, free: Grams, short: Grams) -> Grams {
        let grams = free.min(short).max(Grams::ZERO);
        self.pack.map_or(grams, |pack| Grams(grams.0 / pack.0 * pack.0))
    }
}

/// Fills a wish from candidates. Returns what is taken and what is short.
///
/// Never takes more than is free, never a lot with too few days left, and only whole packs where packs are asked for. Whether the
/// candidates are what is wanted is [`Need::takes`]'s to say.
#[must_use]
pub fn allocate(wish: &LineDemand, candidates: &[AvailableLot]) -> (Vec<Taken>, Grams) {
    let needed_until = wish.needed_until();
    let mut good: Vec<&AvailableLot> =
        candidates.iter().filter(|c| c.free > Grams::ZERO && c.expires_on >= needed_until).collect();
    good.sort_by(|a, b| {
        wish.order_of(a.freshness(), b.freshness()).then_with(|| (&a.lot, &a.place).cmp(&(&b.lot, &b.place)))
    });
    let mut short = wish.grams;
    let mut taken = Vec::new();
    for c in good {
        let grams = wish.take(c.free, short);
        if grams > Grams::ZERO {
            taken.push(Taken { lot: c.lot.clone(), place: c.place.clone(), grams });
            short -= grams;
        }
    }
    (taken, short)
}

/// The most grams that an order line takes: what was ordered and `over_percent` (0 to 50) more, rounded down to whole grams, or to whole
/// packs where it is sold in packs.
#[must_use]
pub fn line_limit(ordered: Grams, over_percent: Decimal, pack: Option<Grams>) -> Grams {
    let most = Decimal::from(ordered.0) * (Decimal::ONE_HUNDRED + over_percent) / Decimal::ONE_HUNDRED;
    let grams = most.floor().to_i64().map_or(ordered, Grams);
    pack.map_or(grams, |p| Grams(grams.0 / p.0 * p.0))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(n: u64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, 1).unwrap() + Days::new(n)
    }

    fn candidate(n: u64, free: i64, expires: u64, harvest: u64) -> AvailableLot {
        let strain = "OY".parse().unwrap();
        AvailableLot {
            goods: Goods { strain, grade_rank: 1, form: Form::Fresh, packaging: Packaging::Open },
            lot: format!("L{n}").parse().unwrap(),
            place: "F1".parse().unwrap(),
            free: Grams(free),
            expires_on: day(expires),
            harvest_day: day(harvest),
        }
    }

    #[test]
    fn a_line_takes_what_was_ordered_and_the_share_over_it() {
        for (ordered, over, pack, limit) in [
            (1005, Decimal::TEN, None, 1105),
            (1005, Decimal::ZERO, None, 1005),
            (999, Decimal::new(25, 1), None, 1023),
            (1500, Decimal::TEN, Some(150), 1650),
            (900, Decimal::TEN, Some(150), 900),
        ] {
            assert_eq!(line_limit(Grams(ordered), over, pack.map(Grams)), Grams(limit), "{ordered} and {over} %");
        }
    }

    fn wish(grams: i64) -> LineDemand {
        LineDemand { grams: Grams(grams), pack: None, delivery_day: day(5), least_days: 2, freshest: false }
    }

    fn lots(taken: &[Taken]) -> Vec<(&str, i64)> {
        taken.iter().map(|t| (t.lot.as_str(), t.grams.0)).collect()
    }

    #[test]
    fn first_expiring_goes_first_and_too_old_stays() {
        let fridge =
            [candidate(1, 500, 9, 3), candidate(2, 500, 6, 0), candidate(3, 500, 8, 2), candidate(4, 500, 8, 1)];
        let (taken, short) = allocate(&wish(1200), &fridge);
        assert_eq!(lots(&taken), [("L4", 500), ("L3", 500), ("L1", 200)]);
        assert_eq!(short, Grams::ZERO);
        let (_, short) = allocate(&wish(2000), &fridge);
        assert_eq!(short, Grams(500));
    }

    #[test]
    fn of_equal_days_the_lowest_grade_goes_first() {
        let mut fridge = [candidate(1, 500, 8, 1), candidate(2, 500, 8, 2), candidate(3, 500, 7, 2)];
        fridge[1].goods.grade_rank = 2;
        let (taken, _) = allocate(&wish(1200), &fridge);
        assert_eq!(lots(&taken), [("L3", 500), ("L2", 500), ("L1", 200)], "days first, then grade, then harvest");
    }

    #[test]
    fn goods_of_another_kind_or_a_lesser_grade_will_not_do() {
        let goods = candidate(1, 1, 1, 1).goods;
        let need = Need {
            strains: vec![goods.strain.clone()],
            least_rank: 2,
            form: Form::Fresh,
            packaging: None,
            keeps: None,
        };
        let graded = |grade_rank| Goods { grade_rank, ..goods.clone() };
        assert!(need.takes(&graded(1)) && need.takes(&graded(2)) && !need.takes(&graded(3)));
        assert!(need.takes_but_for_grade(&graded(3)));
        assert!(!need.takes(&Goods { form: Form::Dried, ..goods.clone() }));
        assert!(!need.takes(&Goods { strain: "LM".parse().unwrap(), ..goods.clone() }));
        assert!(!Need { packaging: Some(Packaging::Vented), ..need }.takes(&goods));
    }

    #[test]
    fn freshest_turns_the_order() {
        let fridge = [candidate(1, 500, 9, 3), candidate(3, 500, 8, 2)];
        let (taken, _) = allocate(&LineDemand { freshest: true, ..wish(600) }, &fridge);
        assert_eq!(lots(&taken), [("L1", 500), ("L3", 100)]);
    }

    #[test]
    fn packs_are_never_cut() {
        let fridge = [candidate(1, 470, 8, 1), candidate(2, 600, 9, 1)];
        let (taken, short) = allocate(&LineDemand { pack: Some(Grams(150)), ..wish(900) }, &fridge);
        assert_eq!(lots(&taken), [("L1", 450), ("L2", 450)]);
        assert_eq!(short, Grams::ZERO);
    }

    proptest! {
        #[test]
        fn never_more_than_is_there(
            fridge in prop::collection::vec((0i64..3000, 0u64..20, 0u64..10), 0..12),
            grams in 1i64..10_000, freshest: bool, least_days in 0u32..8,
        ) {
            let fridge: Vec<_> = fridge.into_iter().enumerate().map(|(i, (g, e, h))| candidate(i as u64, g, e, h)).collect();
            let wish = LineDemand { least_days, freshest, ..wish(grams) };
            let (taken, short) = allocate(&wish, &fridge);
            prop_assert_eq!(taken.iter().map(|t| t.grams).sum::<Grams>() + short, wish.grams);
            for t in &taken {
                let c = fridge.iter().find(|c| c.lot == t.lot).unwrap();
                prop_assert!(t.grams > Grams::ZERO && t.grams <= c.free);
                prop_assert!(c.expires_on >= day(5) + Days::new(u64::from(least_days)));
            }
            // Nothing that would do is left lying while something is short.
            let could: i64 = fridge.iter().filter(|c| c.expires_on >= day(5) + Days::new(u64::from(least_days))).map(|c| c.free.0).sum();
            prop_assert_eq!(short, Grams((grams - could).max(0)));
        }
    }
}
