//! Posting: the one way into the book. An entry is put together here with all that belongs to it, and written by one call, which moves the
//! balances and checks every sum (`post_entry`, migration 0005). The service's role can write none of it by itself.
//!
//! Before an entry is decided on, what the decision will stand on is locked (`heads.rs`): the facts are fetched behind the locks, and are still
//! true when the entry is posted.

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    SignedWith,
    kinds::{ActKind, Form, LotEventKind, LotOrigin, OrderStatus, Packaging},
    ledger::{
        entry::{Act, Leg, PlannedLeg, PlannedLink, PlannedLot, ensure_weight},
        lot,
    },
    text::{GradeCode, LotCode, OrderCode, Short, StrainCode},
};
use serde::Serialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::{Result, Tx, ledger::lots::LotFacts};

/// What an entry says of itself.
pub(crate) struct NewAct<'a> {
    pub id: Uuid,
    pub kind: ActKind,
    pub happened_at: DateTime<Utc>,
    pub by: Option<&'a Short>,
    /// The document that it belongs to. A dispatch and a market day are given theirs when they are posted.
    pub document: Option<&'a str>,
    pub reason: &'a str,
    /// The entry that it takes back.
    pub reverses: Option<Uuid>,
}

/// A lot that an entry makes.
#[derive(Serialize)]
pub(crate) struct NewLot<'a> {
    pub strain: &'a StrainCode,
    pub grade: &'a GradeCode,
    pub packaging: Packaging,
    pub form: Form,
    pub harvest_day: NaiveDate,
    pub harvested_at: DateTime<Utc>,
    pub origin: LotOrigin,
    pub best_before: Option<NaiveDate>,
}

impl<'a> NewLot<'a> {
    /// A lot that is as another one was.
    pub(crate) fn like(parent: &'a LotFacts, origin: LotOrigin) -> Self {
        Self {
            strain: &parent.strain,
            grade: &parent.grade,
            packaging: parent.packaging,
            form: parent.form,
            harvest_day: parent.harvest_day,
            harvested_at: parent.harvested_at,
            origin,
            best_before: parent.best_before,
        }
    }
}

/// What happened to a lot beside its movements.
#[derive(Serialize)]
pub(crate) struct LotEvent<'a> {
    pub lot: PlannedLot,
    pub kind: LotEventKind,
    pub reason: &'a str,
    pub happened_at: DateTime<Utc>,
    /// Who did it; who is signed in unless said.
    #[serde(skip)]
    pub by: Option<&'a Short>,
    /// The warm spell that it is held for.
    pub document: Option<&'a str>,
}

/// What belongs to an entry beside its legs: rows by the name that `post_entry` knows them under.
#[derive(Default)]
pub(crate) struct Parts(Map<String, Value>);

impl Parts {
    /// Adds rows. Their fields are the columns of the table; the farm, the entry and its document are written by the posting.
    pub(crate) fn with<T: Serialize>(mut self, name: &'static str, rows: &[T]) -> Result<Self> {
        if !rows.is_empty() {
            self.0.insert(name.to_owned(), serde_json::to_value(rows).map_err(crate::Error::stored)?);
        }
        Ok(self)
    }

    /// Adds the one row of its name.
    pub(crate) fn with_one<T: Serialize>(mut self, name: &'static str, row: &T) -> Result<Self> {
        self.0.insert(name.to_owned(), serde_json::to_value(row).map_err(crate::Error::stored)?);
        Ok(self)
    }

    /// Adds lots to be made. One that joins goes into the day's lot of its kind, where there is one that is neither finished nor on hold.
    pub(crate) fn with_lots<'a>(mut self, lots: impl IntoIterator<Item = NewLot<'a>>, joins: bool) -> Result<Self> {
        for lot in lots {
            let stem = lot::stem(lot.strain, lot.harvest_day);
            let mut row = serde_json::to_value(&lot).map_err(crate::Error::stored)?;
            row["stem"] = stem.into();
            row["joins"] = joins.into();
            let rows = self.0.entry("lots").or_insert_with(|| Value::Array(Vec::new()));
            rows.as_array_mut().into_iter().for_each(|rows| rows.push(row.clone()));
        }
        Ok(self)
    }

    /// Adds what the lots that are made were made of.
    pub(crate) fn with_links(self, links: &[PlannedLink]) -> Result<Self> {
        self.with("links", links)
    }

    /// Says what an order has become, and whether what was set aside for it is released.
    pub(crate) fn with_order(self, order: &OrderCode, status: OrderStatus, release: bool) -> Result<Self> {
        self.with_one("order", &json!({"order_code": order, "status": status, "release": release}))
    }
}

/// An entry as it was posted.
pub(crate) struct Posted {
    pub act: Act,
    /// The codes of the lots that it made, in the order asked for.
    pub made: Vec<LotCode>,
}

impl Tx {
    /// Posts an entry.
    ///
    /// # Errors
    /// Refuses an id that the book has, and whatever does not add up.
    pub(crate) async fn post(&mut self, new: &NewAct<'_>, legs: &[PlannedLeg], parts: Parts) -> Result<Posted> {
        ensure_weight(legs)?;
        let done_by = self.performed_by(new.by);
        let mut entry = parts.0;
        entry.insert(
            "act".to_owned(),
            json!({
                "act_id": new.id, "kind": new.kind, "happened_at": new.happened_at, "recorded_at": self.now, "done_by": done_by,
                "entered_by": self.actor.name, "own_sign_in": self.actor.with == SignedWith::OwnSignIn,
                "document": new.document, "reason": new.reason, "reverses": new.reverses,
            }),
        );
        let rows = legs.iter().zip(1..).map(|(leg, n)| {
            json!({"leg": n, "lot": leg.lot, "from_place": leg.from_place, "to_place": leg.to_place, "grams": leg.grams_g})
        });
        let rows: Vec<Value> = rows.collect();
        if !rows.is_empty() {
            entry.insert("legs".to_owned(), rows.into());
        }
        let (document, made) = self.call_post_entry(Value::Object(entry)).await?;
        let legs = legs.iter().filter_map(|leg| {
            let lot = leg.lot.code(&made)?;
            let (from_place, to_place) = (leg.from_place.clone(), leg.to_place.clone());
            Some(Leg { lot, from_place, to_place, grams_g: leg.grams_g })
        });
        let act = Act {
            act_id: new.id,
            kind: new.kind,
            happened_at: new.happened_at,
            recorded_at: self.now,
            done_by,
            entered_by: self.actor.name.clone(),
            document,
            reason: new.reason.to_owned(),
            reverses: new.reverses,
            reversed_by: None,
            legs: legs.collect(),
        };
        Ok(Posted { act, made })
    }

    async fn call_post_entry(&mut self, entry: Value) -> Result<(Option<String>, Vec<LotCode>)> {
        let posted = sqlx::query!(
            r#"select p.document, p.lots as "lots!: Vec<LotCode>" from post_entry($1, $2) p"#,
            self.farm.0,
            entry
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok((posted.document, posted.lots))
    }

    /// The rows of what happened to lots.
    pub(crate) fn lot_event_rows(&self, events: &[LotEvent<'_>]) -> Result<Vec<Value>> {
        let rows = events.iter().map(|event| {
            let mut row = serde_json::to_value(event).map_err(crate::Error::stored)?;
            row["event_id"] = json!(self.new_id());
            row["recorded_at"] = json!(self.now);
            row["done_by"] = self.performed_by(event.by).into();
            row["entered_by"] = self.actor.name.clone().into();
            Ok(row)
        });
        rows.collect()
    }

    /// Holds and releases lots. One that is on hold is not held again. Gives those of which something was written down. Call with them locked.
    pub(crate) async fn post_lot_events(&mut self, events: &[LotEvent<'_>]) -> Result<Vec<LotCode>> {
        let rows = self.lot_event_rows(events)?;
        Ok(sqlx::query_scalar!(
            r#"select post_lot_events($1, $2) as "written!: Vec<LotCode>""#,
            self.farm.0,
            Value::Array(rows)
        )
        .fetch_one(&mut *self.db)
        .await?)
    }
}
