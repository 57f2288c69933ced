//! Countersigning an excursion: by a second person's own sign-in.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    refusal::{Kind, Refusal},
    spell,
    text::Text,
    words::ExcursionKind,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Result, Tx,
    excursions::{Excursion, ExcursionWithLots, LotThere},
};

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

/// A second sign-off: by the person who is signed in.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSignOff {
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Text<0, 500>,
}

impl Tx {
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
