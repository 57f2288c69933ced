//! Readings: kept as the probe sent them, many posts in one commit.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{
        Arc,
        atomic::{AtomicU32, Ordering},
    },
};

use chrono::{DateTime, Datelike, Months, TimeDelta, Utc};
use gillbook_core::{
    air::Reading,
    calendar::Span,
    rejudge::hour_of,
    senml::{Resolved, Value},
    text::PlaceCode,
    words::ReadingFault,
};
use quick_cache::Equivalent;
use serde::{Deserialize, Serialize};
use sqlx::{Connection, PgConnection};
use utoipa::ToSchema;

use crate::{Error, FarmId, Result, Signed, Store, Tx, judging::setting_of, people::Standing, transact};

/// The farthest that a probe's clock may run ahead.
const AHEAD: TimeDelta = TimeDelta::minutes(10);
/// The oldest reading that is taken: three years.
pub(crate) const OLDEST: TimeDelta = TimeDelta::days(3 * 366);

/// A record that was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RefusedReading {
    /// Its place in the pack, from 0.
    pub index: usize,
    /// Whether sending it again can ever help.
    pub remedy: Remedy,
    /// What is wrong and what to do.
    pub reason: String,
}

/// Whether sending a record again can help.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Remedy {
    /// It will never be taken as it is.
    Permanent,
    /// It may be taken later.
    Retry,
}

/// What became of a pack.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Receipt {
    /// Readings that were new and are kept now.
    pub accepted: usize,
    /// Of those, kept as faults and not as temperatures.
    pub faults: usize,
    /// Humidities and batteries that were kept beside them.
    pub beside: usize,
    /// Readings that were there with the same value.
    pub duplicate: usize,
    /// Records that were not taken.
    pub refused: Vec<RefusedReading>,
}

/// The caution that stands wherever a figure about temperature or shelf life is shown.
pub const CAUTION: &str = "Planning aid. Your local food-safety rules and your own food-safety plan decide. Gillbook does not judge whether food is fit to eat.";

/// Tells faults from temperatures. 85 °C and −127 °C are what common digital probes give when they have not measured.
fn fault_of(c: f64) -> Option<ReadingFault> {
    if c.is_nan() {
        Some(ReadingFault::NotANumber)
    } else if (c - 85.0).abs() < 1e-9 {
        Some(ReadingFault::PowerOnValue)
    } else if (c + 127.0).abs() < 1e-9 {
        Some(ReadingFault::Disconnected)
    } else if !(-55.0..=125.0).contains(&c) {
        Some(ReadingFault::OutOfRange)
    } else {
        None
    }
}

/// A pack that was posted, resolved.
#[derive(Debug)]
pub struct Post {
    /// The farm.
    pub farm: FarmId,
    /// Who posts.
    pub standing: Standing,
    /// Its records.
    pub records: Vec<Resolved>,
    /// Whether times that are missing or relative to now are let pass.
    pub relative_allowed: bool,
}

/// A probe as it is known by its name. It keeps its number and its place for good.
#[derive(Debug)]
pub(crate) struct KnownProbe {
    number: i32,
    place: PlaceCode,
}

/// What a probe is known by.
#[derive(Debug, PartialEq, Eq, Hash)]
struct ProbeName<'a>(FarmId, &'a str);

impl Equivalent<(FarmId, String)> for ProbeName<'_> {
    fn equivalent(&self, key: &(FarmId, String)) -> bool {
        (self.0, self.1) == (key.0, key.1.as_str())
    }
}

/// A post and the probe that each of its records names, if there is one.
#[derive(Debug)]
struct Named<'a> {
    post: &'a Post,
    probes: Vec<Option<Arc<KnownProbe>>>,
}

/// A reading to be kept, and which record of which post it was.
#[derive(Debug)]
struct Row {
    farm: FarmId,
    probe: Arc<KnownProbe>,
    at: DateTime<Utc>,
    c: f64,
    fault: Option<ReadingFault>,
    post: usize,
    index: usize,
    /// Others of the same probe and instant: post, index, value.
    again: Vec<(usize, usize, f64)>,
}

impl Row {
    /// The whole hours that it touches.
    fn touches(&self) -> Span {
        let from = hour_of(self.at);
        Span { from, until: from + TimeDelta::hours(1) }
    }

    /// The short way for a reading that comes alone and whose hour is marked already, as most are: one plain statement. Returns whether
    /// that was so.
    async fn keep_alone(&self, db: &mut PgConnection, now: DateTime<Utc>) -> sqlx::Result<bool> {
        let hours = self.touches();
        // Everything takes the farm from the setting, so that the setting is there before row security asks for it.
        let kept = sqlx::query!(
            "with setting as materialized (select (set_config('gillbook.farms', $1, true)::int[])[1] as farm_id)
             insert into reading (farm_id, probe_id, at, value_c, fault, received_at)
             select s.farm_id, $5, $6, $7, $8, $9
               from setting s
              cross join lateral (select from place_touched t
                                   where t.farm_id = s.farm_id and t.place = $2 and not t.claimed
                                     and t.from_at <= $3 and t.through_at >= $4 for key share) mark",
            setting_of([self.farm]),
            self.probe.place.as_str(),
            hours.from,
            hours.until,
            self.probe.number,
            self.at,
            self.c,
            self.fault.map(ReadingFault::as_str),
            now
        )
        .execute(db)
        .await?;
        Ok(kept.rows_affected() == 1)
    }
}

/// What a record measures.
enum Measured {
    Air(Row),
    Beside { farm: FarmId, probe: i32, at: DateTime<Utc>, unit: &'static str, value: f64 },
}

/// What became of a row, numbered from 1: whether it is new, and the value that is kept. None is told of when all are new.
type Told = (i64, bool, Option<f64>);

/// Posts of any number of farms, ready to be kept in one commit.
#[derive(Debug, Default)]
struct Group {
    receipts: Vec<Receipt>,
    rows: Vec<Row>,
    beside: Vec<(FarmId, i32, DateTime<Utc>, &'static str, f64)>,
}

/// One bit pattern for every NaN, so that the same fault sent twice is the same.
fn one_nan(c: f64) -> f64 {
    if c.is_nan() { f64::NAN } else { c }
}

fn same(a: f64, b: f64) -> bool {
    one_nan(a).to_bits() == one_nan(b).to_bits()
}

impl Group {
    fn gather(posts: &[Named<'_>], now: DateTime<Utc>) -> Self {
        let mut group = Self { receipts: vec![Receipt::default(); posts.len()], ..Self::default() };
        let mut rows = Vec::new();
        for (n, Named { post, probes }) in posts.iter().enumerate() {
            for (record, probe) in post.records.iter().zip(probes) {
                match judge(post, n, record, probe.as_ref(), now) {
                    Ok(Measured::Air(row)) => rows.push(row),
                    Ok(Measured::Beside { farm, probe, at, unit, value }) => {
                        group.beside.push((farm, probe, at, unit, value));
                        group.receipts[n].beside += 1;
                    }
                    Err((remedy, reason)) => {
                        group.receipts[n].refused.push(RefusedReading { index: record.index, remedy, reason });
                    }
                }
            }
        }
        // One order for everybody, so that two groups never wait for each other in a ring.
        group.beside.sort_by_key(|&(farm, probe, at, unit, _)| (farm, probe, at, unit));
        rows.sort_by_key(|r| (r.farm, r.probe.number, r.at, r.post, r.index));
        for row in rows {
            match group.rows.last_mut() {
                Some(last) if (last.farm, last.probe.number, last.at) == (row.farm, row.probe.number, row.at) => {
                    last.again.push((row.post, row.index, row.c));
                }
                _ => group.rows.push(row),
            }
        }
        group
    }

    fn span(&self) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        let instants = || self.rows.iter().map(|r| r.at).chain(self.beside.iter().map(|b| b.2));
        instants().min().zip(instants().max())
    }

    /// What is touched: by farm and place, whole hours.
    fn marks(&self) -> BTreeMap<(FarmId, &PlaceCode), Span> {
        let mut marks: BTreeMap<(FarmId, &PlaceCode), Span> = BTreeMap::new();
        for row in &self.rows {
            let hours = row.touches();
            let mark = marks.entry((row.farm, &row.probe.place)).or_insert(hours);
            *mark = Span { from: mark.from.min(hours.from), until: mark.until.max(hours.until) };
        }
        marks
    }

    /// Keeps them on a connection in one commit, or in its transaction if it has begun one. `some_kept` says that some may be there already;
    /// where that was not said and one is, nothing is kept and the answer is `false`.
    async fn keep(&mut self, db: &mut PgConnection, now: DateTime<Utc>, some_kept: bool) -> Result<bool> {
        let told = match self.keep_all(db, now, some_kept).await {
            Ok(told) => told,
            Err(sqlx::Error::Database(error)) if !some_kept && error.is_unique_violation() => return Ok(false),
            Err(error) => return Err(error.into()),
        };
        if told.is_empty() {
            for row in &self.rows {
                tell(&mut self.receipts, row, true, None);
            }
        }
        for (ord, is_new, kept_c) in told {
            let Some(of) = usize::try_from(ord - 1).ok().and_then(|i| self.rows.get(i)) else {
                return Err(Error::Stored("a reading was answered that was not asked".into()));
            };
            tell(&mut self.receipts, of, is_new, kept_c);
        }
        for receipt in &mut self.receipts {
            receipt.refused.sort_by_key(|r| r.index);
        }
        Ok(true)
    }

    async fn keep_all(&self, db: &mut PgConnection, now: DateTime<Utc>, some_kept: bool) -> sqlx::Result<Vec<Told>> {
        if self.beside.is_empty() {
            return self.keep_rows(db, now, some_kept).await;
        }
        let mut both = db.begin().await?;
        let told = self.keep_rows(&mut both, now, some_kept).await?;
        self.keep_beside(&mut both, now).await?;
        both.commit().await?;
        Ok(told)
    }

    async fn keep_rows(&self, db: &mut PgConnection, now: DateTime<Utc>, some_kept: bool) -> sqlx::Result<Vec<Told>> {
        match &self.rows[..] {
            [] => return Ok(Vec::new()),
            [row] if !some_kept && row.keep_alone(db, now).await? => return Ok(Vec::new()),
            _ => {}
        }
        let marks = self.marks();
        let farms: BTreeSet<FarmId> = self.rows.iter().map(|r| r.farm).collect();
        let told = sqlx::query!(
            r#"select ord as "ord!", is_new as "is_new!", kept_c
                 from keep_readings($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)"#,
            setting_of(farms),
            &marks.keys().map(|m| m.0.0).collect::<Vec<_>>(),
            &marks.keys().map(|m| m.1.to_string()).collect::<Vec<_>>(),
            &marks.values().map(|m| m.from).collect::<Vec<_>>(),
            &marks.values().map(|m| m.until).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.farm.0).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.probe.number).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.at).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.c).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.fault.map(|f| f.as_str().to_owned())).collect::<Vec<_>>()
                as &[Option<String>],
            now,
            some_kept
        )
        .fetch_all(db)
        .await?;
        Ok(told.into_iter().map(|r| (r.ord, r.is_new, r.kept_c)).collect())
    }

    async fn keep_beside(&self, db: &mut PgConnection, now: DateTime<Utc>) -> sqlx::Result<()> {
        let b = &self.beside;
        sqlx::query!(
            r#"select keep_beside($1, $2, $3, $4, $5, $6) as "n!""#,
            &b.iter().map(|b| b.0.0).collect::<Vec<_>>(),
            &b.iter().map(|b| b.1).collect::<Vec<_>>(),
            &b.iter().map(|b| b.2).collect::<Vec<_>>(),
            &b.iter().map(|b| b.3.to_owned()).collect::<Vec<_>>(),
            &b.iter().map(|b| b.4).collect::<Vec<_>>(),
            now
        )
        .fetch_one(db)
        .await?;
        Ok(())
    }
}

/// Years and months from one instant's through another's.
fn months_between(first: DateTime<Utc>, last: DateTime<Utc>) -> impl Iterator<Item = (i32, u32)> {
    let month = |at: DateTime<Utc>| at.date_naive().with_day(1);
    std::iter::successors(month(first), |m| m.checked_add_months(Months::new(1)))
        .take_while(move |m| Some(*m) <= month(last))
        .map(|m| (m.year(), m.month()))
}

/// How many groups are looked at row by row after one of them held a reading that was there already.
const WARY: u32 = 1000;

/// Whether the next groups are likely to hold readings that are there already: a board that sends its backlog twice does so for a while,
/// and the database's log tells of every broken key.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wary(Arc<AtomicU32>);

impl Wary {
    fn next(&self) -> bool {
        self.0.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| left.checked_sub(1)).is_ok()
    }

    fn begin(&self) {
        self.0.store(WARY, Ordering::Relaxed);
    }
}

/// Tells each record of a row what became of it.
fn tell(receipts: &mut [Receipt], row: &Row, is_new: bool, kept: Option<f64>) {
    let there = if is_new {
        receipts[row.post].accepted += 1;
        receipts[row.post].faults += usize::from(row.fault.is_some());
        Some(row.c)
    } else {
        kept
    };
    let mine = (!is_new).then_some((row.post, row.index, row.c));
    for (post, index, c) in mine.into_iter().chain(row.again.iter().copied()) {
        match there {
            Some(there) if same(there, c) => receipts[post].duplicate += 1,
            Some(_) => receipts[post].refused.push(RefusedReading {
                index,
                remedy: Remedy::Permanent,
                reason: "A reading of this probe at this time is kept with another value. Readings are never changed."
                    .into(),
            }),
            // Another post is keeping it at this very moment.
            None => receipts[post].refused.push(RefusedReading {
                index,
                remedy: Remedy::Retry,
                reason: "The same reading is being kept by another request. Send it again in a moment.".into(),
            }),
        }
    }
}

fn judge(
    post: &Post,
    n: usize,
    r: &Resolved,
    probe: Option<&Arc<KnownProbe>>,
    now: DateTime<Utc>,
) -> Result<Measured, (Remedy, String)> {
    let never = |reason: String| (Remedy::Permanent, reason);
    let Some(probe) = probe else {
        return Err((Remedy::Retry, format!("There is no probe {} on this farm. Add it first.", r.name)));
    };
    if matches!(post.standing, Standing::Probe(own) if own != probe.number) {
        return Err(never(format!("This token posts for another probe than {}. Use that probe's own token.", r.name)));
    }
    if r.relative && !post.relative_allowed {
        return Err(never(
            "The time is missing or relative to now. Send the probe's own time, or an Idempotency-Key with the pack."
                .into(),
        ));
    }
    if r.at > now + AHEAD {
        return Err(never(format!("{} is in the future. Set the probe's clock.", r.at.format("%Y-%m-%d %H:%M UTC"))));
    }
    if r.at < now - OLDEST {
        return Err(never(format!(
            "{} is more than three years ago: the probe's clock seems to have been reset. Set it.",
            r.at.format("%Y-%m-%d")
        )));
    }
    let number = match &r.value {
        Value::Number(c) => Some(*c),
        Value::Text(t) if t.eq_ignore_ascii_case("nan") => Some(f64::NAN),
        _ => None,
    };
    let (farm, at) = (post.farm, r.at);
    match (r.unit.as_deref(), number) {
        (Some("Cel"), Some(c)) => {
            let (c, fault) = (one_nan(c), fault_of(c));
            Ok(Measured::Air(Row {
                farm,
                probe: probe.clone(),
                at,
                c,
                fault,
                post: n,
                index: r.index,
                again: Vec::new(),
            }))
        }
        (Some("Cel"), None) => Err(never("A temperature is a number (v).".into())),
        (Some(unit @ ("%RH" | "%EL")), Some(value)) if (0.0..=100.0).contains(&value) => {
            let unit = if unit == "%RH" { "%RH" } else { "%EL" };
            Ok(Measured::Beside { farm, probe: probe.number, at, unit, value })
        }
        (Some(unit @ ("%RH" | "%EL")), _) => Err(never(format!("{unit} is a number from 0 to 100 (v)."))),
        _ => Err(never("The unit is none of Cel, %RH and %EL. Send air temperature in degrees Celsius.".into())),
    }
}

impl Store {
    /// Keeps posts of any number of farms in one commit, and tells each what became of it. If the database refuses the group, it is
    /// parted until the one that it refuses stands alone, whose error is told to it only.
    ///
    /// # Errors
    /// One a post, when the database fails.
    pub async fn keep_posts(&self, posts: Vec<Post>, now: DateTime<Utc>) -> Vec<Result<Receipt>> {
        let named = match self.named(&posts, now).await {
            Ok(named) => named,
            Err(error) => return posts.iter().map(|_| Err(error.told_again())).collect(),
        };
        let farms: BTreeSet<FarmId> = posts.iter().map(|post| post.farm).collect();
        let mut todo = vec![&named[..]];
        let mut done = Vec::new();
        while let Some(posts) = todo.pop() {
            let mut group = Group::gather(posts, now);
            match self.keep_group(&mut group, now).await {
                Ok(()) => done.extend(group.receipts.into_iter().map(Ok)),
                Err(error) if posts.len() == 1 || error.is_passing() => {
                    done.extend(posts.iter().map(|_| Err(error.told_again())));
                }
                Err(_) => {
                    let (first, second) = posts.split_at(posts.len() / 2);
                    todo.extend([second, first]);
                }
            }
        }
        self.touched.tell(farms);
        done
    }

    async fn keep_group(&self, group: &mut Group, now: DateTime<Utc>) -> Result<()> {
        let Some((first, last)) = group.span() else { return Ok(()) };
        self.ensure_months(first, last).await?;
        let mut tries = 0;
        let mut some_kept = self.wary.next();
        loop {
            let mut db = self.held.take(&self.pool).await?;
            match group.keep(&mut db, now, some_kept).await {
                Ok(kept) => {
                    self.held.rest(db, &self.pool);
                    if kept {
                        return Ok(());
                    }
                    self.wary.begin();
                    some_kept = true;
                }
                Err(error) if error.is_retryable() && tries < crate::TRIES => tries += 1,
                Err(error) => return Err(error),
            }
        }
    }

    /// Makes the partitions that readings of a span go to, once a program and month.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn ensure_months(&self, first: DateTime<Utc>, last: DateTime<Utc>) -> Result<()> {
        let months: Vec<_> = months_between(first, last).collect();
        if self.months.read().is_ok_and(|known| months.iter().all(|month| known.contains(month))) {
            return Ok(());
        }
        sqlx::query!("select ensure_reading_months($1, $2)", first, last).fetch_one(&self.pool).await?;
        if let Ok(mut known) = self.months.write() {
            known.extend(months);
        }
        Ok(())
    }

    /// The probes that posts name. A probe keeps its number for good, so what was found once is remembered.
    async fn named<'a>(&self, posts: &'a [Post], now: DateTime<Utc>) -> Result<Vec<Named<'a>>> {
        let mut unknown: BTreeMap<FarmId, BTreeSet<String>> = BTreeMap::new();
        let known = |farm, name: &str| self.probes.get(&ProbeName(farm, name));
        let named = posts.iter().map(|post| {
            Named::of(post, known, |name| {
                unknown.entry(post.farm).or_default().insert(name.to_owned());
            })
        });
        let named: Vec<_> = named.collect();
        if unknown.is_empty() {
            return Ok(named);
        }
        // Boxed, so that the many posts of probes that are known do not carry the room for it.
        let found = Box::pin(self.look_probes_up(unknown, now)).await?;
        let found = |farm, name: &str| known(farm, name).or_else(|| found.get(&(farm, name.to_owned())).cloned());
        Ok(posts.iter().map(|post| Named::of(post, found, |_| {})).collect())
    }

    async fn look_probes_up(
        &self,
        unknown: BTreeMap<FarmId, BTreeSet<String>>,
        now: DateTime<Utc>,
    ) -> Result<BTreeMap<(FarmId, String), Arc<KnownProbe>>> {
        let mut all = BTreeMap::new();
        for (farm, names) in unknown {
            let signed = Signed { farm, name: "look-up".into(), key: "look-up".into() };
            let names: Vec<String> = names.into_iter().collect();
            let found = transact!(read, self, &signed, now, |tx| tx.probes_named(&names).await)?;
            for (name, probe) in found {
                self.probes.insert((farm, name.clone()), probe.clone());
                all.insert((farm, name), probe);
            }
        }
        Ok(all)
    }
}

impl<'a> Named<'a> {
    /// Looks the probes of a post up. Records of one probe mostly stand together in a pack.
    fn of(
        post: &'a Post,
        known: impl Fn(FarmId, &str) -> Option<Arc<KnownProbe>>,
        mut unknown: impl FnMut(&str),
    ) -> Self {
        let mut before: Option<(&str, Option<Arc<KnownProbe>>)> = None;
        let probes = post.records.iter().map(|record| match &before {
            Some((name, probe)) if *name == record.name => probe.clone(),
            _ => {
                let probe = known(post.farm, &record.name);
                if probe.is_none() {
                    unknown(&record.name);
                }
                before = Some((&record.name, probe.clone()));
                probe
            }
        });
        Self { probes: probes.collect(), post }
    }
}

impl Tx {
    async fn probes_named(&mut self, names: &[String]) -> Result<BTreeMap<String, Arc<KnownProbe>>> {
        let rows = sqlx::query!(
            r#"select name, probe_id, place as "place: PlaceCode" from probe where farm_id = $1 and name = any ($2)"#,
            self.farm.0,
            names
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.name, Arc::new(KnownProbe { number: r.probe_id, place: r.place }))).collect())
    }

    /// Keeps one pack in this transaction: for packs with a key, whose answer is kept beside it.
    ///
    /// # Errors
    /// When the database fails; what is wrong with single records stands in the receipt.
    pub async fn keep_readings(&mut self, post: &Post) -> Result<Receipt> {
        let names: Vec<String> =
            post.records.iter().map(|r| r.name.clone()).collect::<BTreeSet<_>>().into_iter().collect();
        let probes = self.probes_named(&names).await?;
        let named = Named::of(post, |_, name| probes.get(name).cloned(), |_| {});
        let mut group = Group::gather(&[named], self.now);
        if let Some((first, last)) = group.span() {
            sqlx::query!("select ensure_reading_months($1, $2)", first, last).fetch_one(&mut *self.db).await?;
        }
        group.keep(&mut self.db, self.now, true).await?;
        group.receipts.pop().ok_or_else(|| Error::Stored("a post has a receipt".into()))
    }

    /// The readings of a place's probes in a span, in time order, with the offsets in force added.
    pub(crate) async fn readings_of(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<Reading>> {
        let probes = sqlx::query_scalar!(
            "select probe_id from probe where farm_id = $1 and place = $2 order by probe_id",
            self.farm.0,
            place.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        let offsets = self.offsets_of(&probes).await?;
        let rows = sqlx::query!(
            r#"select probe_id, at, value_c, (fault is not null) as "faulty!" from reading
                where farm_id = $1 and probe_id = any ($2) and at >= $3 and at < $4 order by at, probe_id"#,
            self.farm.0,
            &probes,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let reading = |probe, at, c: f64, faulty: bool| {
            let offset = offsets.iter().rev().find(|o| o.0 == probe && o.1 <= at).map_or(0.0, |o| o.2);
            Reading { probe, at, c: (!faulty).then_some(c + offset) }
        };
        Ok(rows.into_iter().map(|r| reading(r.probe_id, r.at, r.value_c, r.faulty)).collect())
    }

    /// Offsets of probes in the order in which they begin: probe, since when, °C.
    pub(crate) async fn offsets_of(&mut self, probes: &[i32]) -> Result<Vec<(i32, DateTime<Utc>, f64)>> {
        let rows = sqlx::query!(
            "select probe_id, effective_from, offset_c from probe_offset where farm_id = $1 and probe_id = any ($2) order by effective_from",
            self.farm.0,
            probes
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.probe_id, r.effective_from, r.offset_c)).collect())
    }
}
