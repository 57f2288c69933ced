//! Recalls and their rehearsals: who has how much of some lots, who was told, and when all of it was done.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{CustomerKind, PlaceKind, RecallKind, ToldHow, TraceKind},
    ledger::trace::{Account, Downstream, Here, NotSold, TraceFrom},
    refusal::{Refusal, RefusalKind},
    selling::label::LabelledLot,
    text::{CustomerCode, DocketCode, Line, LotCode, RecallCode, Short, Text},
    units::{calendar::Instant, quantity::Grams},
};

/// A recall to be begun, or a rehearsal of one.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRecall {
    /// In earnest, or a rehearsal.
    pub kind: RecallKind,
    /// What `code` is the code of.
    pub starts_from: TraceKind,
    /// What is wrong, or seems to be: the lots of it and all that were made of them are recalled.
    pub code: Text<1, 20>,
    /// Of a place: the instant at which the goods were in it.
    pub at: Option<Instant>,
    /// Why, as customers are told.
    pub reason: Line,
    /// Whether a rehearsal puts on hold what is here. A recall always does.
    #[serde(default)]
    pub hold: bool,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

impl NewRecall {
    /// What it starts from.
    ///
    /// # Errors
    /// Names `/code` or `/at`.
    pub fn from(&self) -> Result<TraceFrom, Refusal> {
        TraceFrom::named(self.starts_from, self.code.as_str(), self.at.map(|at| at.0))
    }

    /// Whether the lots are put on hold.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.kind == RecallKind::Recall || self.hold
    }
}

/// How a recall ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RecallEnd {
    /// When.
    pub ended_at: DateTime<Utc>,
    /// What came of it.
    pub note: String,
    /// Who was signed in.
    pub entered_by: String,
}

/// A recall, or a rehearsal of one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Recall {
    /// Its code, which the holds that it made name as their document.
    pub recall: RecallCode,
    /// In earnest, or a rehearsal.
    pub kind: RecallKind,
    /// What `code` is the code of.
    pub starts_from: TraceKind,
    /// What it started from.
    pub code: String,
    /// Of a place: the instant at which the goods were in it.
    pub at: Option<DateTime<Utc>>,
    /// Why, as customers are told where it is in earnest.
    pub reason: String,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// The farm's day of that.
    pub started_on: NaiveDate,
    /// By whom.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
    /// How it ended; nothing while it lasts.
    pub ended: Option<RecallEnd>,
}

/// That a customer was told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Told {
    /// The customer.
    pub customer: CustomerCode,
    /// How; or that they were not reached, which also takes back what was entered before.
    pub told_how: ToldHow,
    /// What they said.
    pub note: String,
    /// When.
    pub told_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
}

/// That a customer was told, to be entered.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTold {
    /// The customer.
    pub customer: CustomerCode,
    /// How.
    pub told_how: ToldHow,
    /// What they said: whom you spoke with, what is left of it.
    pub note: Option<Text<0, 200>>,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// The end of a recall, to be entered.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRecallEnd {
    /// What came of it. Needed where somebody who has goods was not told.
    pub note: Option<Text<0, 1000>>,
    /// Whether the lots that it put on hold are released, as far as they were not held again since: by the owner's own sign-in.
    #[serde(default)]
    pub release: bool,
}

/// What one docket or market day took to a customer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Taken {
    /// The lot: one that is recalled, or one made of it.
    pub lot: LotCode,
    /// What it is: strain and grade, in the farm's words.
    pub name: String,
    /// Harvest day.
    pub harvest_day: NaiveDate,
    /// Best before.
    pub best_before: Option<NaiveDate>,
    /// The docket; none for a market stall.
    pub docket: Option<DocketCode>,
    /// When it was sent.
    pub sent_at: DateTime<Utc>,
    /// How much was sent.
    pub grams_g: Grams,
    /// How much of that was refused or came back.
    pub came_back_g: Grams,
    /// Whether it was not handed over yet: it is in a van, or at a stall whose day is not cashed up.
    pub under_way: bool,
}

/// A customer who was sent recalled goods.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Holder {
    /// The customer.
    pub customer: CustomerCode,
    /// Name.
    pub name: String,
    /// Restaurant, shop, market or wholesale.
    pub kind: CustomerKind,
    /// Telephone; empty where none is entered.
    pub telephone: String,
    /// E-mail; empty where none is entered.
    pub email: String,
    /// Where it is.
    pub address: String,
    /// What they had: sent and handed over, less what was refused or came back.
    pub kept_g: Grams,
    /// What is on its way to them and may be stopped.
    pub under_way_g: Grams,
    /// What was sent, newest first.
    pub taken: Vec<Taken>,
    /// When they were told, oldest first.
    pub told: Vec<Told>,
}

impl RecallReport {
    /// How many of those who have any of it were reached, and how many have to be.
    #[must_use]
    pub fn reached(&self) -> (usize, usize) {
        let to_tell = self.holders.iter().filter(|h| h.is_to_be_told()).count();
        let reached = self.holders.iter().filter(|h| h.has_any() && !h.is_to_be_told()).count();
        (reached, reached + to_tell)
    }
}

impl Holder {
    /// Whether they have goods, or goods are on the way to them.
    #[must_use]
    pub fn has_any(&self) -> bool {
        self.kept_g + self.under_way_g > Grams::ZERO
    }

    /// Whether somebody has to tell them: they have goods, or goods are on the way, and they were not reached since the last of it was sent.
    #[must_use]
    pub fn is_to_be_told(&self) -> bool {
        let last_sent = self.taken.iter().filter(|t| t.under_way || t.grams_g > t.came_back_g).map(|t| t.sent_at).max();
        // What was entered before somebody was not reached does not count any more; of the rest the latest call does.
        let since = self.told.rsplit(|told| told.told_how == ToldHow::NotReached).next().unwrap_or_default();
        let reached = since.iter().map(|told| told.told_at).max();
        self.has_any() && (reached.is_none() || reached < last_sent)
    }
}

/// A recall with all that is to be known of it now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RecallReport {
    /// The recall.
    #[serde(flatten)]
    pub recall: Recall,
    /// The lots that it started from.
    pub lots: Vec<LotCode>,
    /// Lots that were made of them.
    pub made_into_lots: Vec<LotCode>,
    /// Lots that what it started from has touched since, or that were written down late: they are not part of it.
    pub since: Vec<LotCode>,
    /// Lots that it put on hold, or that an earlier one did and let go of, and that are on hold still.
    pub held: Vec<LotCode>,
    /// Who was sent what, who has most first.
    pub holders: Vec<Holder>,
    /// Everybody who was told, also those who have nothing of it any more, oldest first.
    pub told: Vec<Told>,
    /// What was given away, tasted, tested or eaten at home: people who have it and are no customers.
    pub given: Vec<NotSold>,
    /// What is still here.
    pub here: Vec<Here>,
    /// What became of every gram.
    pub account: Account,
}

/// Whom goods went to, and how to reach them.
#[derive(Debug, Clone)]
pub struct Reach {
    /// Name.
    pub name: String,
    /// Restaurant, shop, market or wholesale.
    pub kind: CustomerKind,
    /// Telephone.
    pub telephone: String,
    /// E-mail.
    pub email: String,
    /// Where it is.
    pub address: String,
}

fn taken(row: &Downstream, lot: &LabelledLot) -> Taken {
    Taken {
        lot: row.lot.clone(),
        name: format!("{}, {}", lot.strain_name, lot.grade_name),
        harvest_day: lot.harvest_day,
        best_before: lot.best_before,
        docket: row.docket.clone(),
        sent_at: row.sent_at,
        grams_g: row.grams_g,
        came_back_g: row.refused_g + row.returned_g,
        under_way: row.under_way,
    }
}

/// Who was sent what of some lots: who has most first, and of one customer what was sent last first.
#[must_use]
pub fn holders(
    went_to: &[Downstream],
    reach: &BTreeMap<CustomerCode, Reach>,
    lots: &BTreeMap<LotCode, LabelledLot>,
    told: &[Told],
) -> Vec<Holder> {
    let mut by_customer: BTreeMap<&CustomerCode, Vec<&Downstream>> = BTreeMap::new();
    for row in went_to {
        by_customer.entry(&row.customer).or_default().push(row);
    }
    let of = |(customer, mut rows): (&CustomerCode, Vec<&Downstream>)| {
        let reach = reach.get(customer)?;
        rows.sort_by(|a, b| (b.sent_at, &a.docket, &a.lot).cmp(&(a.sent_at, &b.docket, &b.lot)));
        Some(Holder {
            customer: customer.clone(),
            name: reach.name.clone(),
            kind: reach.kind,
            telephone: reach.telephone.clone(),
            email: reach.email.clone(),
            address: reach.address.clone(),
            kept_g: rows.iter().map(|row| row.kept_g()).sum(),
            under_way_g: rows.iter().filter(|row| row.under_way).map(|row| row.grams_g).sum(),
            taken: rows.into_iter().filter_map(|row| lots.get(&row.lot).map(|lot| taken(row, lot))).collect(),
            told: told.iter().filter(|told| told.customer == *customer).cloned().collect(),
        })
    };
    let mut holders: Vec<Holder> = by_customer.into_iter().filter_map(of).collect();
    holders.sort_by_key(|h| (std::cmp::Reverse(h.kept_g + h.under_way_g), h.customer.clone()));
    holders
}

/// Whether what became of grams is that people have eaten or may eat them, who are no customers.
#[must_use]
pub const fn has_gone_to_people(became: PlaceKind) -> bool {
    matches!(became, PlaceKind::Gift | PlaceKind::Test | PlaceKind::Home)
}

/// Refuses to write to a recall that has ended.
///
/// # Errors
/// Says who ended it.
pub fn ensure_lasts(recall: &Recall) -> Result<(), Refusal> {
    let Some(end) = &recall.ended else { return Ok(()) };
    let detail = format!("{} was ended by {}. Begin another if more is to be done.", recall.recall, end.entered_by);
    Err(Refusal::new(RefusalKind::Closed, detail))
}

/// Refuses to say that somebody was told who was sent nothing of it.
///
/// # Errors
/// Names `/customer`.
pub fn ensure_holds(holders: &[Holder], customer: &CustomerCode) -> Result<(), Refusal> {
    if holders.iter().any(|h| h.customer == *customer) {
        return Ok(());
    }
    let detail = format!("{customer} was sent nothing of these lots. Choose one of those who were.");
    Err(Refusal::field("/customer", detail))
}

/// Refuses to say that somebody was told before there was anything to tell.
///
/// # Errors
/// Names `/happened_at`.
pub fn ensure_since(recall: &Recall, told_at: DateTime<Utc>) -> Result<(), Refusal> {
    if told_at >= recall.started_at {
        return Ok(());
    }
    Err(Refusal::field("/happened_at", format!("{} had not begun then. Give the time of the call.", recall.recall)))
}

/// Refuses to end a recall without a word on those who have goods and were not told.
///
/// # Errors
/// Names `/note` and them.
pub fn ensure_told(holders: &[Holder], end: &NewRecallEnd) -> Result<(), Refusal> {
    let untold: Vec<&str> = holders.iter().filter(|h| h.is_to_be_told()).map(|h| h.name.as_str()).collect();
    if untold.is_empty() || end.note.as_ref().is_some_and(|note| !note.as_str().is_empty()) {
        return Ok(());
    }
    let detail = format!("Not told yet: {}. Tell them, or write why not.", untold.join(", "));
    Err(Refusal::field("/note", detail))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn row(lot: &str, customer: &str, docket: &str, hour: i64, grams: i64, back: i64, under_way: bool) -> Downstream {
        Downstream {
            lot: lot.parse().unwrap(),
            customer: customer.parse().unwrap(),
            name: customer.into(),
            docket: Some(docket.parse().unwrap()),
            sent_at: DateTime::from_timestamp(1_780_000_000 + hour * 3600, 0).unwrap(),
            grams_g: Grams(grams),
            refused_g: Grams::ZERO,
            refused_because: String::new(),
            returned_g: Grams(back),
            returned_because: String::new(),
            under_way,
        }
    }

    fn reach() -> BTreeMap<CustomerCode, Reach> {
        let of = |name: &str| Reach {
            name: name.into(),
            kind: CustomerKind::Restaurant,
            telephone: "1".into(),
            email: String::new(),
            address: String::new(),
        };
        ["CAFE", "PLUM"].map(|code| (code.parse().unwrap(), of(code))).into()
    }

    fn lots() -> BTreeMap<LotCode, LabelledLot> {
        let of = |code: &str| LabelledLot {
            lot: code.parse().unwrap(),
            strain: "OY".parse().unwrap(),
            strain_name: "Grey oyster".into(),
            grade_name: "First".into(),
            harvest_day: NaiveDate::from_ymd_opt(2026, 5, 4).unwrap(),
            packaging: crate::kinds::Packaging::Open,
            form: crate::kinds::Form::Fresh,
            packed_on: None,
            best_before: None,
        };
        ["L-1", "L-2"].map(|code| (code.parse().unwrap(), of(code))).into()
    }

    fn told(customer: &str, hour: i64) -> Told {
        Told {
            customer: customer.parse().unwrap(),
            told_how: ToldHow::Telephone,
            note: String::new(),
            told_at: DateTime::from_timestamp(1_780_000_000 + hour * 3600, 0).unwrap(),
            done_by: "Mirel".into(),
        }
    }

    fn end(note: &str) -> NewRecallEnd {
        serde_json::from_value(json!({"note": note})).unwrap()
    }

    #[test]
    fn who_has_most_is_first_and_what_came_back_is_not_with_them() {
        let rows = [
            row("L-1", "CAFE", "D-1", 0, 1000, 400, false),
            row("L-2", "PLUM", "D-2", 1, 500, 0, false),
            row("L-1", "PLUM", "D-3", 2, 700, 0, true),
            row("L-1", "CAFE", "D-4", 3, 300, 300, false),
        ];
        let who = holders(&rows, &reach(), &lots(), &[told("PLUM", 9)]);
        let sums: Vec<_> = who.iter().map(|h| (h.customer.as_str(), h.kept_g.0, h.under_way_g.0)).collect();
        assert_eq!(sums, [("PLUM", 500, 700), ("CAFE", 600, 0)]);
        let dockets: Vec<_> = who[1].taken.iter().map(|t| t.docket.as_ref().unwrap().as_str()).collect();
        assert_eq!(dockets, ["D-4", "D-1"]);
        assert_eq!((who[0].is_to_be_told(), who[1].is_to_be_told()), (false, true));
        assert!(ensure_holds(&who, &"CAFE".parse().unwrap()).is_ok());
        assert_eq!(ensure_holds(&who, &"VOID".parse().unwrap()).unwrap_err().faults[0].pointer, "/customer");
    }

    #[test]
    fn who_sent_all_of_it_back_need_not_be_told() {
        let who = holders(&[row("L-1", "CAFE", "D-1", 0, 300, 300, false)], &reach(), &lots(), &[]);
        assert!(!who[0].is_to_be_told());
        assert!(ensure_told(&who, &end("")).is_ok());
    }

    #[test]
    fn who_was_not_reached_or_was_sent_more_since_is_to_be_told() {
        let has = |told: Vec<Told>| {
            holders(&[row("L-1", "CAFE", "D-1", 5, 300, 0, false)], &reach(), &lots(), &told)[0].is_to_be_told()
        };
        let nobody_answered = Told { told_how: ToldHow::NotReached, ..told("CAFE", 7) };
        assert!(has(vec![]) && has(vec![told("CAFE", 4)]) && has(vec![nobody_answered.clone()]));
        assert!(has(vec![told("CAFE", 6), nobody_answered.clone()]), "a wrong touch is taken back so");
        assert!(!has(vec![told("CAFE", 5)]) && !has(vec![nobody_answered, told("CAFE", 8)]));
    }

    #[test]
    fn a_recall_ends_with_all_told_or_with_a_word_why_not() {
        let who = holders(&[row("L-1", "CAFE", "D-1", 0, 300, 0, false)], &reach(), &lots(), &[]);
        let refused = ensure_told(&who, &end(" ")).unwrap_err();
        assert_eq!(refused.faults[0].pointer, "/note");
        assert!(refused.detail.contains("CAFE"));
        assert!(ensure_told(&who, &end("They closed for good.")).is_ok());
        let who = holders(&[row("L-1", "CAFE", "D-1", 0, 300, 0, false)], &reach(), &lots(), &[told("CAFE", 9)]);
        assert!(ensure_told(&who, &end("")).is_ok());
    }

    #[test]
    fn a_recall_holds_and_a_rehearsal_where_it_is_asked_to() {
        let new = |kind: &str, hold: bool| -> NewRecall {
            let body =
                json!({"kind": kind, "starts_from": "lot", "code": "OY-260504-1", "reason": "mould", "hold": hold});
            serde_json::from_value(body).unwrap()
        };
        assert!(new("recall", false).holds());
        assert!(new("rehearsal", true).holds());
        assert!(!new("rehearsal", false).holds());
        assert_eq!(new("recall", false).from().unwrap().code(), "OY-260504-1");
    }

    #[test]
    fn nothing_is_written_to_a_recall_that_has_ended() {
        let mut recall = Recall {
            recall: "RC-1".parse().unwrap(),
            kind: RecallKind::Recall,
            starts_from: TraceKind::Lot,
            code: "OY-260504-1".into(),
            at: None,
            reason: "mould".into(),
            started_at: DateTime::UNIX_EPOCH,
            started_on: DateTime::UNIX_EPOCH.date_naive(),
            done_by: "Mirel".into(),
            entered_by: "Mirel".into(),
            ended: None,
        };
        assert!(ensure_lasts(&recall).is_ok());
        recall.ended =
            Some(RecallEnd { ended_at: DateTime::UNIX_EPOCH, note: String::new(), entered_by: "Mirel".into() });
        assert_eq!(ensure_lasts(&recall).unwrap_err().kind, RefusalKind::Closed);
    }
}
