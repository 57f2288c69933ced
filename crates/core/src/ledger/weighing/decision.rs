//! Decides on a weighing: from the facts about its batches, crates and place to what is written down, or a refusal.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{
    NewSource, NewTare, NewWeighing, WeighedSource,
    scale::{SourceAmount, Stack, net, share_sources},
};
use crate::{
    kinds::{BatchOrigin, CrateKind, PlaceKind},
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, CrateCode, PlaceCode, RoomCode, StrainCode},
    units::quantity::{Grams, share_by_largest_remainder},
};

/// The most batches of one weighing.
const MAX_SOURCES: usize = 20;
/// The most crates of a stack.
const MAX_CRATES: i32 = 20;
/// The last flush that a batch is taken to give.
const MAX_FLUSH: i32 = 9;

/// What a batch is: its blocks at the instant of a weighing, flush and room now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchFacts {
    /// Its strain.
    pub strain: StrainCode,
    /// Where it came from.
    pub origin: BatchOrigin,
    /// Blocks that were neither lost nor moved out of the rooms by then.
    pub blocks_left: i32,
    /// Its highest flush in the book; 0 before its first.
    pub flush: i32,
    /// The fruiting room that it was last moved to.
    pub room: Option<RoomCode>,
    /// Whether it is on hold now.
    pub on_hold: bool,
}

/// A kind of crate or liner.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct CrateFacts {
    /// Which of the two.
    pub kind: CrateKind,
    /// Its weight when dry.
    pub tare_dry_g: Grams,
    /// Its weight when wet.
    pub tare_wet_g: Grams,
}

/// What a weighing is decided on. What is not there is left out of the maps.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Facts {
    /// The batches that it names.
    pub batches: BTreeMap<BatchCode, BatchFacts>,
    /// The kinds of crates and liners that it names.
    pub crates: BTreeMap<CrateCode, CrateFacts>,
    /// The kind of the place that it names.
    pub place: Option<PlaceKind>,
    /// The farm's fridges, where it names no place. Two are enough to tell that there are several.
    pub fridges: Vec<PlaceCode>,
}

/// What a weighing takes out of a room.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoomShare {
    /// The room.
    pub room: RoomCode,
    /// Of that, what reaches the place.
    pub net_g: Grams,
    /// Of that, what was cut off.
    pub trim_g: Grams,
}

/// What is written down of a weighing, but for its lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// The strain of all of it.
    pub strain: StrainCode,
    /// Where it goes.
    pub place: PlaceCode,
    /// Crates on the scale.
    pub crates: i32,
    /// What stood under it.
    pub tare_g: Grams,
    /// What reaches the place.
    pub net_g: Grams,
    /// What each batch gave, trim included, in the order of the entry.
    pub sources: Vec<WeighedSource>,
    /// What comes out of each room, in the order of its first batch. Trim is shared by weight.
    pub rooms: Vec<RoomShare>,
    /// Whether any of its batches is on hold. What is in the fridge has to be in the book, so it is taken; its lot is on hold as well.
    pub on_hold: bool,
}

/// Decides on a weighing.
///
/// # Errors
/// Names the first field that cannot be.
pub fn decide(new: &NewWeighing, facts: &Facts) -> Result<Plan, Refusal> {
    let (tare_g, crates, tare_at) = tare(&new.tare, facts)?;
    let net_g = net(new.gross_g, tare_g, tare_at, new.trim_g)?;
    let (strain, rooms) = batches(&new.sources, facts)?;
    let amounts: Vec<SourceAmount> = new.sources.iter().enumerate().map(amount).collect::<Result<_, _>>()?;
    let shares = share_sources(net_g + new.trim_g, &amounts)?;
    let sources: Vec<WeighedSource> = new
        .sources
        .iter()
        .zip(shares)
        .map(|(s, (grams_g, basis))| WeighedSource { batch: s.batch.clone(), flush: s.flush, grams_g, basis })
        .collect();
    let rooms = by_room(&rooms, &sources, new.trim_g);
    let on_hold = new.sources.iter().any(|s| facts.batches.get(&s.batch).is_some_and(|batch| batch.on_hold));
    Ok(Plan { strain, place: place(new.place.as_ref(), facts)?, crates, tare_g, net_g, sources, rooms, on_hold })
}

/// The tare, the number of crates, and the field that the tare comes from.
fn tare(new: &NewTare, facts: &Facts) -> Result<(Grams, i32, &'static str), Refusal> {
    let crates = new.crates.unwrap_or(i32::from(new.crate_kind.is_some() || new.liner.is_some()));
    if !(0..=MAX_CRATES).contains(&crates) || new.crates == Some(0) {
        return Err(Refusal::field("/tare/crates", "A stack has 1 to 20 crates."));
    }
    let named = new.crate_kind.is_some() || new.liner.is_some();
    if !named && new.tare_g.is_none() && (crates > 0 || new.wet) {
        let nothing = "Crates stood on the scale and none is named. Name the kind of crate, or give the tare.";
        return Err(Refusal::field("/tare/crate", nothing));
    }
    let one = |code: Option<&CrateCode>, kind: CrateKind, pointer: &str| {
        let Some(code) = code else { return Ok(Grams::ZERO) };
        let found = facts.crates.get(code).ok_or_else(|| {
            Refusal::field(pointer, format!("There is no {kind} {code} on this farm. Check the code."))
        })?;
        if found.kind != kind {
            return Err(Refusal::field(pointer, format!("{code} is a {}, not a {kind}.", found.kind)));
        }
        Ok(if new.wet { found.tare_wet_g } else { found.tare_dry_g })
    };
    let crate_g = one(new.crate_kind.as_ref(), CrateKind::Crate, "/tare/crate")?;
    let liner_g = one(new.liner.as_ref(), CrateKind::Liner, "/tare/liner")?;
    if let Some(weighed) = new.tare_g {
        return Ok((weighed, crates, "/tare/tare_g"));
    }
    let blamed = match (&new.crate_kind, &new.liner) {
        (Some(_), _) => "/tare/crate",
        (None, Some(_)) => "/tare/liner",
        (None, None) => "/tare",
    };
    Ok((Stack { crates, crate_g, liner_g }.tare(), crates, blamed))
}

/// The one strain of the batches, and the room of each.
fn batches<'a>(sources: &[NewSource], facts: &'a Facts) -> Result<(StrainCode, Vec<&'a RoomCode>), Refusal> {
    if sources.len() > MAX_SOURCES {
        return Err(Refusal::field("/sources", "A weighing comes from at most 20 batches. Weigh in two."));
    }
    let mut first: Option<(&StrainCode, &BatchCode)> = None;
    let mut rooms = Vec::new();
    for (i, source) in sources.iter().enumerate() {
        let code = &source.batch;
        let blame = |detail: String| Refusal::field(format!("/sources/{i}/batch"), detail);
        if sources[..i].iter().any(|o| o.batch == *code && o.flush == source.flush) {
            return Err(blame(format!("Batch {code} is listed twice. Add the two up.")));
        }
        let batch = facts
            .batches
            .get(code)
            .ok_or_else(|| blame(format!("There is no batch {code} on this farm. Check the code on the bag.")))?;
        let (strain, of) = *first.get_or_insert((&batch.strain, code));
        if *strain != batch.strain {
            let strains = format!("Batch {code} is {} and batch {of} is {strain}.", batch.strain);
            return Err(blame(format!("{strains} Weigh each strain by itself.")));
        }
        if batch.blocks_left <= 0 {
            let finished = format!("Batch {code} is finished: no block of it is left. Check the code on the bag.");
            return Err(Refusal::new(RefusalKind::Closed, finished).at(format!("/sources/{i}/batch")));
        }
        flush(code, batch, source.flush).map_err(|detail| Refusal::field(format!("/sources/{i}/flush"), detail))?;
        let room = batch.room.as_ref();
        rooms.push(
            room.ok_or_else(|| blame(format!("Batch {code} is in no fruiting room. Move it to its room first.")))?,
        );
    }
    let (strain, _) = first
        .ok_or_else(|| Refusal::field("/sources", "A weighing comes from at least one batch. Choose the batch."))?;
    Ok((strain.clone(), rooms))
}

/// A flush is one that the batch has given, or the next. Blocks that stood in the rooms at opening may have flushed before the book began.
fn flush(code: &BatchCode, batch: &BatchFacts, flush: i32) -> Result<(), String> {
    let unknown = batch.flush == 0 && batch.origin == BatchOrigin::Opening;
    let max = if unknown { MAX_FLUSH } else { (batch.flush + 1).min(MAX_FLUSH) };
    match batch.flush {
        _ if (1..=max).contains(&flush) => Ok(()),
        _ if unknown => {
            Err(format!("Batch {code} has no flush in the book yet, so this is flush 1 to {max} and not {flush}."))
        }
        0 => Err(format!("Batch {code} has given nothing yet, so this is flush 1 and not {flush}.")),
        n => Err(format!("Batch {code} has given {n} so far, so this is flush 1 to {max} and not {flush}.")),
    }
}

fn amount((i, source): (usize, &NewSource)) -> Result<SourceAmount, Refusal> {
    match (source.grams_g, source.share) {
        (Some(_), Some(_)) => Err(Refusal::field(format!("/sources/{i}"), "Give grams or a share, not both.")),
        (Some(grams), None) => Ok(SourceAmount::Measured(grams)),
        (None, share) => Ok(SourceAmount::Share(share.unwrap_or(1))),
    }
}

fn place(named: Option<&PlaceCode>, facts: &Facts) -> Result<PlaceCode, Refusal> {
    let Some(named) = named else {
        return match facts.fridges.as_slice() {
            [only] => Ok(only.clone()),
            _ => Err(Refusal::field("/place", "This farm has no fridge, or several. Name the place.")),
        };
    };
    match facts.place {
        Some(PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van) => Ok(named.clone()),
        Some(_) => Err(Refusal::field(
            "/place",
            format!("{named} is not a fridge, a shelf or a van. A weighing goes to one of those."),
        )),
        None => Err(Refusal::field("/place", format!("There is no place {named} on this farm. Check the code."))),
    }
}

fn by_room(rooms: &[&RoomCode], sources: &[WeighedSource], trim_g: Grams) -> Vec<RoomShare> {
    let mut sums: Vec<(&RoomCode, i64)> = Vec::new();
    for (room, source) in rooms.iter().zip(sources) {
        match sums.iter_mut().find(|(known, _)| known == room) {
            Some((_, sum)) => *sum += source.grams_g.0,
            None => sums.push((room, source.grams_g.0)),
        }
    }
    let weights: Vec<i64> = sums.iter().map(|(_, grams)| *grams).collect();
    let trims = share_by_largest_remainder(trim_g.0, &weights);
    sums.into_iter()
        .zip(trims)
        .map(|((room, grams), trim)| RoomShare { room: room.clone(), net_g: Grams(grams - trim), trim_g: Grams(trim) })
        .collect()
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::kinds::Basis;

    fn batch(strain: &str, room: Option<&str>) -> BatchFacts {
        BatchFacts {
            strain: strain.parse().unwrap(),
            origin: BatchOrigin::Made,
            blocks_left: 20,
            flush: 0,
            room: room.map(|r| r.parse().unwrap()),
            on_hold: false,
        }
    }

    fn facts() -> Facts {
        let kind = |kind, dry, wet| CrateFacts { kind, tare_dry_g: Grams(dry), tare_wet_g: Grams(wet) };
        Facts {
            batches: BTreeMap::from([
                ("B1".parse().unwrap(), batch("OY", Some("R1"))),
                ("B2".parse().unwrap(), batch("OY", Some("R2"))),
                ("B3".parse().unwrap(), batch("LM", Some("R1"))),
            ]),
            crates: BTreeMap::from([
                ("BIG".parse().unwrap(), kind(CrateKind::Crate, 1450, 1510)),
                ("PAPER".parse().unwrap(), kind(CrateKind::Liner, 12, 30)),
            ]),
            place: None,
            fridges: vec!["F1".parse().unwrap()],
        }
    }

    /// A weighing of 5,000 g gross of batch B1, changed.
    fn weighing(changes: Value) -> NewWeighing {
        let mut body = json!({
            "id": "0198c0de-0000-7000-8000-000000000001", "grade": "A", "gross_g": 5000,
            "sources": [{"batch": "B1", "flush": 1}],
        });
        let Value::Object(changes) = changes else { panic!("an object") };
        body.as_object_mut().unwrap().extend(changes);
        serde_json::from_value(body).unwrap()
    }

    fn refused(changes: Value, facts: &Facts) -> (RefusalKind, String, String) {
        let refusal = decide(&weighing(changes), facts).unwrap_err();
        (refusal.kind, refusal.faults.first().map(|f| f.pointer.clone()).unwrap_or_default(), refusal.detail)
    }

    #[test]
    fn one_batch_gives_all_of_it_to_the_only_fridge() {
        let plan = decide(&weighing(json!({})), &facts()).unwrap();
        assert_eq!((plan.place.as_str(), plan.strain.as_str()), ("F1", "OY"));
        assert_eq!((plan.tare_g, plan.net_g, plan.crates), (Grams::ZERO, Grams(5000), 0));
        assert_eq!((plan.sources[0].grams_g, plan.sources[0].basis), (Grams(5000), Basis::Measured));
        assert_eq!(plan.rooms, [RoomShare { room: "R1".parse().unwrap(), net_g: Grams(5000), trim_g: Grams::ZERO }]);
    }

    #[test]
    fn what_comes_of_a_batch_on_hold_too_is_on_hold() {
        let both = json!({"sources": [{"batch": "B2", "flush": 1}, {"batch": "B1", "flush": 1}]});
        assert!(!decide(&weighing(both.clone()), &facts()).unwrap().on_hold);
        let mut held = facts();
        held.batches.get_mut(&"B1".parse().unwrap()).unwrap().on_hold = true;
        assert!(decide(&weighing(both), &held).unwrap().on_hold);
        assert!(!decide(&weighing(json!({"sources": [{"batch": "B2", "flush": 1}]})), &held).unwrap().on_hold);
    }

    #[test]
    fn the_stack_is_taken_off_dry_or_wet() {
        let stack = |wet: bool| json!({"tare": {"crate": "BIG", "liner": "PAPER", "crates": 2, "wet": wet}});
        let tare = |wet| decide(&weighing(stack(wet)), &facts()).unwrap().tare_g;
        assert_eq!((tare(false), tare(true)), (Grams(2 * 1462), Grams(2 * 1540)));
    }

    #[test]
    fn a_crate_that_is_named_counts_once_unless_a_number_is_given() {
        for (tare, crates, tare_g) in [
            (json!({"liner": "PAPER"}), 1, 12),
            (json!({"crate": "BIG"}), 1, 1450),
            (json!({"crate": "BIG", "crates": 3}), 3, 4350),
        ] {
            let plan = decide(&weighing(json!({"tare": tare})), &facts()).unwrap();
            assert_eq!((plan.crates, plan.tare_g), (crates, Grams(tare_g)));
        }
    }

    #[test]
    fn a_tare_that_was_weighed_counts_and_the_crates_only_number() {
        let plan = decide(&weighing(json!({"tare": {"tare_g": 900, "crate": "BIG", "crates": 3}})), &facts()).unwrap();
        assert_eq!((plan.crates, plan.tare_g, plan.net_g), (3, Grams(900), Grams(4100)));
    }

    #[test]
    fn a_stack_of_none_or_of_too_many_is_refused() {
        for crates in [0, -1, 21] {
            let (_, pointer, _) = refused(json!({"tare": {"crate": "BIG", "crates": crates}}), &facts());
            assert_eq!(pointer, "/tare/crates");
        }
    }

    #[test]
    fn a_crate_that_is_not_there_or_is_a_liner_is_blamed_by_its_own_field() {
        assert_eq!(refused(json!({"tare": {"crate": "NONE"}}), &facts()).1, "/tare/crate");
        assert_eq!(refused(json!({"tare": {"liner": "BIG"}}), &facts()).1, "/tare/liner");
        let (_, pointer, detail) = refused(json!({"tare": {"crate": "PAPER"}}), &facts());
        assert_eq!((pointer.as_str(), detail.as_str()), ("/tare/crate", "PAPER is a liner, not a crate."));
    }

    #[test]
    fn a_tare_that_leaves_nothing_blames_what_it_came_from() {
        let pointer = |tare: Value| refused(json!({"gross_g": 1000, "tare": tare}), &facts()).1;
        assert_eq!(pointer(json!({"tare_g": 1000})), "/tare/tare_g");
        assert_eq!(pointer(json!({"crate": "BIG"})), "/tare/crate");
        assert_eq!(pointer(json!({"liner": "PAPER", "crates": 20, "wet": true, "tare_g": 1001})), "/tare/tare_g");
    }

    #[test]
    fn batches_are_of_one_strain() {
        let (kind, pointer, detail) =
            refused(json!({"sources": [{"batch": "B1", "flush": 1}, {"batch": "B3", "flush": 1}]}), &facts());
        assert_eq!((kind, pointer.as_str()), (RefusalKind::Invalid, "/sources/1/batch"));
        assert!(detail.contains("Batch B3 is LM and batch B1 is OY"), "{detail}");
    }

    #[test]
    fn a_batch_is_there_once_a_flush() {
        let twice = json!({"sources": [{"batch": "B1", "flush": 1}, {"batch": "B1", "flush": 1}]});
        assert_eq!(refused(twice, &facts()).1, "/sources/1/batch");
        let mut facts = facts();
        facts.batches.get_mut(&"B1".parse().unwrap()).unwrap().flush = 1;
        let two_flushes = json!({"sources": [{"batch": "B1", "flush": 1}, {"batch": "B1", "flush": 2}]});
        assert_eq!(decide(&weighing(two_flushes), &facts).unwrap().sources.len(), 2);
    }

    #[test]
    fn a_batch_that_is_not_there_is_named() {
        let (_, pointer, detail) = refused(json!({"sources": [{"batch": "B9", "flush": 1}]}), &facts());
        assert_eq!(pointer, "/sources/0/batch");
        assert!(detail.contains("no batch B9"), "{detail}");
    }

    #[test]
    fn a_batch_without_a_block_left_is_closed() {
        let mut facts = facts();
        facts.batches.get_mut(&"B1".parse().unwrap()).unwrap().blocks_left = 0;
        let (kind, pointer, _) = refused(json!({}), &facts);
        assert_eq!((kind, pointer.as_str()), (RefusalKind::Closed, "/sources/0/batch"));
    }

    #[test]
    fn a_batch_gives_from_a_fruiting_room() {
        let mut facts = facts();
        facts.batches.get_mut(&"B1".parse().unwrap()).unwrap().room = None;
        let (_, pointer, detail) = refused(json!({}), &facts);
        assert_eq!(pointer, "/sources/0/batch");
        assert!(detail.contains("no fruiting room"), "{detail}");
    }

    #[test]
    fn a_flush_is_the_next_or_one_before() {
        let mut facts = facts();
        let try_flush = |facts: &Facts, flush: i32| {
            decide(&weighing(json!({"sources": [{"batch": "B1", "flush": flush}]})), facts).is_ok()
        };
        let allowed = |facts: &Facts| (0..=10).filter(|n| try_flush(facts, *n)).collect::<Vec<_>>();
        assert_eq!(allowed(&facts), [1]);
        facts.batches.get_mut(&"B1".parse().unwrap()).unwrap().flush = 2;
        assert_eq!(allowed(&facts), [1, 2, 3]);
        facts.batches.get_mut(&"B1".parse().unwrap()).unwrap().flush = 9;
        assert_eq!(allowed(&facts), (1..=9).collect::<Vec<_>>());
    }

    #[test]
    fn blocks_of_the_opening_entry_may_have_flushed_before() {
        let mut facts = facts();
        facts.batches.get_mut(&"B1".parse().unwrap()).unwrap().origin = BatchOrigin::Opening;
        assert!(decide(&weighing(json!({"sources": [{"batch": "B1", "flush": 4}]})), &facts).is_ok());
        for flush in [0, 10] {
            let (_, pointer, detail) = refused(json!({"sources": [{"batch": "B1", "flush": flush}]}), &facts);
            assert_eq!(pointer, "/sources/0/flush");
            assert!(detail.contains("flush 1 to 9"), "{detail}");
        }
    }

    #[test]
    fn crates_that_nobody_named_are_not_taken_for_nothing() {
        for tare in [json!({"crates": 3}), json!({"wet": true}), json!({"crates": 1, "wet": true})] {
            assert_eq!(refused(json!({"tare": tare}), &facts()).1, "/tare/crate");
        }
        assert!(decide(&weighing(json!({"tare": {"crates": 3, "tare_g": 900}})), &facts()).is_ok());
    }

    #[test]
    fn a_kind_is_held_against_the_field_also_where_the_tare_was_weighed() {
        assert_eq!(refused(json!({"tare": {"tare_g": 900, "crate": "PAPER"}}), &facts()).1, "/tare/crate");
        assert_eq!(refused(json!({"tare": {"tare_g": 900, "liner": "NONE"}}), &facts()).1, "/tare/liner");
    }

    #[test]
    fn trim_is_shared_by_what_each_room_gave() {
        let two = json!({
            "trim_g": 100, "tare": {"tare_g": 1000},
            "sources": [{"batch": "B1", "flush": 1, "grams_g": 1025}, {"batch": "B2", "flush": 1, "grams_g": 3075}],
        });
        let plan = decide(&weighing(two), &facts()).unwrap();
        let rows: Vec<_> = plan.rooms.iter().map(|r| (r.room.as_str(), r.net_g.0, r.trim_g.0)).collect();
        assert_eq!(rows, [("R1", 1000, 25), ("R2", 3000, 75)]);
    }

    #[test]
    fn batches_of_one_room_leave_it_together() {
        let mut facts = facts();
        facts.batches.get_mut(&"B2".parse().unwrap()).unwrap().room = Some("R1".parse().unwrap());
        let two =
            json!({"sources": [{"batch": "B1", "flush": 1, "share": 1}, {"batch": "B2", "flush": 1, "share": 3}]});
        let plan = decide(&weighing(two), &facts).unwrap();
        assert_eq!(plan.rooms.len(), 1);
        assert_eq!(
            plan.sources.iter().map(|s| (s.grams_g.0, s.basis)).collect::<Vec<_>>(),
            [(1250, Basis::Shared), (3750, Basis::Shared)]
        );
    }

    #[test]
    fn a_source_gives_grams_or_a_share() {
        let both = json!({"sources": [{"batch": "B1", "flush": 1, "grams_g": 5000, "share": 1}]});
        assert_eq!(refused(both, &facts()).1, "/sources/0");
    }

    #[test]
    fn a_weighing_comes_from_one_to_twenty_batches() {
        assert_eq!(refused(json!({"sources": []}), &facts()).1, "/sources");
        let many = vec![json!({"batch": "B1", "flush": 1}); 21];
        assert_eq!(refused(json!({"sources": many}), &facts()).1, "/sources");
    }

    #[test]
    fn the_place_is_a_store_or_the_only_fridge() {
        let at = |place: Option<PlaceKind>, fridges: usize| {
            let fridges = (1..=fridges).map(|n| format!("F{n}").parse().unwrap()).collect();
            Facts { place, fridges, ..facts() }
        };
        let named = json!({"place": "P1"});
        for kind in [PlaceKind::Fridge, PlaceKind::Shelf, PlaceKind::Van] {
            assert_eq!(decide(&weighing(named.clone()), &at(Some(kind), 0)).unwrap().place.as_str(), "P1");
        }
        for kind in
            PlaceKind::ALL.iter().filter(|k| !matches!(k, PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van))
        {
            assert_eq!(refused(named.clone(), &at(Some(*kind), 1)).1, "/place", "{kind}");
        }
        assert!(refused(named, &at(None, 1)).2.contains("no place P1"));
        assert!(refused(json!({}), &at(None, 0)).2.contains("no fridge, or several"));
        assert!(refused(json!({}), &at(None, 2)).2.contains("no fridge, or several"));
    }

    #[test]
    fn nothing_of_the_weight_is_lost_between_scale_and_rooms() {
        for trim in [0, 1, 7, 333] {
            let two = json!({"trim_g": trim, "sources": [
                {"batch": "B1", "flush": 1, "share": 5}, {"batch": "B2", "flush": 1, "share": 2},
            ]});
            let plan = decide(&weighing(two), &facts()).unwrap();
            let rooms: i64 = plan.rooms.iter().map(|r| r.net_g.0 + r.trim_g.0).sum();
            assert_eq!(rooms, 5000 + trim);
            assert_eq!(plan.rooms.iter().map(|r| r.trim_g.0).sum::<i64>(), trim);
            assert_eq!(plan.sources.iter().map(|s| s.grams_g.0).sum::<i64>(), 5000 + trim);
        }
    }
}
