//! Which lots an action about an excursion names, and what may be asked of them.

use gillbook_core::{
    Grams,
    kinds::FoodOutcome,
    refusal::{Refusal, RefusalKind},
    text::{LotCode, PlaceCode},
};

use crate::{
    Result, Tx,
    ledger::{
        excursion_actions::{NewActedLot, NewAction},
        spells::{ExcursionWithLots, ExposedLot},
    },
};

/// The most lots that one action names.
const MAX_ACTION_LOTS: usize = 500;

impl Tx {
    /// Where a lot is in stock and how much, `first` before the others, without what is on its way to a customer.
    pub(crate) async fn free_places(&mut self, lot: &LotCode, first: &PlaceCode) -> Result<Vec<(PlaceCode, Grams)>> {
        let rows = sqlx::query!(
            r#"select b.place as "place: PlaceCode", greatest(0, b.grams - docketed_g(b.farm_id, b.lot, b.place))::bigint as "free!: Grams"
                 from balance b join place p using (farm_id, place)
                where b.farm_id = $1 and b.lot = $2 and b.grams > 0 and p.kind in ('fridge', 'shelf', 'van', 'stall')
                order by b.place <> $3, b.place"#,
            self.farm.0,
            lot.as_str(),
            first.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.place, r.free)).collect())
    }
}

/// Refuses to take less than was asked for of a lot that was named.
pub(crate) fn ensure_enough(
    i: usize,
    l: &ExposedLot,
    asked: Option<&NewActedLot>,
    grams: Grams,
) -> Result<(), Refusal> {
    let Some(asked) = asked else { return Ok(()) };
    if grams > Grams::ZERO && asked.grams_g.is_none_or(|wanted| grams >= wanted) {
        return Ok(());
    }
    let text = format!("Only {grams} of lot {} are there, without what is on its way to a customer.", l.lot);
    Err(Refusal::new(RefusalKind::NotEnough, text).at(format!("/lots/{i}/grams_g")))
}

/// The lots that an action names: as it says, or every one that was inside.
pub(crate) fn named<'a>(
    there: &'a ExcursionWithLots,
    new: &'a NewAction,
) -> Result<Vec<(&'a ExposedLot, Option<&'a NewActedLot>)>, Refusal> {
    if new.to_place.is_some() && new.food != FoodOutcome::Moved {
        return Err(Refusal::field("/to_place", "Only what is moved goes to a place. Leave the place out."));
    }
    if new.food == FoodOutcome::NoneThere {
        return match there.lots.first() {
            Some(l) => Err(Refusal::field(
                "/food",
                format!("By the book lot {} was inside. Say what becomes of it, or correct the stock first.", l.lot),
            )),
            None if new.lots.is_some() => Err(Refusal::field("/lots", "Nothing was inside. Leave the lots out.")),
            None => Ok(Vec::new()),
        };
    }
    let Some(lots) = &new.lots else {
        return if there.lots.is_empty() && new.food != FoodOutcome::Kept {
            Err(Refusal::field("/food", "By the book nothing was inside. Choose “nothing inside”."))
        } else {
            Ok(there.lots.iter().map(|l| (l, None)).collect())
        };
    };
    if lots.is_empty() || lots.len() > MAX_ACTION_LOTS {
        return Err(Refusal::field("/lots", format!("Name 1 to {MAX_ACTION_LOTS} lots, or leave them out for all.")));
    }
    lots.iter().enumerate().map(|(i, asked)| Ok((named_one(there, new, lots, i)?, Some(asked)))).collect()
}

fn named_one<'a>(
    there: &'a ExcursionWithLots,
    new: &NewAction,
    lots: &[NewActedLot],
    i: usize,
) -> Result<&'a ExposedLot, Refusal> {
    let asked = &lots[i];
    let at = |field: &str, text: String| Err(Refusal::field(format!("/lots/{i}/{field}"), text));
    let place = &there.excursion.place;
    let Some(lot) = there.lots.iter().find(|l| l.lot == asked.lot) else {
        return at("lot", format!("Lot {} was not in {place} during it, nor made of one that was.", asked.lot));
    };
    if lots[..i].iter().any(|l| l.lot == asked.lot) {
        return at("lot", format!("Lot {} is named twice. Name it once.", asked.lot));
    }
    match asked.grams_g {
        Some(_) if !matches!(new.food, FoodOutcome::Wasted | FoodOutcome::Moved) => {
            return at(
                "grams_g",
                "Grams are given for what is wasted or moved. A lot is held or kept as a whole.".into(),
            );
        }
        Some(grams) if grams <= Grams::ZERO => return at("grams_g", "Give a weight above zero.".into()),
        _ => {}
    }
    if asked.set_apart && (new.food != FoodOutcome::Held || !lot.can_set_apart) {
        return at(
            "set_apart",
            format!(
                "What was in {place} of lot {} cannot be told from the rest, or nothing else of it is there. Hold the whole lot.",
                lot.lot
            ),
        );
    }
    Ok(lot)
}
