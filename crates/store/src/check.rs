//! Proves the ledger's invariants again over the stored data, and names the rows that break one.
//!
//! What the database refuses when it is written is proved here once more from the movements alone: a disk that lied, a restore that was
//! cut short or a hand at a console leave traces that no trigger saw.

use serde::Serialize;
use sqlx::{PgConnection, postgres::PgConnectOptions};

use crate::Result;

/// One row that breaks an invariant.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The invariant, in a few words.
    pub invariant: &'static str,
    /// The farm; none for the schema itself.
    pub farm: Option<i32>,
    /// Which row.
    pub row: String,
}

/// Names of the invariants that [`check`] proves.
pub const INVARIANTS: [&str; 25] = [
    "a balance is the sum of its movements",
    "no place holds less than nothing",
    "set aside is the sum of its rows",
    "what came into a lot is where it is now",
    "nothing is left on the packing table",
    "a weighing is what it moved",
    "a weighing is the sum of its sources",
    "made lots are linked to the gram",
    "a reversal mirrors its act",
    "a movement follows the rules of its act",
    "docket numbers have no gaps",
    "a docket is what it moved",
    "records are guarded",
    "a customer has no less than nothing of a docket",
    "nothing of a lot on hold is set aside",
    "a lot on hold goes to waste or a test alone",
    "the lines of a docket are what was handed over",
    "a van holds what is on its open dockets",
    "an act says what it was",
    "invoices, credit notes and payments have no gaps in their numbers",
    "an invoice adds up and takes no gram twice",
    "no more is credited or settled than an invoice asked for",
    "a customer's credit is not below nothing",
    "the journal adds up, and to what customers owe",
    "what is recalled is on hold",
];

/// Proves one invariant by a query of the rows that break it.
macro_rules! prove_one {
    ($db:expr, $findings:ident, $n:literal, $sql:literal) => {
        let rows = sqlx::query!($sql).fetch_all($db).await?;
        $findings.extend(rows.into_iter().map(|r| Finding { invariant: INVARIANTS[$n], farm: r.farm, row: r.row }))
    };
}

/// Proves every invariant. `options` are the audit role's, which sees every farm.
///
/// # Errors
/// When the database fails. A broken invariant is a finding and no error.
#[expect(clippy::too_many_lines, reason = "one flat list of proofs")]
pub async fn check(options: &PgConnectOptions) -> Result<Vec<Finding>> {
    use sqlx::Connection;
    let mut db = PgConnection::connect_with(options).await?;
    let mut findings = Vec::new();
    macro_rules! prove {
        ($n:literal, $sql:literal) => {
            prove_one!(&mut db, findings, $n, $sql)
        };
    }
    prove!(
        0,
        r#"with moved as (
               select m.farm_id, m.lot, m.place, sum(m.delta)::bigint as grams
                 from (select farm_id, lot, from_place as place, -grams as delta from movement
                       union all select farm_id, lot, to_place, grams from movement) m
                 join place p on p.farm_id = m.farm_id and p.place = m.place and p.kind not in ('room', 'opening', 'found', 'packing')
                group by m.farm_id, m.lot, m.place)
           select coalesce(b.farm_id, m.farm_id) as "farm?", format('lot %s at %s: balance %s g, movements %s g',
                  coalesce(b.lot, m.lot), coalesce(b.place, m.place), coalesce(b.grams, 0), coalesce(m.grams, 0)) as "row!"
             from balance b full join moved m using (farm_id, lot, place) where coalesce(b.grams, 0) <> coalesce(m.grams, 0)"#
    );
    prove!(
        1,
        r#"select m.farm_id as "farm?", format('lot %s at %s: %s g', m.lot, m.place, sum(m.delta)) as "row!"
             from (select farm_id, lot, from_place as place, -grams as delta from movement
                   union all select farm_id, lot, to_place, grams from movement) m
             join place p on p.farm_id = m.farm_id and p.place = m.place and p.kind not in ('room', 'opening', 'found', 'packing')
            group by m.farm_id, m.lot, m.place having sum(m.delta) < 0"#
    );
    prove!(
        2,
        r#"select b.farm_id as "farm?", format('lot %s at %s: %s g set aside, rows say %s g', b.lot, b.place, b.set_aside_g, coalesce(s.grams, 0)) as "row!"
             from balance b left join (select farm_id, lot, place, sum(grams) as grams from set_aside group by 1, 2, 3) s using (farm_id, lot, place)
            where b.set_aside_g <> coalesce(s.grams, 0)"#
    );
    prove!(
        3,
        r#"with came as (
               select m.farm_id, m.lot, sum(case when f.kind in ('room', 'opening', 'found', 'packing') then m.grams else 0 end)
                                      - sum(case when t.kind in ('room', 'opening', 'found', 'packing') then m.grams else 0 end) as grams
                 from movement m join place f on f.farm_id = m.farm_id and f.place = m.from_place
                 join place t on t.farm_id = m.farm_id and t.place = m.to_place group by 1, 2),
           stands as (
               select b.farm_id, b.lot, sum(b.grams) as grams from balance b join place p using (farm_id, place) where p.kind <> 'packing' group by 1, 2)
           select c.farm_id as "farm?", format('lot %s: %s g came in, %s g stand', c.lot, c.grams, coalesce(s.grams, 0)) as "row!"
             from came c left join stands s using (farm_id, lot) where c.grams <> coalesce(s.grams, 0)"#
    );
    prove!(
        4,
        r#"select m.farm_id as "farm?", format('act %s', m.act_id) as "row!"
             from movement m join place f on f.farm_id = m.farm_id and f.place = m.from_place
             join place t on t.farm_id = m.farm_id and t.place = m.to_place
            group by m.farm_id, m.act_id
           having sum(case t.kind when 'packing' then m.grams else 0 end) <> sum(case f.kind when 'packing' then m.grams else 0 end)"#
    );
    prove!(
        5,
        r#"select w.farm_id as "farm?", format('weighing %s: %s g weighed, %s g moved', w.act_id, w.net_g + w.trim_g, coalesce(m.grams, 0)) as "row!"
             from weighing w left join (select farm_id, act_id, sum(grams) as grams from movement group by 1, 2) m using (farm_id, act_id)
            where w.net_g + w.trim_g <> coalesce(m.grams, 0) or w.net_g <> w.gross_g - w.tare_g"#
    );
    prove!(
        6,
        r#"select w.farm_id as "farm?", format('weighing %s: %s g weighed, %s g by source', w.act_id, w.net_g + w.trim_g, coalesce(s.grams, 0)) as "row!"
             from weighing w left join (select farm_id, act_id, sum(grams) as grams from weighing_source group by 1, 2) s using (farm_id, act_id)
            where w.net_g + w.trim_g <> coalesce(s.grams, 0)"#
    );
    prove!(
        7,
        r#"with made as (
               select m.farm_id, m.act_id, m.lot, sum(m.grams) as grams from movement m join act a using (farm_id, act_id)
                 join place f on f.farm_id = m.farm_id and f.place = m.from_place and f.kind = 'packing'
                where a.kind <> 'reversal' group by 1, 2, 3),
           linked as (select farm_id, act_id, child as lot, sum(grams) as grams from lot_link group by 1, 2, 3)
           select coalesce(m.farm_id, l.farm_id) as "farm?", format('lot %s: %s g made, %s g linked', coalesce(m.lot, l.lot), coalesce(m.grams, 0), coalesce(l.grams, 0)) as "row!"
             from made m full join linked l using (farm_id, act_id, lot) where coalesce(m.grams, 0) <> coalesce(l.grams, 0)"#
    );
    prove!(
        8,
        r#"select r.farm_id as "farm?", format('reversal %s of %s', r.act_id, r.reverses) as "row!"
             from act r where r.kind = 'reversal' and (
                  exists (select m.leg, m.lot, m.from_place, m.to_place, m.grams from movement m where m.farm_id = r.farm_id and m.act_id = r.act_id
                          except select m.leg, m.lot, m.to_place, m.from_place, m.grams from movement m where m.farm_id = r.farm_id and m.act_id = r.reverses)
               or exists (select m.leg, m.lot, m.to_place, m.from_place, m.grams from movement m where m.farm_id = r.farm_id and m.act_id = r.reverses
                          except select m.leg, m.lot, m.from_place, m.to_place, m.grams from movement m where m.farm_id = r.farm_id and m.act_id = r.act_id))"#
    );
    prove!(
        9,
        r#"select m.farm_id as "farm?", format('act %s leg %s: a %s from a %s to a %s', m.act_id, m.leg, a.kind, f.kind, t.kind) as "row!"
             from movement m join act a using (farm_id, act_id)
             join place f on f.farm_id = m.farm_id and f.place = m.from_place
             join place t on t.farm_id = m.farm_id and t.place = m.to_place
            where a.kind <> 'reversal'
              and not exists (select from movement_rule r where r.act_kind = a.kind and r.from_kind = f.kind and r.to_kind = t.kind)"#
    );
    prove!(
        10,
        r#"select d.farm_id as "farm?", format('%s dockets, the last is number %s, the counter stands at %s', count(*), max(d.number), max(c.last)) as "row!"
             from docket d left join counter c on c.farm_id = d.farm_id and c.kind = 'docket'
            group by d.farm_id having count(*) <> max(d.number) or max(d.number) <> coalesce(max(c.last), 0)"#
    );
    prove!(
        11,
        r#"with said as (select d.farm_id, d.act_id, l.lot, sum(l.grams) as grams from docket d join docket_line l using (farm_id, docket) group by 1, 2, 3),
           moved as (select m.farm_id, m.act_id, m.lot, sum(m.grams) as grams from movement m join act a using (farm_id, act_id)
                      where a.kind = 'dispatch' group by 1, 2, 3)
           select coalesce(s.farm_id, m.farm_id) as "farm?", format('dispatch %s, lot %s: %s g on the docket, %s g moved', coalesce(s.act_id, m.act_id),
                  coalesce(s.lot, m.lot), coalesce(s.grams, 0), coalesce(m.grams, 0)) as "row!"
             from said s full join moved m using (farm_id, act_id, lot) where coalesce(s.grams, 0) <> coalesce(m.grams, 0)"#
    );
    prove!(
        12,
        r#"select null::int as "farm?", format('table %s: row security is %s, rewriting is %s', c.relname,
                  case when c.relrowsecurity and c.relforcerowsecurity then 'forced' else 'off' end,
                  case when exists (select from pg_trigger t where t.tgrelid = c.oid and t.tgname = 'append_only' and t.tgenabled <> 'D') then 'refused' else 'possible' end) as "row!"
             from pg_class c where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p')
              and c.relname in ('act', 'movement', 'weighing', 'weighing_source', 'lot', 'lot_link', 'lot_event', 'reading', 'docket', 'docket_line', 'docket_spell',
                                'delivery', 'docket_refusal', 'docket_part', 'excursion_action', 'excursion_action_lot', 'excursion_sign_off', 'excursion_action_sign_off', 'stock_count', 'loss_warning', 'loss_answer', 'week_close', 'market_sale', 'recall', 'recall_lot', 'recall_told', 'recall_end', 'tally_sale', 'tally_line', 'tally_reversal', 'invoice', 'invoice_line', 'invoice_tax', 'payment', 'payment_share', 'payment_reversal', 'journal_line', 'batch', 'batch_move', 'batch_loss', 'batch_event')
              and not (c.relrowsecurity and c.relforcerowsecurity
                       and exists (select from pg_trigger t where t.tgrelid = c.oid and t.tgname = 'append_only' and t.tgenabled <> 'D'))"#
    );
    // The balance of the customer cannot tell: the same lot may have come by another docket.
    prove!(
        13,
        r#"select d.farm_id as "farm?", format('docket %s, lot %s: %s has %s g of it', d.docket, m.lot, d.customer,
                  sum(case d.customer when m.to_place then m.grams when m.from_place then -m.grams else 0 end)) as "row!"
             from docket d join act a on a.farm_id = d.farm_id and a.document = d.docket
             join movement m on m.farm_id = a.farm_id and m.act_id = a.act_id
            group by d.farm_id, d.docket, d.customer, m.lot
           having sum(case d.customer when m.to_place then m.grams when m.from_place then -m.grams else 0 end) < 0"#
    );
    prove!(
        14,
        r#"select s.farm_id as "farm?", format('order %s: %s g of lot %s at %s', s.order_code, s.grams, s.lot, s.place) as "row!"
             from set_aside s where lot_held_since(s.farm_id, s.lot) is not null"#
    );
    // Instants of recording are those of the requests' beginnings, and two that wait for one lot may be carried out the other way round:
    // so an act counts as recorded under a hold two minutes after the hold was, which no request outlives. What was handed over before the
    // hold is a fact, and so is what a stall had sold by then, if a person says so.
    prove!(
        15,
        r#"select m.farm_id as "farm?", format('act %s, a %s: %s g of lot %s to %s', a.act_id, a.kind, m.grams, m.lot, m.to_place) as "row!"
             from (select e.*, lead(e.recorded_at) over (partition by e.farm_id, e.lot order by e.seq) as until
                     from lot_event e where e.kind in ('hold', 'release')) h
             join movement m on m.farm_id = h.farm_id and m.lot = h.lot
             join act a on a.farm_id = m.farm_id and a.act_id = m.act_id
             join place f on f.farm_id = m.farm_id and f.place = m.from_place
             join place t on t.farm_id = m.farm_id and t.place = m.to_place
            where h.kind = 'hold' and a.recorded_at > h.recorded_at + interval '2 minutes' and (h.until is null or a.recorded_at < h.until)
              and not (a.kind = 'market_close' and (a.own_sign_in or t.kind = 'packing')) and not (a.kind = 'delivery' and a.own_sign_in and a.happened_at < least(h.happened_at, h.recorded_at))
              and f.kind not in ('room', 'opening', 'found', 'packing')
              and t.kind not in ('fridge', 'shelf', 'van', 'stall', 'waste', 'test')"#
    );
    prove!(
        16,
        r#"with moved as (
               select m.farm_id, m.act_id, m.lot, sum(m.grams) as grams from movement m join act a using (farm_id, act_id)
                 join place f on f.farm_id = m.farm_id and f.place = m.from_place join place t on t.farm_id = m.farm_id and t.place = m.to_place
                where a.kind in ('dispatch', 'delivery', 'return') and 'customer' in (f.kind, t.kind) group by 1, 2, 3),
           said as (select p.farm_id, p.act_id, l.lot, sum(p.grams) as grams from docket_part p join docket_line l using (farm_id, docket, line) group by 1, 2, 3),
           standing as (
               select p.farm_id, p.docket, p.line, sum(p.grams) filter (where a.kind <> 'return') as handed, sum(p.grams) filter (where a.kind = 'return') as back
                 from docket_part p join act a using (farm_id, act_id)
                where not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id) group by 1, 2, 3)
           select coalesce(s.farm_id, m.farm_id) as "farm?", format('act %s, lot %s: %s g of the docket, %s g moved', coalesce(s.act_id, m.act_id),
                  coalesce(s.lot, m.lot), coalesce(s.grams, 0), coalesce(m.grams, 0)) as "row!"
             from said s full join moved m using (farm_id, act_id, lot) where coalesce(s.grams, 0) <> coalesce(m.grams, 0)
           union all
           select s.farm_id, format('docket %s, line %s of %s g: %s g handed over, %s g came back', s.docket, s.line, l.grams, coalesce(s.handed, 0), coalesce(s.back, 0))
             from standing s join docket_line l using (farm_id, docket, line)
            where coalesce(s.handed, 0) > l.grams or coalesce(s.back, 0) > coalesce(s.handed, 0)
           union all select v.farm_id, format('docket %s, line %s of %s g: %s g refused, %s g handed over', l.docket, l.line, l.grams, coalesce(r.grams, 0), coalesce(p.grams, 0))
             from delivery v join docket_line l using (farm_id, docket)
             left join docket_refusal r on r.farm_id = v.farm_id and r.act_id = v.act_id and r.line = l.line left join docket_part p on p.farm_id = v.farm_id and p.act_id = v.act_id and p.line = l.line
            where l.grams <> coalesce(r.grams, 0) + coalesce(p.grams, 0)"#
    );
    prove!(
        17,
        r#"select d.farm_id as "farm?", format('lot %s in %s: %s g there, %s g on %s', d.lot, d.van, coalesce(b.grams, 0), d.grams, d.dockets) as "row!"
             from (select k.farm_id, l.lot, k.van, sum(l.grams) as grams, string_agg(distinct k.docket, ', ') as dockets
                     from docket k join docket_line l using (farm_id, docket)
                    where k.van is not null and docket_is_open(k) group by 1, 2, 3) d
             left join balance b on b.farm_id = d.farm_id and b.lot = d.lot and b.place = d.van where d.grams > coalesce(b.grams, 0)"#
    );
    prove!(
        18,
        r#"select a.farm_id as "farm?", format('act %s, a %s', a.act_id, a.kind) as "row!" from act a where not act_is_documented(a.farm_id, a.act_id, a.kind)"#
    );
    prove_money(&mut db, &mut findings).await?;
    db.close().await?;
    Ok(findings)
}

/// Proves the invariants of invoices, payments and the journal.
async fn prove_money(db: &mut PgConnection, findings: &mut Vec<Finding>) -> Result<()> {
    macro_rules! prove {
        ($n:literal, $sql:literal) => {
            prove_one!(&mut *db, findings, $n, $sql)
        };
    }
    prove!(
        19,
        r#"select n.farm_id as "farm?", format('%s: %s of them, the last is number %s, the counter stands at %s', n.kind, count(*), max(n.number), max(c.last)) as "row!"
             from (select farm_id, kind, number from invoice union all select farm_id, 'payment', number from payment) n
             left join counter c on c.farm_id = n.farm_id and c.kind = n.kind
            group by n.farm_id, n.kind having count(*) <> max(n.number) or max(n.number) <> coalesce(max(c.last), 0)"#
    );
    prove!(
        20,
        r#"select i.farm_id as "farm?", format('%s: %s', i.invoice, invoice_broken(i)) as "row!" from invoice i where invoice_broken(i) is not null
           union all
           select b.farm_id, format('docket %s, line %s: %s g on invoices, %s for them', b.docket, b.docket_line, b.grams, b.net)
             from docket_line_billed b join docket_line l on l.farm_id = b.farm_id and l.docket = b.docket and l.line = b.docket_line
            where b.grams not between 0 and l.grams or b.net not between 0 and l.amount"#
    );
    prove!(
        21,
        r#"select s.farm_id as "farm?", format('%s of %s: %s credited, %s paid', s.invoice, s.total, s.credited, s.paid) as "row!"
             from invoice_settled s where s.credited > s.total or s.paid > s.total"#
    );
    prove!(
        22,
        r#"select c.farm_id as "farm?", format('customer %s: credit of %s', c.customer, credit_of(c.farm_id, c.customer)) as "row!"
             from customer c where credit_of(c.farm_id, c.customer) < 0"#
    );
    prove!(
        23,
        r#"select j.farm_id as "farm?", format('%s adds up to %s', j.document, sum(j.amount)) as "row!"
             from journal_line j group by j.farm_id, j.document having sum(j.amount) <> 0
           union all
           select c.farm_id, format('customer %s: receivables of %s, documents of %s', c.customer, coalesce(j.booked, 0), d.owed)
             from customer c
             left join (select farm_id, customer, sum(amount) as booked from journal_line where account = 'receivables' group by 1, 2) j using (farm_id, customer)
            cross join lateral (
                  select coalesce((select sum(case kind when 'invoice' then total else -total end) from invoice i
                                    where i.farm_id = c.farm_id and i.customer = c.customer), 0)
                       - coalesce((select sum(p.amount) from payment p where p.farm_id = c.farm_id and p.customer = c.customer
                                      and not exists (select from payment_reversal r where r.farm_id = p.farm_id and r.payment = p.payment)), 0) as owed) d
            where coalesce(j.booked, 0) <> d.owed"#
    );
    prove!(
        24,
        r#"with recursive recalled(farm_id, recall, lot) as (
               select farm_id, recall, lot from lot_recalled
               union
               select k.farm_id, d.recall, k.child from recalled d join lot_kin k on k.farm_id = d.farm_id and k.parent = d.lot
                where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
           select d.farm_id as "farm?", format('lot %s of %s', d.lot, d.recall) as "row!"
             from recalled d where lot_held_since(d.farm_id, d.lot) is null
           union all
           select b.farm_id, format('batch %s of %s', b.batch, b.recall)
             from batch_recalled b where not exists (select from batch_hold h where h.farm_id = b.farm_id and h.batch = b.batch)"#
    );
    Ok(())
}
