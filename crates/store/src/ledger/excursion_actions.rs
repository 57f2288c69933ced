//! What was done about an excursion happens to the food: the action names the lots inside and holds, wastes or moves them in the same
//! transaction.

use gillbook_core::{
    Grams,
    cold::spell,
    kinds::{ActKind, FoodOutcome, LotOrigin, PlaceKind},
    ledger::entry::{PlannedLeg, PlannedLink, PlannedLot, built_in_place},
    refusal::{Refusal, RefusalKind},
    text::{LotCode, OrderCode, PlaceCode, Short, Text},
    units::calendar::Instant,
};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Result, Tx,
    ledger::{
        action_lots::{ensure_enough, named},
        holds::NewHoldEvent,
        posting::{NewAct, NewLot, Parts},
        spells::{ExcursionWithLots, ExposedLot},
    },
};

/// What was done about an excursion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ActionTaken {
    /// Id.
    pub action_id: Uuid,
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
    /// Whether its act was reversed, so that it decides on nothing any more.
    pub reversed: bool,
    /// The second person who countersigned it.
    pub countersigned_by: Option<String>,
}

/// A lot that an action was about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
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
    named: Vec<(&'a ExposedLot, Option<&'a NewActedLot>)>,
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
            reverses: None,
        }
    }
}

impl Tx {
    /// Writes down what was done about an excursion, and does it to the lots that it names.
    ///
    /// # Errors
    /// Refuses one that is not there, a time in the future, lots that were not inside, and what cannot be done to them.
    #[tracing::instrument(level = "debug", name = "store.ledger.add_action", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_action(&mut self, id: Uuid, new: &NewAction) -> Result<ExcursionWithLots> {
        let at = self.occurred_at(new.done_at, "/done_at")?;
        self.lock_excursion(id).await?;
        let before = self.excursion(id).await?;
        let lots: Vec<LotCode> = named(&before, new)?.iter().map(|(l, _)| l.lot.clone()).collect();
        self.lock_made_of(&lots, &[]).await?;
        // Looked at again: what stood there may have been sold while the locks were waited for.
        let there = self.excursion(id).await?;
        let work = Work { new, there: &there, named: named(&there, new)?, at, document: id.to_string() };
        let effect = match new.food {
            FoodOutcome::NoneThere => Effect::default(),
            FoodOutcome::Kept => {
                let lots = work.named.iter().map(|(l, _)| whole(l.lot.clone(), l.stock_g)).collect();
                Effect { lots, ..Effect::default() }
            }
            FoodOutcome::Held => self.hold_about(&work).await?,
            FoodOutcome::Wasted => self.waste_about(&work).await?,
            FoodOutcome::Moved => self.move_about(&work).await?,
        };
        self.insert_action(id, &work, &effect).await?;
        self.excursion(id).await
    }

    async fn insert_action(&mut self, id: Uuid, work: &Work<'_>, effect: &Effect) -> Result<()> {
        let action = self.new_id();
        let orders: Vec<String> = effect.orders_short.iter().map(ToString::to_string).collect();
        sqlx::query!(
            "insert into excursion_action (farm_id, action_id, excursion_id, done, food, food_note, done_at, recorded_at, done_by, entered_by,
                                           act_id, to_place, orders_short, known_began_at, known_ended_at, known_air_c, known_product_c)
             select $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, e.began_at, e.ended_at, e.air_c, e.product_c
               from excursion e where e.farm_id = $1 and e.excursion_id = $3",
            self.farm.0,
            action,
            id,
            work.new.done.as_str(),
            work.new.food.as_str(),
            work.new.food_note.as_str(),
            work.at,
            self.now,
            self.performed_by(work.new.by.as_ref()),
            self.actor.name,
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

    /// Holds: whole lots with what was made of them and was inside, and parts as lots of their own.
    async fn hold_about(&mut self, work: &Work<'_>) -> Result<Effect> {
        let (apart, whole_lots): (Vec<_>, Vec<_>) =
            work.named.iter().partition(|(_, asked)| asked.is_some_and(|a| a.set_apart));
        let codes: Vec<LotCode> = whole_lots.iter().map(|(l, _)| l.lot.clone()).collect();
        let mut family = self.made_of_them(&codes).await?;
        family.retain(|lot| work.there.lots.iter().any(|l| l.lot == *lot));
        let place = self.place(&work.there.excursion.place).await?.name;
        let reason = format!("{}, {place}", work.there.excursion.kind.said());
        let hold =
            NewHoldEvent { reason: &reason, at: work.at, by: work.new.by.as_ref(), document: Some(&work.document) };
        self.hold_locked(&family, &hold).await?;
        let mut orders_short = self.release_set_aside_of(&family, None).await?;
        let mut lots = Vec::new();
        for lot in family {
            let stock = self.free_places(&lot, &work.there.excursion.place).await?;
            lots.push(whole(lot, stock.into_iter().map(|s| s.1).sum()));
        }
        let mut effect = Effect { lots, ..Effect::default() };
        if !apart.is_empty() {
            let parts: Vec<&ExposedLot> = apart.iter().map(|(l, _)| *l).collect();
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
        parts: &[&ExposedLot],
        hold: &NewHoldEvent<'_>,
        effect: &mut Effect,
    ) -> Result<Vec<OrderCode>> {
        let place = &work.there.excursion.place;
        let codes: Vec<LotCode> = parts.iter().map(|l| l.lot.clone()).collect();
        let orders = self.release_set_aside_of(&codes, Some(place)).await?;
        let id = self.new_id();
        let parents = self.facts_of_lots(&codes).await?;
        let packing = built_in_place(PlaceKind::Packing);
        let (mut lots, mut links, mut legs, mut holds) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for (n, part) in parts.iter().enumerate() {
            let (child, grams) = (PlannedLot::Made(n), part.there_g);
            lots.push(NewLot::like(&parents[&part.lot], LotOrigin::Packed));
            links.push(PlannedLink { parent: part.lot.clone(), child: child.clone(), grams });
            legs.push(PlannedLeg::of(&part.lot, place, &packing, grams));
            let (from_place, to_place) = (packing.clone(), place.clone());
            legs.push(PlannedLeg { lot: child.clone(), from_place, to_place, grams_g: grams });
            holds.push(hold.hold(child));
        }
        let rows = self.lot_event_rows(&holds)?;
        let entry = Parts::default().with_lots(lots, false)?.with_links(&links)?.with("lot_events", &rows)?;
        let posted = self.post(&work.act(id, ActKind::Packing), &legs, entry).await?;
        for (part, child) in parts.iter().zip(posted.made) {
            effect.lots.push(ActedLot { set_apart: Some(child), ..whole(part.lot.clone(), part.there_g) });
        }
        effect.act_id = Some(id);
        Ok(orders)
    }

    /// Wastes what was inside and is still in stock, the warm place first.
    async fn waste_about(&mut self, work: &Work<'_>) -> Result<Effect> {
        let waste = built_in_place(PlaceKind::Waste);
        let orders_short = self.release_set_aside_of(&work.codes(), None).await?;
        let (mut legs, mut lots) = (Vec::new(), Vec::new());
        for (i, (l, asked)) in work.named.iter().enumerate() {
            let free = self.free_places(&l.lot, &work.there.excursion.place).await?;
            // Of what was inside, what may still be in stock.
            let inside =
                if l.made_since { l.stock_g } else { l.left_g.unwrap_or(l.stock_g).clamp(Grams::ZERO, l.stock_g) };
            let wanted = asked.and_then(|a| a.grams_g);
            let taken = spell::take(wanted.unwrap_or(inside), &free);
            let grams: Grams = taken.iter().map(|t| t.1).sum();
            ensure_enough(i, l, *asked, grams)?;
            legs.extend(taken.iter().map(|(from, grams)| PlannedLeg::of(&l.lot, from, &waste, *grams)));
            // Where some of it went to another store nobody can tell which grams are left.
            let all = grams >= l.stock_g || l.stayed && grams >= inside;
            lots.push(ActedLot { whole: all, ..whole(l.lot.clone(), grams) });
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
            ensure_enough(i, l, *asked, grams_g)?;
            if grams_g > Grams::ZERO {
                legs.push(PlannedLeg::of(&l.lot, place, to_place, grams_g));
            }
            let all = grams_g >= l.stock_g || l.stayed && grams_g >= l.there_g;
            lots.push(ActedLot { whole: all, ..whole(l.lot.clone(), grams_g) });
        }
        let act_id = self.enter_about(work, ActKind::Transfer, &legs).await?;
        Ok(Effect { lots, act_id, orders_short })
    }

    async fn enter_about(&mut self, work: &Work<'_>, kind: ActKind, legs: &[PlannedLeg]) -> Result<Option<Uuid>> {
        if legs.is_empty() {
            return Err(Refusal::new(
                RefusalKind::NotEnough,
                "Nothing of what was inside is there any more. Choose “kept in stock” and say in the note what became of it.",
            )
            .at("/food")
            .into());
        }
        let id = self.new_id();
        self.post(&work.act(id, kind), legs, Parts::default()).await?;
        Ok(Some(id))
    }
}

fn whole(lot: LotCode, grams_g: Grams) -> ActedLot {
    ActedLot { lot, grams_g, whole: true, set_apart: None }
}
