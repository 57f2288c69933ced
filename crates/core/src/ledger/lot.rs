//! Lots: their codes, and their make-up down to batches and flushes.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use crate::{
    kinds::Basis,
    ledger::entry::{PlannedLink, PlannedLot},
    text::{BatchCode, LotCode, StrainCode},
    units::quantity::{Grams, share_by_largest_remainder},
};

/// What a lot's code begins with: strain and harvest day. A hyphen and the how-manieth of those follow, given when the lot is made.
///
/// At most 6 + 1 + 6 + 1 + 4 = 18 of the 20 characters that the GS1 application identifier 10 allows, all of them in its set.
#[must_use]
pub fn stem(strain: &StrainCode, harvest_day: NaiveDate) -> String {
    format!("{strain}-{}", harvest_day.format("%y%m%d"))
}

/// What a batch's flush gave to a lot.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Source {
    /// The batch.
    pub batch: BatchCode,
    /// Its flush, from 1.
    pub flush: i32,
}

/// Grams of a lot by source; `shared` where any of them rests on shares and not on the scale.
pub type Composition = BTreeMap<Source, (Grams, Basis)>;

/// Grams that one lot gave to another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// The lot that gave.
    pub parent: LotCode,
    /// The lot that was made.
    pub child: LotCode,
    /// How much.
    pub grams: Grams,
}

/// Follows every lot back to batches and flushes.
///
/// `weighed` holds what was weighed into each lot, `links` what lots gave to lots. A child's grams are shared by its parents'
/// own make-up (largest remainder), so that the make-up of a lot always adds up to the gram. Lots without a known
/// beginning (an opening entry) have no make-up. A ring of links, which the ledger cannot make, is cut where it closes.
#[must_use]
pub fn compositions(weighed: &BTreeMap<LotCode, Composition>, links: &[Link]) -> BTreeMap<LotCode, Composition> {
    let mut parents: BTreeMap<&LotCode, Vec<&Link>> = BTreeMap::new();
    for link in links {
        parents.entry(&link.child).or_default().push(link);
    }
    let mut done = BTreeMap::new();
    let lots: BTreeSet<&LotCode> = weighed.keys().chain(links.iter().map(|l| &l.child)).collect();
    for lot in lots {
        resolve(lot, weighed, &parents, &mut done, &mut BTreeSet::new());
    }
    done
}

fn resolve(
    lot: &LotCode,
    weighed: &BTreeMap<LotCode, Composition>,
    parents: &BTreeMap<&LotCode, Vec<&Link>>,
    done: &mut BTreeMap<LotCode, Composition>,
    on_the_way: &mut BTreeSet<LotCode>,
) {
    if done.contains_key(lot) || !on_the_way.insert(lot.clone()) {
        return;
    }
    let mut composition = weighed.get(lot).cloned().unwrap_or_default();
    for link in parents.get(lot).into_iter().flatten() {
        resolve(&link.parent, weighed, parents, done, on_the_way);
        let Some(parent) = done.get(&link.parent) else { continue };
        let weights: Vec<i64> = parent.values().map(|(g, _)| g.0).collect();
        for ((source, (_, basis)), grams) in parent.iter().zip(share_by_largest_remainder(link.grams.0, &weights)) {
            let entry = composition.entry(source.clone()).or_insert((Grams::ZERO, *basis));
            entry.0 += Grams(grams);
            // One parent with several sources cannot be told apart by the gram any more.
            if *basis == Basis::Shared || parent.len() > 1 {
                entry.1 = Basis::Shared;
            }
        }
    }
    on_the_way.remove(lot);
    done.insert(lot.clone(), composition);
}

/// What a lot that went in lost and gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drained {
    /// The lot.
    pub lot: LotCode,
    /// What it lost, in the order of the losses.
    pub lost: Vec<Grams>,
    /// What it gave to the lots that were made.
    pub gave: Grams,
}

/// Shares losses (trim, water) among the lots that go in, each by its weight (largest remainder): nobody weighs them apart. A lot gives
/// at least a gram wherever that can be, for any of its grams may be in what was made.
///
/// The losses add up to no more than what goes in.
#[must_use]
pub fn drain(ins: &[(LotCode, Grams)], losses: &[Grams]) -> Vec<Drained> {
    let mut left: Vec<i64> = ins.iter().map(|(_, grams)| grams.0).collect();
    let mut lost = vec![Vec::new(); ins.len()];
    for loss in losses {
        // The last gram of each is spared while it can be.
        let spared: Vec<i64> = left.iter().map(|grams| (grams - 1).max(0)).collect();
        let weights = if spared.iter().sum::<i64>() >= loss.0 { spared } else { left.clone() };
        for (i, grams) in share_by_largest_remainder(loss.0, &weights).into_iter().enumerate() {
            left[i] -= grams;
            lost[i].push(Grams(grams));
        }
    }
    let rows = ins.iter().zip(lost).zip(left);
    rows.map(|(((lot, _), lost), left)| Drained { lot: lot.clone(), lost, gave: Grams(left) }).collect()
}

/// Shares what the parents gave among the children of one act, each parent by the weights of the children: any of its grams may be in any
/// of them, so it is linked to each wherever there is a gram for it. Each child's links add up to its grams, and each parent's to what it
/// gave.
///
/// `gave` and `made` must add up to the same.
#[must_use]
pub fn links(gave: &[(LotCode, Grams)], made: &[Grams]) -> Vec<PlannedLink> {
    debug_assert_eq!(gave.iter().map(|g| g.1).sum::<Grams>(), made.iter().copied().sum::<Grams>());
    // One gram for each pair first, of those that have one for all.
    let enough = |grams: Grams, others: usize| usize::try_from(grams.0).is_ok_and(|g| g >= others);
    let spread: Vec<bool> = gave.iter().map(|(_, grams)| enough(*grams, made.len())).collect();
    let wide: Vec<bool> = made.iter().map(|grams| enough(*grams, gave.len())).collect();
    let count = |flags: &[bool]| flags.iter().map(|yes| i64::from(*yes)).sum::<i64>();
    let (parents, children) = (count(&spread), count(&wide));
    let mut room: Vec<i64> = made.iter().zip(&wide).map(|(grams, wide)| grams.0 - i64::from(*wide) * parents).collect();
    let mut links = Vec::new();
    for ((parent, grams), spread) in gave.iter().zip(spread) {
        let shares = share_by_largest_remainder(grams.0 - i64::from(spread) * children, &room);
        for (n, share) in shares.into_iter().enumerate() {
            room[n] -= share;
            let grams = Grams(share + i64::from(spread && wide[n]));
            if grams > Grams::ZERO {
                links.push(PlannedLink { parent: parent.clone(), child: PlannedLot::Made(n), grams });
            }
        }
    }
    links
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn lot(n: usize) -> LotCode {
        format!("L-{n}").parse().unwrap()
    }

    fn from_batches(grams: &[i64]) -> Composition {
        grams
            .iter()
            .enumerate()
            .map(|(i, g)| (Source { batch: format!("B{i}").parse().unwrap(), flush: 1 }, (Grams(*g), Basis::Measured)))
            .collect()
    }

    #[test]
    fn codes_fit_the_gs1_lot_number() {
        let stem = stem(&"SHITAK".parse().unwrap(), NaiveDate::from_ymd_opt(2026, 1, 5).unwrap());
        let code: LotCode = format!("{stem}-9999").parse().unwrap();
        assert_eq!(code.as_str(), "SHITAK-260105-9999");
        assert!(code.as_str().len() <= 20);
    }

    #[test]
    fn a_child_is_shared_by_its_parents_make_up() {
        let weighed = BTreeMap::from([(lot(1), from_batches(&[700, 300])), (lot(2), from_batches(&[0, 0, 500]))]);
        let links = [
            Link { parent: lot(1), child: lot(3), grams: Grams(501) },
            Link { parent: lot(2), child: lot(3), grams: Grams(100) },
            Link { parent: lot(3), child: lot(4), grams: Grams(60) },
        ];
        let all = compositions(&weighed, &links);
        let grams = |l: usize| all[&lot(l)].values().map(|(g, _)| g.0).collect::<Vec<_>>();
        assert_eq!(grams(3), [351, 150, 100]);
        assert_eq!(grams(4).iter().sum::<i64>(), 60);
        assert!(all[&lot(3)].values().take(2).all(|(_, b)| *b == Basis::Shared));
    }

    #[test]
    fn a_lot_of_few_grams_does_not_vanish_in_the_trim() {
        let ins = [(lot(1), Grams(60)), (lot(2), Grams(2500))];
        let drained = drain(&ins, &[Grams(100), Grams(40)]);
        let rows: Vec<_> = drained.iter().map(|d| (d.lost[0].0, d.lost[1].0, d.gave.0)).collect();
        assert_eq!(rows, [(2, 1, 57), (98, 39, 2363)]);
        // Only where everything is lost nothing is given.
        let drained = drain(&[(lot(1), Grams(1)), (lot(2), Grams(9))], &[Grams(8), Grams(1)]);
        assert_eq!(drained.iter().map(|d| d.gave.0).collect::<Vec<_>>(), [0, 1]);
    }

    #[test]
    fn every_parent_is_in_every_child() {
        let links = links(&[(lot(1), Grams(58)), (lot(2), Grams(2402))], &[Grams(1000), Grams(1460)]);
        let link = |parent, child, grams| PlannedLink {
            parent: lot(parent),
            child: PlannedLot::Made(child),
            grams: Grams(grams),
        };
        assert_eq!(links, [link(1, 0, 24), link(1, 1, 34), link(2, 0, 976), link(2, 1, 1426)]);
    }

    proptest! {
        #[test]
        fn links_add_up_on_both_sides(gave in prop::collection::vec(1i64..5000, 1..6), cuts in prop::collection::vec(0.0f64..1.0, 0..4)) {
            let total: i64 = gave.iter().sum();
            #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "small weights")]
            let mut edges: Vec<i64> = cuts.iter().map(|c| (total as f64 * c) as i64).collect();
            edges.extend([0, total]);
            edges.sort_unstable();
            let made: Vec<_> = edges.windows(2).map(|w| w[1] - w[0]).filter(|g| *g > 0).map(Grams).collect();
            let gave: Vec<_> = gave.into_iter().enumerate().map(|(i, g)| (lot(i), Grams(g))).collect();
            let links = links(&gave, &made);
            let enough = |grams: Grams, others: usize| usize::try_from(grams.0).is_ok_and(|g| g >= others);
            let one_each = gave.iter().all(|g| enough(g.1, made.len())) && made.iter().all(|m| enough(*m, gave.len()));
            prop_assert!(!one_each || links.len() == gave.len() * made.len(), "every parent may be in every child");
            for parent in gave.iter().filter(|g| enough(g.1, made.len())) {
                for child in (0..made.len()).filter(|i| enough(made[*i], gave.len())) {
                    prop_assert!(links.iter().any(|l| l.parent == parent.0 && l.child == PlannedLot::Made(child)), "whatever the others have");
                }
            }
            for (parent, grams) in &gave {
                prop_assert_eq!(links.iter().filter(|l| &l.parent == parent).map(|l| l.grams).sum::<Grams>(), *grams);
            }
            for (child, grams) in made.iter().enumerate() {
                prop_assert_eq!(links.iter().filter(|l| l.child == PlannedLot::Made(child)).map(|l| l.grams).sum::<Grams>(), *grams);
            }
        }
    }
}
