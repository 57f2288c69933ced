//! What was done about an excursion happens to the food: the action names the lots inside and holds, wastes or moves them in the same
//! transaction. And the countersigning by a second person.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    calendar::Instant,
    refusal::{Kind, Refusal},
    spell,
    text::{LotCode, OrderCode, PlaceCode, Short, Text},
    words::{ActKind, ExcursionKind, FoodOutcome, LotOrigin, PlaceKind},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Result, Tx,
    excursions::{Excursion, ExcursionWithLots, LotThere},
    holds::NewHold,
    ledger::{Leg, NewAct},
    lots::NewLot,
};

/// The most lots that one action names.
const MAX_ACTION_LOTS: usize = 500;

/// What was done about an excursion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ActionTaken {
    /// What was done.
    pub done: String,
    /// What became of the food.
    pub food: FoodOutcome,
    /// More about it.
    pub food_note: String,
    /// The lots that it was about.
    pub lots: Vec<ActedLot>,
    /// Where they were moved to.
    pub to_place: Option<PlaceCode>,
    /// The act that wasted, moved or set apart.
    pub act_id: Option<Uuid>,
    /// Orders that went short: what was set aside of the lots was released.
    pub orders_short: Vec<OrderCode>,
    /// When.
    pub done_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
}

/// A lot that an action was about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ActedLot {
    /// The lot.
    pub lot: LotCode,
    /// Grams that were held, wasted, moved or kept.
    pub grams_g: Grams,
    /// Whether nothing of it is left to be decided on.
    pub whole: bool,
    /// The lot that its part in the warm place became, to be held alone.
    pub set_apart: Option<LotCode>,
}

/// A second person's sign-off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SignOff {
    /// By whom: the person who was signed in.
    pub signed_by: String,
    /// When.
    pub signed_at: DateTime<Utc>,
    /// Anything worth knowing.
    pub note: String,
}

/// A lot that an action is about.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewActedLot {
    /// The lot. It was inside, or was made since of one that was.
    pub lot: LotCode,
    /// How much of it is wasted or moved; all that was inside and is still there unless said.
    pub grams_g: Option<Grams>,
    /// Sets the grams that are in the warm place apart as a lot of their own, which is held alone. Only while they can be told from the rest.
    #[serde(default)]
    pub set_apart: bool,
}

/// Something done about an excursion. It happens to the food with it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewAction {
    /// What was done.
    pub done: Text<1, 500>,
    /// What becomes of the food.
    pub food: FoodOutcome,
    /// The lots; every one that was inside unless said.
    #[schema(min_items = 1, max_items = 500)]
    pub lots: Option<Vec<NewActedLot>>,
    /// Where they go, for `moved`.
    pub to_place: Option<PlaceCode>,
    /// More about it.
    #[serde(default)]
    pub food_note: Text<0, 500>,
    /// When; now unless said.
    pub done_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A second sign-off: by the person who is signed in.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSignOff {
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Text<0, 500>,
}

/// What an action did.
#[derive(Default)]
struct Effect {
    lots: Vec<ActedLot>,
    act_id: Option<Uuid>,
    orders_short: Vec<OrderCode>,
}

/// An action at work: what was asked, of what, when.
struct Work<'a> {
    new: &'a NewAction,
    there: &'a ExcursionWithLots,
    named: Vec<(&'a LotThere, Option<&'a NewActedLot>)>,
    at: DateTime<Utc>,
    document: String,
}

impl Work<'_> {
    fn codes(&self) -> Vec<LotCode> {
        self.named.iter().map(|(l, _)| l.lot.clone()).collect()
    }

    fn act(&self, id: Uuid, kind: ActKind) -> NewAct<'_> {
        NewAct {
            id,
            kind,
            happened_at: self.at,
            by: self.new.by.as_ref(),
            document: Some(&self.document),
            reason: self.new.done.as_str(),
        }
    }
}

impl Tx {
    /// Writes down what was done about an excursion, and does it to the lots that it names.
    ///
    /// # Errors
    /// Refuses one that is not there, a time in the future, lots that were not inside, and what cannot be done to them.
    pub async fn add_action(&mut self, id: Uuid, new: &NewAction) -> Result<ExcursionWithLots> {
        let at = self.happened(new.done_at, "/done_at")?;
        self.lock_excursion(id).await?;
        let before = self.excursion(id).await?;
        let lots: Vec<LotCode> = named(&before, new)?.iter().map(|(l, _)| l.lot.clone()).collect();
        self.lock_made_of(&lots, Some(before.excursion.began_at)).await?;
        // Looked at again: what stood there may have been sold while the locks were waited for.
        let there = self.excursion(id).await?;
        let work = Work { new, there: &there, named: named(&there, new)?, at, document: id.to_string() };
        let effect = match new.food {
            FoodOutcome::NoneThere => Effect::default(),
            FoodOutcome::Kept => Effect {
                lots: work.named.iter().map(|(l, _)| whole(l.lot.clone(), l.stock_g)).collect(),
                ..Effect::default()
            },
            FoodOutcome::Held => self.hold_about(&work).await?,
            FoodOutcome::Wasted => self.waste_about(&work).await?,
            FoodOutcome::Moved => self.move_about(&work).await?,
        };
        self.insert_action(id, &work, &effect).await?;
        self.excursion(id).await
    }

    async fn lock_excursion(&mut self, id: Uuid) -> Result<()> {
        sqlx::query!(
            "select excursion_id from excursion where farm_id = $1 and excursion_id = $2 for update",
            self.farm.0,
            id
        )
        .fetch_optional(&mut *self.db)
        .await?
        .map(|_| ())
        .ok_or_else(|| Refusal::not_found("excursion", id).into())
    }

    async fn insert_action(&mut self, id: Uuid, work: &Work<'_>, effect: &Effect) -> Result<()> {
        let action = self.new_id();
        let orders: Vec<String> = effect.orders_short.iter().map(ToString::to_string).collect();
        sqlx::query!(
            "insert into excursion_action (farm_id, action_id, excursion_id, done, food, food_note, done_at, recorded_at, done_by, entered_by,
                                           act_id, to_place, orders_short)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
            self.farm.0,
            action,
            id,
            work.new.done.as_str(),
            work.new.food.as_str(),
            work.new.food_note.as_str(),
            work.at,
            self.now,
            self.done_by(work.new.by.as_ref()),
            self.signed.name,
            effect.act_id,
            work.new.to_place.as_ref().map(PlaceCode::as_str),
            &orders
        )
        .execute(&mut *self.db)
        .await?;
        for l in &effect.lots {
            sqlx::query!(
                "insert into excursion_action_lot (farm_id, action_id, lot, grams, whole, set_apart) values ($1, $2, $3, $4, $5, $6)",
                self.farm.0,
                action,
                l.lot.as_str(),
                l.grams_g.0,
                l.whole,
                l.set_apart.as_ref().map(LotCode::as_str)
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }

    /// Holds: whole lots with everything that was made of them since, and parts as lots of their own.
    async fn hold_about(&mut self, work: &Work<'_>) -> Result<Effect> {
        let (apart, whole_lots): (Vec<_>, Vec<_>) =
            work.named.iter().partition(|(_, asked)| asked.is_some_and(|a| a.set_apart));
        let codes: Vec<LotCode> = whole_lots.iter().map(|(l, _)| l.lot.clone()).collect();
        let family = self.made_of_them(&codes, Some(work.there.excursion.began_at)).await?;
        let hold = NewHold {
            reason: work.new.done.as_str(),
            at: work.at,
            by: work.new.by.as_ref(),
            document: Some(&work.document),
        };
        self.hold_locked(&family, &hold).await?;
        let mut orders_short = self.release_set_aside_of(&family, None).await?;
        let mut lots = Vec::new();
        for lot in family {
            let stock = self.free_places(&lot, &work.there.excursion.place).await?;
            lots.push(whole(lot, stock.into_iter().map(|s| s.1).sum()));
        }
        let mut effect = Effect { lots, ..Effect::default() };
        if !apart.is_empty() {
            let parts: Vec<&LotThere> = apart.iter().map(|(l, _)| *l).collect();
            orders_short.extend(self.set_apart(work, &parts, &hold, &mut effect).await?);
        }
        orders_short.sort_unstable();
        orders_short.dedup();
        Ok(Effect { orders_short, ..effect })
    }

    /// Makes lots of what stands of lots in the warm place, and holds those. One act for all.
    async fn set_apart(
        &mut self,
        work: &Work<'_>,
        parts: &[&LotThere],
        hold: &NewHold<'_>,
        effect: &mut Effect,
    ) -> Result<Vec<OrderCode>> {
        let place = &work.there.excursion.place;
        let codes: Vec<LotCode> = parts.iter().map(|l| l.lot.clone()).collect();
        let orders = self.release_set_aside_of(&codes, Some(place)).await?;
        let id = self.new_id();
        self.enter_act(&work.act(id, ActKind::Packing), None).await?;
        let packing = self.sink(PlaceKind::Packing).await?;
        let mut legs = Vec::new();
        for part in parts {
            let parent = self.lot_facts(&part.lot).await?;
            let child = self
                .begin_lot(&NewLot {
                    strain: &parent.strain,
                    grade: &parent.grade,
                    packaging: parent.packaging,
                    form: parent.form,
                    harvest_day: parent.harvest_day,
                    harvested_at: parent.harvested_at,
                    origin: LotOrigin::Packed,
                    best_before: parent.best_before,
                    began_by: id,
                })
                .await?;
            let (grams_g, link) = (
                part.there_g,
                gillbook_core::lot::Link { parent: part.lot.clone(), child: child.clone(), grams: part.there_g },
            );
            self.link_lots(id, &link).await?;
            let leg = |lot: &LotCode, from_place: &PlaceCode, to_place: &PlaceCode| Leg {
                lot: lot.clone(),
                from_place: from_place.clone(),
                to_place: to_place.clone(),
                grams_g,
            };
            legs.push(leg(&part.lot, place, &packing));
            legs.push(leg(&child, &packing, place));
            self.hold_locked(std::slice::from_ref(&child), hold).await?;
            effect.lots.push(ActedLot { set_apart: Some(child), ..whole(part.lot.clone(), grams_g) });
        }
        self.enter_legs(id, &legs).await?;
        effect.act_id = Some(id);
        Ok(orders)
    }

    /// Wastes what was inside and is still in stock, the warm place first.
    async fn waste_about(&mut self, work: &Work<'_>) -> Result<Effect> {
        let waste = self.sink(PlaceKind::Waste).await?;
        let orders_short = self.release_set_aside_of(&work.codes(), None).await?;
        let (mut legs, mut lots) = (Vec::new(), Vec::new());
        for (i, (l, asked)) in work.named.iter().enumerate() {
            let free = self.free_places(&l.lot, &work.there.excursion.place).await?;
            // Of what was inside, what may still be in stock.
            let inside = if l.made_since { l.stock_g } else { l.grams_g.min(l.stock_g) };
            let wanted = asked.and_then(|a| a.grams_g);
            let taken = spell::take(wanted.unwrap_or(inside), &free);
            let grams: Grams = taken.iter().map(|t| t.1).sum();
            expect_enough(i, l, *asked, grams)?;
            legs.extend(taken.into_iter().map(|(from_place, grams_g)| Leg {
                lot: l.lot.clone(),
                from_place,
                to_place: waste.clone(),
                grams_g,
            }));
            lots.push(ActedLot { whole: grams >= inside, ..whole(l.lot.clone(), grams) });
        }
        let act_id = self.enter_about(work, ActKind::Waste, &legs).await?;
        Ok(Effect { lots, act_id, orders_short })
    }

    /// Moves what stands in the warm place to another store.
    async fn move_about(&mut self, work: &Work<'_>) -> Result<Effect> {
        let place = &work.there.excursion.place;
        let Some(to_place) = work.new.to_place.as_ref().filter(|to| *to != place) else {
            return Err(
                Refusal::field("/to_place", format!("Name the store that it goes to, other than {place}.")).into()
            );
        };
        self.place_kind(to_place, "/to_place").await?;
        let orders_short = self.release_set_aside_of(&work.codes(), Some(place)).await?;
        let (mut legs, mut lots) = (Vec::new(), Vec::new());
        for (i, (l, asked)) in work.named.iter().enumerate() {
            let free = self.free_places(&l.lot, place).await?;
            let there = free.iter().find(|(p, _)| p == place).map_or(Grams::ZERO, |(_, g)| *g);
            let grams_g = asked.and_then(|a| a.grams_g).unwrap_or(there).min(there);
            expect_enough(i, l, *asked, grams_g)?;
            if grams_g > Grams::ZERO {
                legs.push(Leg { lot: l.lot.clone(), from_place: place.clone(), to_place: to_place.clone(), grams_g });
            }
            lots.push(ActedLot { whole: grams_g >= l.there_g, ..whole(l.lot.clone(), grams_g) });
        }
        let act_id = self.enter_about(work, ActKind::Transfer, &legs).await?;
        Ok(Effect { lots, act_id, orders_short })
    }

    async fn enter_about(&mut self, work: &Work<'_>, kind: ActKind, legs: &[Leg]) -> Result<Option<Uuid>> {
        if legs.is_empty() {
            return Err(Refusal::new(
                Kind::NotEnough,
                "Nothing of what was inside is there any more. Choose “kept” and say in the note what became of it.",
            )
            .at("/food")
            .into());
        }
        let id = self.new_id();
        self.enter(&work.act(id, kind), legs).await?;
        Ok(Some(id))
    }

    /// Where a lot is in stock and how much, `first` before the others, without what is on its way to a customer.
    async fn free_places(&mut self, lot: &LotCode, first: &PlaceCode) -> Result<Vec<(PlaceCode, Grams)>> {
        let rows = sqlx::query!(
            r#"select b.place as "place: PlaceCode",
                      greatest(0, b.grams - coalesce((
                          select sum(l.grams) from docket d join docket_line l using (farm_id, docket)
                           where d.farm_id = b.farm_id and d.van = b.place and l.lot = b.lot
                             and not exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id)
                             and not exists (select from delivery v where v.farm_id = d.farm_id and v.docket = d.docket
                                                and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id))
                      ), 0))::bigint as "free!: Grams"
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

    /// Countersigns an excursion: by the person who is signed in, and who did not deal with it.
    ///
    /// # Errors
    /// Refuses one that is not there or still lasts, a warm or cold spell that is not decided for every lot in stock, whoever dealt with
    /// it, and a sign-in that is not the person's own.
    pub async fn sign_off(&mut self, id: Uuid, new: &NewSignOff) -> Result<ExcursionWithLots> {
        self.lock_excursion(id).await?;
        let ExcursionWithLots { excursion: there, lots, .. } = self.excursion(id).await?;
        may_be_signed_off(&there, &lots)?;
        let signer = self.authoriser("Countersigning")?.to_owned();
        spell::may_countersign(
            &signer,
            there.actions.iter().flat_map(|a| [a.done_by.as_str(), a.entered_by.as_str()]),
        )?;
        sqlx::query!(
            "insert into excursion_sign_off (farm_id, excursion_id, signed_at, signed_by, note) values ($1, $2, $3, $4, $5)",
            self.farm.0,
            id,
            self.now,
            signer,
            new.note.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        self.excursion(id).await
    }
}

fn whole(lot: LotCode, grams_g: Grams) -> ActedLot {
    ActedLot { lot, grams_g, whole: true, set_apart: None }
}

fn may_be_signed_off(there: &Excursion, lots: &[LotThere]) -> Result<(), Refusal> {
    let refuse = |detail: String| Err(Refusal::new(Kind::Closed, detail));
    if there.signed_off.is_some() {
        return refuse("It is countersigned already.".into());
    }
    if there.ended_at.is_none() && there.withdrawn_at.is_none() {
        return refuse("It still lasts. Countersign it when it has ended.".into());
    }
    if !matches!(there.kind, ExcursionKind::TooWarm | ExcursionKind::TooCold) {
        return Ok(());
    }
    if there.actions.is_empty() {
        return refuse(
            "Nothing is written down that was done about it. Save the action taken and what becomes of the food first."
                .into(),
        );
    }
    match lots.iter().find(|l| !l.decided && l.stock_g > Grams::ZERO) {
        Some(l) => refuse(format!("Lot {} was inside, and no action says what becomes of it. Save one first.", l.lot)),
        None => Ok(()),
    }
}

/// Refuses to take less than was asked for of a lot that was named.
fn expect_enough(i: usize, l: &LotThere, asked: Option<&NewActedLot>, grams: Grams) -> Result<(), Refusal> {
    let Some(asked) = asked else { return Ok(()) };
    if grams > Grams::ZERO && asked.grams_g.is_none_or(|wanted| grams >= wanted) {
        return Ok(());
    }
    let text = format!("Only {grams} of lot {} are there, without what is on its way to a customer.", l.lot);
    Err(Refusal::new(Kind::NotEnough, text).at(format!("/lots/{i}/grams_g")))
}

/// The lots that an action names: as it says, or every one that was inside.
fn named<'a>(
    there: &'a ExcursionWithLots,
    new: &'a NewAction,
) -> Result<Vec<(&'a LotThere, Option<&'a NewActedLot>)>, Refusal> {
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
            Err(Refusal::field("/food", "By the book nothing was inside. Choose “none was there”."))
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
) -> Result<&'a LotThere, Refusal> {
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
