//! Countersigning an excursion: by a second person's own sign-in.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams, SignedWith,
    cold::spell,
    kinds::SpellStanding,
    refusal::{Refusal, RefusalKind},
    text::Text,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Actor, Result, Tx,
    ledger::{
        excursion_actions::ActionTaken,
        spells::{Excursion, ExcursionWithLots},
    },
};

/// A second person's sign-off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SignOff {
    /// By whom: the person who was signed in.
    pub signed_by: String,
    /// When.
    pub signed_at: DateTime<Utc>,
    /// Anything worth knowing.
    pub note: String,
}

/// A second sign-off: by the person who is signed in.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSignOff {
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Text<0, 500>,
}

/// Whether a second sign-off is wanted now, and whether the one who is signed in may give it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SignOffWanted {
    /// It is not, and why.
    NotNow(String),
    /// By somebody else than the one who is signed in, who dealt with it.
    ByAnother,
    /// By a person's own sign-in: this is a shared phone or a machine.
    ByOwnSignIn,
    /// By the one who is signed in.
    ByYou,
}

impl ExcursionWithLots {
    /// Whether a second sign-off is wanted now, and whether `signed` may give it: whoever is a second person to an action that waits for it.
    #[must_use]
    pub fn sign_off_wanted(&self, actor: &Actor) -> SignOffWanted {
        let e = &self.excursion;
        if e.ended_at.is_none() && e.withdrawn_at.is_none() {
            return SignOffWanted::NotNow("It still lasts. Countersign it when it has ended.".into());
        }
        if e.standing.is_some() {
            if e.standing_actions().next().is_none() {
                return SignOffWanted::NotNow(
                    "Nothing is written down that was done about it. Save the action taken and what becomes of the food first."
                        .into(),
                );
            }
            if let Some(l) = self.lots.iter().find(|l| !l.decided && l.stock_g > Grams::ZERO) {
                return SignOffWanted::NotNow(format!(
                    "Lot {} was inside, and no action says what becomes of it. Save one first.",
                    l.lot
                ));
            }
        }
        let mut waiting = e.waiting_actions().peekable();
        if waiting.peek().is_none() && !e.sign_offs.is_empty() {
            return SignOffWanted::NotNow("It is countersigned already.".into());
        }
        if actor.with != SignedWith::OwnSignIn {
            SignOffWanted::ByOwnSignIn
        } else if waiting.peek().is_none() || waiting.any(|a| a.may_be_signed_by(&actor.name)) {
            SignOffWanted::ByYou
        } else {
            SignOffWanted::ByAnother
        }
    }
}

impl Excursion {
    /// Whether all is countersigned, and nothing came to light since on which nobody has decided.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        match self.standing {
            Some(standing) => standing == SpellStanding::Settled,
            None => !self.sign_offs.is_empty() && self.waiting_actions().next().is_none(),
        }
    }

    /// What was done about it and was not taken back.
    pub(crate) fn standing_actions(&self) -> impl Iterator<Item = &ActionTaken> {
        self.actions.iter().filter(|a| !a.reversed)
    }

    fn waiting_actions(&self) -> impl Iterator<Item = &ActionTaken> {
        self.standing_actions().filter(|a| a.countersigned_by.is_none())
    }
}

impl ActionTaken {
    fn may_be_signed_by(&self, signer: &str) -> bool {
        spell::is_second_person(signer, [&self.done_by, &self.entered_by])
    }
}

impl Tx {
    /// Countersigns an excursion by the person who is signed in: every action written down about it, by others, that nobody countersigned
    /// yet. What is written down later wants a further sign-off.
    ///
    /// # Errors
    /// Refuses one that is not there or still lasts, a warm or cold spell that is not decided for every lot in stock, one where all is
    /// countersigned, whoever dealt with all that is left, and a sign-in that is not the person's own.
    #[tracing::instrument(level = "debug", name = "store.ledger.sign_off", skip_all, fields(farm_id = self.farm.0))]
    pub async fn sign_off(&mut self, id: Uuid, new: &NewSignOff) -> Result<ExcursionWithLots> {
        self.lock_excursion(id).await?;
        let there = self.excursion(id).await?;
        let wanted = there.sign_off_wanted(&self.actor);
        if let SignOffWanted::NotNow(why) = wanted {
            return Err(Refusal::new(RefusalKind::Closed, why).into());
        }
        let signer = self.authoriser("Countersigning")?.to_owned();
        if wanted == SignOffWanted::ByAnother {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!(
                    "{signer} dealt with it and cannot countersign it. Let a second person do that, by their own sign-in."
                ),
            )
            .into());
        }
        let actions: Vec<Uuid> =
            there.excursion.waiting_actions().filter(|a| a.may_be_signed_by(&signer)).map(|a| a.action_id).collect();
        let sign_off = self.new_id();
        sqlx::query!(
            "insert into excursion_sign_off (farm_id, sign_off_id, excursion_id, signed_at, signed_by, note, known_ended_at)
             values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            sign_off,
            id,
            self.now,
            signer,
            new.note.as_str(),
            there.excursion.ended_at
        )
        .execute(&mut *self.db)
        .await?;
        sqlx::query!(
            "insert into excursion_action_sign_off (farm_id, action_id, sign_off_id) select $1, a, $2 from unnest($3::uuid[]) a",
            self.farm.0,
            sign_off,
            &actions
        )
        .execute(&mut *self.db)
        .await?;
        self.excursion(id).await
    }
}
