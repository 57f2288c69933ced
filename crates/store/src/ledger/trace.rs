//! Trace: where lots came from, where they were, who has them, and everything else that they touched.

use std::collections::BTreeSet;

use gillbook_core::{
    Grams,
    ledger::trace::{Account, Downstream, Here, Location, Made, NotSold, Trace, TraceFrom, Upstream, account},
    refusal::Refusal,
    text::{BatchCode, LotCode},
};

use crate::{Result, Tx};

impl Tx {
    /// Everything that a lot, batch, cook, docket, customer, strain, or a place at an instant touched.
    ///
    /// # Errors
    /// Refuses a start that is not there: nothing found must not look like nothing touched.
    #[tracing::instrument(level = "debug", name = "store.ledger.trace", skip_all, fields(farm_id = self.farm.0))]
    pub async fn trace(&mut self, from: &TraceFrom) -> Result<Trace> {
        let lots = self.lots_touched_by(from).await?;
        self.trace_lots(lots).await
    }

    /// The batches that a trace starts from: the one, or those of its sterilising run.
    pub(crate) async fn batches_of_start(&mut self, from: &TraceFrom) -> Result<Vec<BatchCode>> {
        let (batch, cook) = match from {
            TraceFrom::Batch(batch) => (Some(batch.as_str()), None),
            TraceFrom::Cook(cook) => (None, Some(cook.as_str())),
            _ => return Ok(Vec::new()),
        };
        Ok(sqlx::query_scalar!(
            r#"select batch as "batch: BatchCode" from batch where farm_id = $1 and (batch = $2 or cook = $3) order by batch"#,
            self.farm.0,
            batch,
            cook
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// The lots that a trace starts from.
    ///
    /// # Errors
    /// Refuses a start that is not there.
    pub(crate) async fn lots_touched_by(&mut self, from: &TraceFrom) -> Result<Vec<LotCode>> {
        if from.at().is_some_and(|at| at > self.now) {
            return Err(Refusal::field("/at", "That is yet to come. Check the day and the time.").into());
        }
        self.ensure_start(from).await?;
        let (mut batch, mut cook, mut docket, mut customer, mut strain, mut place) =
            (None, None, None, None, None, None);
        match from {
            TraceFrom::Lot(lot) => return Ok(vec![lot.clone()]),
            TraceFrom::Batch(b) => batch = Some(b.as_str()),
            TraceFrom::Cook(c) => cook = Some(c.as_str()),
            TraceFrom::Docket(d) => docket = Some(d.as_str()),
            TraceFrom::Customer(c) => customer = Some(c.as_str()),
            TraceFrom::Strain(s) => strain = Some(s.as_str()),
            TraceFrom::Place(p, _) => place = Some(p.as_str()),
        }
        Ok(sqlx::query_scalar!(
            r#"select distinct lot as "lot!: LotCode" from (
                   select w.lot from weighing w join weighing_source s using (farm_id, act_id) join batch b using (farm_id, batch)
                    where w.farm_id = $1 and (b.batch = $2 or b.cook = $3)
                      and not exists (select from act x where x.farm_id = w.farm_id and x.reverses = w.act_id)
                   union all
                   select l.lot from docket_line l join docket d using (farm_id, docket)
                    where l.farm_id = $1 and (l.docket = $4 or (d.customer = $5
                      and not exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id)))
                   union all
                   select m.lot from movement m join act a using (farm_id, act_id)
                    where m.farm_id = $1 and m.to_place = $5 and a.kind <> 'reversal'
                      and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                   union all
                   -- As careful as `lots_inside`: what left was there until it was written down, unless a person says otherwise.
                   select m.lot from movement m join act a using (farm_id, act_id)
                    where m.farm_id = $1 and $6 in (m.from_place, m.to_place) and a.kind <> 'reversal'
                      and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                      and case when m.to_place = $6 or a.own_sign_in then a.happened_at else greatest(a.happened_at, a.recorded_at) end <= $7
                    group by m.lot having sum(case when m.to_place = $6 then m.grams else -m.grams end) > 0
                   union all
                   select m.lot from movement m join act a using (farm_id, act_id) join act x on x.farm_id = a.farm_id and x.reverses = a.act_id
                    where m.farm_id = $1 and m.to_place = $6 and a.happened_at <= $7 and x.recorded_at > $7
                   union all
                   -- What was made is again what it was made of.
                   select k.parent from movement m join act a using (farm_id, act_id) join act x on x.farm_id = a.farm_id and x.reverses = a.act_id
                     join lot_link k on k.farm_id = m.farm_id and k.child = m.lot join act y on y.farm_id = k.farm_id and y.reverses = k.act_id
                    where m.farm_id = $1 and m.to_place = $6 and a.happened_at <= $7 and x.recorded_at > $7
                   union all
                   select l.lot from lot l where l.farm_id = $1 and l.strain = $8) x order by 1"#,
            self.farm.0,
            batch,
            cook,
            docket,
            customer,
            place,
            from.at(),
            strain
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Refuses a start that is not there.
    async fn ensure_start(&mut self, from: &TraceFrom) -> Result<()> {
        let there = sqlx::query_scalar!(
            r#"select case $2::text
                        when 'lot' then exists (select from lot where farm_id = $1 and lot = $3)
                        when 'batch' then exists (select from batch where farm_id = $1 and batch = $3)
                        when 'cook' then exists (select from cook where farm_id = $1 and cook = $3)
                        when 'docket' then exists (select from docket where farm_id = $1 and docket = $3)
                        when 'customer' then exists (select from customer where farm_id = $1 and customer = $3)
                        when 'strain' then exists (select from strain where farm_id = $1 and strain = $3)
                        else exists (select from place where farm_id = $1 and place = $3) end as "there!""#,
            self.farm.0,
            from.kind().as_str(),
            from.code()
        )
        .fetch_one(&mut *self.db)
        .await?;
        if there { Ok(()) } else { Err(Refusal::not_found(from.noun(), from.code()).into()) }
    }

    /// Everything that some lots touched.
    pub(crate) async fn trace_lots(&mut self, lots: Vec<LotCode>) -> Result<Trace> {
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let family = sqlx::query!(
            r#"with recursive link as (
                   select k.parent, k.child from lot_kin k
                    where k.farm_id = $1 and not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id)),
               up(lot) as (select unnest($2::text[]) union select k.parent from link k join up on k.child = up.lot),
               down(lot) as (select unnest($2::text[]) union select k.child from link k join down on k.parent = down.lot)
               select lot as "lot!: LotCode", true as "up!" from up
               union all select lot, false from down order by 1"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let asked: BTreeSet<&LotCode> = lots.iter().collect();
        let side = |up: bool| family.iter().filter(move |f| f.up == up).map(|f| &f.lot);
        let (up, down): (Vec<String>, Vec<String>) =
            (side(true).map(ToString::to_string).collect(), side(false).map(ToString::to_string).collect());
        let others = |up: bool| side(up).filter(|l| !asked.contains(l)).cloned().collect();
        Ok(Trace {
            made_of_lots: others(true),
            made_into_lots: others(false),
            made: self.made_among(&[up.clone(), down.clone()].concat()).await?,
            came_from: self.came_from(&up).await?,
            was_in: self.was_in(&lots).await?,
            went_to: self.went_to(&down).await?,
            not_sold: self.not_sold(&down).await?,
            here: self.here(&down).await?,
            account: self.account(&down).await?,
            lots,
        })
    }

    /// What became what among some lots.
    async fn made_among(&mut self, lots: &[String]) -> Result<Vec<Made>> {
        Ok(sqlx::query_as!(
            Made,
            r#"select k.parent as "from_lot: _", k.child as "into_lot: _", a.happened_at as made_at, k.grams as "grams_g: _"
                 from lot_link k join act a using (farm_id, act_id)
                where k.farm_id = $1 and k.parent = any ($2) and k.child = any ($2)
                  and not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id)
                order by a.happened_at, k.parent, k.child"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// When lots were in which store. What was reversed moved nothing.
    async fn was_in(&mut self, lots: &[LotCode]) -> Result<Vec<Location>> {
        let ways = self.paths_of(lots).await?;
        let visits = ways.paths.visits();
        let mut was_in = Vec::new();
        for lot in lots {
            let stores = visits.get(lot).into_iter().flatten().filter(|v| ways.is_store(&v.place));
            was_in.extend(stores.map(|v| Location {
                lot: lot.clone(),
                place: v.place.clone(),
                since: v.since,
                until: v.until,
                grams_g: if v.until.is_none() { ways.paths.grams(lot, &v.place) } else { Grams::ZERO },
            }));
        }
        was_in.sort_by(|a, b| (a.since, &a.lot).cmp(&(b.since, &b.lot)));
        Ok(was_in)
    }

    /// Which customers some lots went to.
    async fn went_to(&mut self, lots: &[String]) -> Result<Vec<Downstream>> {
        Ok(sqlx::query_as!(
            Downstream,
            r#"select m.lot as "lot!: _", c.customer as "customer!: _", c.name as "name!", d.docket as "docket?: _", min(coalesce(o.happened_at, a.happened_at)) as "sent_at!",
                      sum(m.grams)::bigint as "grams_g!: _",
                      coalesce(f.grams, 0)::bigint as "refused_g!: _", coalesce(f.because, '') as "refused_because!",
                      coalesce(b.grams, 0)::bigint as "returned_g!: _", coalesce(b.because, '') as "returned_because!",
                      coalesce(bool_or(p.kind = 'van' and docket_is_open(d)), false) as "under_way!"
                 from movement m
                 join act a using (farm_id, act_id)
                 join place p on p.farm_id = m.farm_id and p.place = m.to_place
                 left join docket d on d.farm_id = m.farm_id and d.docket = a.document
                 -- What a stall sold left when the stall did, whenever it was cashed up.
                 left join market_day y on y.farm_id = m.farm_id and y.close_act = a.act_id
                 left join act o on o.farm_id = y.farm_id and o.act_id = y.out_act
                 join customer c on c.farm_id = m.farm_id and c.customer = coalesce(d.customer, m.to_place)
                 left join lateral (
                      select sum(f.grams) as grams, string_agg(distinct f.reason, ', ') as because
                        from docket_refusal f join docket_line l using (farm_id, docket, line)
                       where f.farm_id = $1 and f.docket = d.docket and l.lot = m.lot
                         and not exists (select from act x where x.farm_id = $1 and x.reverses = f.act_id)) f on true
                 left join lateral (
                      select sum(q.grams) as grams, string_agg(distinct r.reason, ', ') as because
                        from docket_part q join docket_line l using (farm_id, docket, line) join act r using (farm_id, act_id)
                       where q.farm_id = $1 and q.docket = d.docket and l.lot = m.lot and r.kind = 'return'
                         and not exists (select from act x where x.farm_id = $1 and x.reverses = r.act_id)) b on true
                where m.farm_id = $1 and m.lot = any ($2) and a.kind in ('dispatch', 'market_close') and (p.kind = 'customer' or d.docket is not null)
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                group by m.lot, c.customer, c.name, d.docket, f.grams, f.because, b.grams, b.because
                union all
                select b.lot, c.customer, c.name, null, a.happened_at, b.grams, 0, '', 0, '', true
                  from market_day y join act a on a.farm_id = y.farm_id and a.act_id = y.out_act
                  join balance b on b.farm_id = y.farm_id and b.place = y.stall join customer c on c.farm_id = y.farm_id and c.customer = y.customer
                 where y.farm_id = $1 and y.status = 'open' and b.lot = any ($2) and b.grams > 0
                 order by 5, 2, 1"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// What of some lots left the stores and was not sold.
    async fn not_sold(&mut self, lots: &[String]) -> Result<Vec<NotSold>> {
        Ok(sqlx::query_as!(
            NotSold,
            r#"select m.lot as "lot: _", t.kind as "became: _", a.kind as "act: _", m.from_place as "place: _", a.happened_at, m.grams as "grams_g: _",
                      a.reason
                 from movement m join act a using (farm_id, act_id) join place t on t.farm_id = m.farm_id and t.place = m.to_place
                where m.farm_id = $1 and m.lot = any ($2) and a.kind <> 'reversal'
                  and t.kind in ('trim', 'waste', 'gift', 'test', 'water', 'home')
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                order by a.happened_at, a.act_id, m.leg"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    async fn came_from(&mut self, lots: &[String]) -> Result<Vec<Upstream>> {
        Ok(sqlx::query_as!(
            Upstream,
            r#"select w.lot as "lot: _", s.batch as "batch: _", s.flush, sum(s.grams)::bigint as "grams_g!: _",
                      case when bool_or(s.basis = 'shared') then 'shared' else 'measured' end as "basis!: _",
                      b.made_on, b.cook as "cook: _", b.recipe as "recipe: _", b.spawn_supplier, b.spawn_lot
                 from weighing w join weighing_source s using (farm_id, act_id) join batch b using (farm_id, batch)
                where w.farm_id = $1 and w.lot = any ($2)
                  and not exists (select from act x where x.farm_id = w.farm_id and x.reverses = w.act_id)
                group by w.lot, s.batch, s.flush, b.made_on, b.cook, b.recipe, b.spawn_supplier, b.spawn_lot order by w.lot, s.batch, s.flush"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Where some lots are in stock.
    async fn here(&mut self, lots: &[String]) -> Result<Vec<Here>> {
        Ok(sqlx::query_as!(
            Here,
            r#"select b.lot as "lot: _", b.place as "place: _", b.grams as "grams_g: _",
                      exists (select from lot_hold h where h.farm_id = $1 and h.lot = b.lot) as "on_hold!"
                 from balance b join place p using (farm_id, place)
                where b.farm_id = $1 and b.lot = any ($2) and b.grams > 0 and p.kind in ('fridge', 'shelf', 'van', 'stall')
                order by b.place, b.lot"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// What became of every gram of some lots.
    async fn account(&mut self, lots: &[String]) -> Result<Account> {
        let rows = sqlx::query!(
            r#"select p.kind as "kind: gillbook_core::kinds::PlaceKind", sum(b.grams)::bigint as "grams!: Grams",
                      case p.kind when 'water' then (
                          select coalesce(sum(m.grams), 0) from movement m join act a using (farm_id, act_id)
                            join place w on w.farm_id = m.farm_id and w.place = m.to_place
                           where m.farm_id = $1 and m.lot = any ($2) and w.kind = 'water' and a.kind in ('count', 'finish', 'market_close')
                             and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id))
                      else 0 end::bigint as "written_off!: Grams",
                      (select coalesce(sum(m.grams), 0) from movement m join act a using (farm_id, act_id)
                         join place w on w.farm_id = m.farm_id and w.place = m.from_place
                        where m.farm_id = $1 and m.lot = any ($2) and w.kind = 'found' and a.kind = 'count'
                          and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id))::bigint as "found!: Grams"
                 from balance b join place p using (farm_id, place)
                where b.farm_id = $1 and b.lot = any ($2) group by p.kind"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let written_off = rows.iter().map(|row| row.written_off).sum();
        let found = rows.first().map_or(Grams::ZERO, |row| row.found);
        Ok(account(rows.into_iter().map(|row| (row.kind, row.grams)), written_off, found))
    }
}
