//! What stands in the way of taking an act back, beyond the grams themselves.

use chrono::TimeDelta;
use gillbook_core::{
    kinds::ActKind,
    ledger::entry::Act,
    refusal::{Refusal, RefusalKind},
};
use uuid::Uuid;

use crate::{Result, Tx};

pub(crate) fn ensure_reversible(act: &Act) -> Result<(), Refusal> {
    if act.reversed_by.is_some() {
        return Err(Refusal::new(
            RefusalKind::AlreadyReversed,
            "This entry is taken back already. Nothing is left to do.",
        ));
    }
    if !act.kind.is_reversible() {
        return Err(Refusal::new(
            RefusalKind::NotReversible,
            format!("You cannot take back {}: it stays in the book as it is.", act.kind.said()),
        ));
    }
    Ok(())
}

/// An entry that is taken back within this time was a slip of the finger.
const MAX_SLIP: TimeDelta = TimeDelta::minutes(10);

impl Tx {
    /// Whether an entry is so new that taking it back is a correction and nothing else.
    pub(crate) fn is_slip(&self, act: &Act) -> bool {
        self.now - act.recorded_at <= MAX_SLIP
    }

    /// Refuses to take back what a later act rests on. Call with the lots locked.
    pub(crate) async fn ensure_nothing_rests_on(&mut self, act: &Act) -> Result<()> {
        if act.kind == ActKind::Count {
            self.ensure_last_count(act.act_id).await?;
        }
        self.ensure_stall_open(act.act_id).await
    }

    /// Refuses a count while a later one rests on it: that one's difference was taken against the book as this one left it.
    async fn ensure_last_count(&mut self, act_id: Uuid) -> Result<()> {
        let later = sqlx::query!(
            "select s.lot, s.place from stock_count mine join act a using (farm_id, act_id)
               join stock_count s on s.farm_id = mine.farm_id and s.lot = mine.lot and s.place = mine.place
               join act b on b.farm_id = s.farm_id and b.act_id = s.act_id
              where mine.farm_id = $1 and mine.act_id = $2 and b.happened_at >= a.happened_at
                and (b.recorded_at, b.act_id) > (a.recorded_at, a.act_id)
                and not exists (select from act x where x.farm_id = b.farm_id and x.reverses = b.act_id)
              order by s.lot limit 1",
            self.farm.0,
            act_id
        )
        .fetch_optional(&mut *self.db)
        .await?;
        match later {
            None => Ok(()),
            Some(c) => Err(Refusal::new(
                RefusalKind::NotReversible,
                format!("Lot {} at {} was counted again since. Take the later count back first.", c.lot, c.place),
            )
            .into()),
        }
    }

    /// Refuses what came to or went from a stall whose day was closed since: what was sold there is what was left of it.
    async fn ensure_stall_open(&mut self, act_id: Uuid) -> Result<()> {
        let closed = sqlx::query_scalar!(
            "select y.market_day from movement m join act a using (farm_id, act_id)
               join market_day y on y.farm_id = m.farm_id and y.stall in (m.from_place, m.to_place)
               join act c on c.farm_id = y.farm_id and c.act_id = y.close_act
              where m.farm_id = $1 and m.act_id = $2 and (c.recorded_at, c.act_id) > (a.recorded_at, a.act_id)
              order by c.recorded_at limit 1",
            self.farm.0,
            act_id
        )
        .fetch_optional(&mut *self.db)
        .await?;
        match closed {
            None => Ok(()),
            Some(day) => Err(Refusal::new(
                RefusalKind::NotReversible,
                format!(
                    "Market day {day} was closed since, and what it sold rests on this. Enter what is right instead."
                ),
            )
            .into()),
        }
    }
}
