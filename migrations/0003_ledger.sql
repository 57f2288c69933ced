-- The ledger. Grams of a lot enter by a weighing, by the opening entry or as found; a movement takes them from one
-- place to another under one act; balances follow by a trigger that only the owner can run, and never go below zero.
-- An act is whole or it is not there: one call writes it and checks what it must add up to (`post_entry`, 0005, where all its parts are known).

create table place (
    farm_id  int   not null,
    place    text  not null,
    name     text  not null,
    kind     text  not null,
    humidity_percent  double precision not null default 90,
    version  int   not null default 1,
    constraint place_pk primary key (farm_id, place),
    constraint place_farm_fk foreign key (farm_id) references farm,
    constraint place_place_shape check (place ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint place_name_length check (length(name) between 1 and 200),
    constraint place_kind_known check (kind in (
        'room', 'opening', 'found', 'packing',
        'fridge', 'shelf', 'van', 'stall',
        'customer', 'trim', 'waste', 'gift', 'test', 'water', 'home')),
    constraint place_humidity_percent_range check (humidity_percent between 0 and 100)
);
call enable_tenant_rls('place');
grant insert, update (name, humidity_percent, version) on place to gillbook_app;

-- What each kind of act may do. A movement that is not listed is refused, except in a reversal, which must mirror
-- what it reverses. Sources (room, opening, found) are never a destination, and goods that a customer has had only
-- go to waste or to a test.
create table movement_rule (
    act_kind   text not null,
    from_kind  text not null,
    to_kind    text not null,
    constraint movement_rule_pk primary key (act_kind, from_kind, to_kind)
);
insert into movement_rule
select act_kind, f, t
from (values
    ('weighing',     '{room}',                      '{fridge,shelf,van,trim}'),
    ('opening',      '{opening}',                   '{fridge,shelf,van,stall}'),
    ('transfer',     '{fridge,shelf,van}',          '{fridge,shelf,van}'),
    ('waste',        '{fridge,shelf,van,stall}',    '{waste}'),
    ('gift',         '{fridge,shelf,van,stall}',    '{gift}'),
    ('test',         '{fridge,shelf,van,stall}',    '{test}'),
    ('trim',         '{fridge,shelf,van,stall}',    '{trim}'),
    ('home',         '{fridge,shelf,van,stall}',    '{home}'),
    ('finish',       '{fridge,shelf,van,stall}',    '{water}'),
    ('count',        '{fridge,shelf,van,stall}',    '{water}'),
    ('count',        '{found}',                     '{fridge,shelf,van,stall}'),
    ('packing',      '{fridge,shelf}',              '{packing,trim,water}'),
    ('packing',      '{packing}',                   '{fridge,shelf}'),
    ('dispatch',     '{fridge,shelf}',              '{van,customer}'),
    ('delivery',     '{van}',                       '{customer}'),
    ('return',       '{customer}',                  '{waste,test}'),
    ('market_out',   '{fridge,shelf,van}',          '{stall}'),
    ('market_close', '{stall}',                     '{customer,waste,gift,water,packing}'),
    ('market_close', '{packing}',                   '{fridge,shelf}')
) as rules(act_kind, froms, tos),
unnest(froms::text[]) as f, unnest(tos::text[]) as t;
grant select on movement_rule to gillbook_app, gillbook_owner, gillbook_audit;

create table act (
    farm_id      int         not null,
    act_id       uuid        not null,
    kind         text        not null,
    happened_at  timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    entered_by   text        not null,
    -- Entered by a person's own sign-in, not on a phone that several use or by a machine: such a person may say that it happened earlier.
    own_sign_in  boolean     not null default false,
    document     text,
    reason       text        not null default '',
    reverses     uuid,
    -- Set by the database: its week was closed before it was entered.
    after_close  boolean     not null default false,
    constraint act_pk primary key (farm_id, act_id),
    constraint act_farm_fk foreign key (farm_id) references farm,
    constraint act_reverses_fk foreign key (farm_id, reverses) references act,
    constraint act_reverses_key unique (farm_id, reverses),
    constraint act_reverses_needed check ((kind = 'reversal') = (reverses is not null)),
    constraint act_kind_known check (kind in (
        'weighing', 'opening', 'transfer', 'waste', 'gift', 'test', 'trim', 'home', 'finish', 'count',
        'packing', 'dispatch', 'delivery', 'return', 'market_out', 'market_close', 'week_close', 'reversal')),
    constraint act_happened_at_range check (happened_at between '2000-01-01Z' and '2200-01-01Z'),
    constraint act_done_by_length check (length(done_by) between 1 and 60),
    constraint act_entered_by_length check (length(entered_by) between 1 and 100),
    constraint act_document_length check (length(document) between 1 and 60),
    constraint act_reason_length check (length(reason) <= 500)
);
create index act_by_time on act (farm_id, happened_at);
create index act_by_recording on act (farm_id, recorded_at, act_id);
create index act_by_document on act (farm_id, document) where document is not null;
call make_posted_only('act');

-- A farm's acts and the closing of its weeks keep out of each other's way: every act holds this together with all others until it is
-- committed, a closing holds it alone. So a closing sees every act that was entered before it, whole, and none that was not.
create function lock_weeks(farm int, alone boolean) returns void
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    if alone then
        perform pg_advisory_xact_lock(hashtextextended('weeks', farm));
    else
        perform pg_advisory_xact_lock_shared(hashtextextended('weeks', farm));
    end if;
end $$;

-- Each statement of it sees what was committed by then, so whatever was closed while it waited is seen.
create function act_after_close() returns trigger
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    perform lock_weeks(new.farm_id, false);
    new.after_close := exists (select from week_close w
                                where w.farm_id = new.farm_id and new.happened_at >= w.from_at and new.happened_at < w.until_at);
    return new;
end $$;
create trigger after_close before insert on act for each row execute function act_after_close();

-- What is sold and recalled as one. `best_before` is set when packed and never moved.
create table lot (
    farm_id       int         not null,
    lot           text        not null,
    strain        text        not null,
    grade         text        not null,
    packaging     text        not null,
    form          text        not null,
    harvest_day   date        not null,
    harvested_at  timestamptz not null,
    origin        text        not null,
    best_before   date,
    began_by      uuid        not null,
    constraint lot_pk primary key (farm_id, lot),
    constraint lot_strain_fk foreign key (farm_id, strain) references strain,
    constraint lot_grade_fk foreign key (farm_id, grade) references grade,
    constraint lot_began_by_fk foreign key (farm_id, began_by) references act,
    -- The GS1 application identifier 10 takes at most 20 characters of its own set; these are a subset of it.
    constraint lot_lot_shape check (lot ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint lot_packaging_known check (packaging in ('open', 'vented', 'sealed')),
    constraint lot_form_known check (form in ('fresh', 'dried')),
    constraint lot_origin_known check (origin in ('harvest', 'opening', 'packed', 'stall')),
    constraint lot_best_before_range check (best_before >= harvest_day)
);
create index lot_by_day on lot (farm_id, harvest_day, lot);
create index lot_by_strain on lot (farm_id, strain, harvest_day);
call make_posted_only('lot');

-- Which lots a made lot came from, by grams.
create table lot_link (
    farm_id  int    not null,
    act_id   uuid   not null,
    parent   text   not null,
    child    text   not null,
    grams    bigint not null,
    constraint lot_link_pk primary key (farm_id, act_id, parent, child),
    constraint lot_link_act_fk foreign key (farm_id, act_id) references act,
    constraint lot_link_parent_fk foreign key (farm_id, parent) references lot,
    constraint lot_link_child_fk foreign key (farm_id, child) references lot,
    constraint lot_link_grams_range check (grams > 0),
    constraint lot_link_apart check (parent <> child)
);
create index lot_link_by_parent on lot_link (farm_id, parent);
create index lot_link_by_child on lot_link (farm_id, child);
call make_posted_only('lot_link');

-- Which lots may be in which: of one packing every lot that went onto the table in every one that came off it, however few its grams. What
-- was set apart (under a document), or came back from a stall, was told apart by the lot.
create view lot_kin with (security_invoker) as
    select p.farm_id, p.act_id, p.parent, c.child
      from lot_link p join lot_link c using (farm_id, act_id) join act a using (farm_id, act_id)
     where a.kind = 'packing' and a.document is null
    union
    select farm_id, act_id, parent, child from lot_link;
grant select on lot_kin to gillbook_app, gillbook_audit;

-- Held, released, finished: the lot's standing is that of its last event, counted by number because two may carry one instant.
-- A finish names the act that booked the rest as weight lost: with that reversed the lot is unfinished again.
create table lot_event (
    farm_id      int         not null,
    event_id     uuid        not null,
    lot          text        not null,
    seq          int         not null,
    kind         text        not null,
    reason       text        not null,
    happened_at  timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    act_id       uuid,
    entered_by   text        not null,
    -- The warm spell, the recall or the batch that it was held for.
    document     text,
    constraint lot_event_seq_key unique (farm_id, lot, seq),
    constraint lot_event_seq_range check (seq >= 1),
    constraint lot_event_pk primary key (farm_id, event_id),
    constraint lot_event_lot_fk foreign key (farm_id, lot) references lot,
    constraint lot_event_act_fk foreign key (farm_id, act_id) references act,
    constraint lot_event_act_needed check ((kind = 'finish') = (act_id is not null)),
    constraint lot_event_kind_known check (kind in ('hold', 'release', 'finish')),
    constraint lot_event_reason_length check (length(reason) between 1 and 500),
    constraint lot_event_done_by_length check (length(done_by) between 1 and 60),
    constraint lot_event_entered_by_length check (length(entered_by) between 1 and 100),
    constraint lot_event_document_length check (length(document) between 1 and 60)
);
create index lot_event_by_act on lot_event (farm_id, act_id) where act_id is not null;
create index lot_event_by_document on lot_event (farm_id, document) where document is not null;
call make_posted_only('lot_event');

create function lot_finished(farm int, code text) returns boolean
    language sql stable
    return exists (select from lot_event e where e.farm_id = farm and e.lot = code and e.kind = 'finish'
                      and not exists (select from act x where x.farm_id = e.farm_id and x.reverses = e.act_id));

-- Since when a lot is on hold, and no later than it was written down; null where it is not.
create function lot_held_since(farm int, code text) returns timestamptz
    language sql stable
    return (select case e.kind when 'hold' then least(e.happened_at, e.recorded_at) end
              from lot_event e where e.farm_id = farm and e.lot = code and e.kind in ('hold', 'release')
             order by e.seq desc limit 1);

-- Lots that are on hold: why, since when, by whom, and the warm spell or the recall that it is for.
create view lot_hold with (security_invoker) as
    select l.farm_id, l.lot, e.reason, e.document, e.happened_at, e.done_by, e.entered_by,
           substring(e.document from '^[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}$')::uuid as excursion_id,
           substring(e.document from '^RC-[0-9]+$') as recall, substring(e.document from '^batch (.+)$') as batch
      from lot l cross join lateral (select * from lot_event e where e.farm_id = l.farm_id and e.lot = l.lot and e.kind in ('hold', 'release')
                                      order by e.seq desc limit 1) e
     where e.kind = 'hold';
grant select on lot_hold to gillbook_app, gillbook_audit;

-- The refusal to let grams of a lot on hold go.
create procedure refuse_held(farm int, code text)
    language plpgsql as $$
begin
    raise exception 'lot % is on hold', code
        using errcode = 'check_violation', constraint = 'lot_hold_kept', table = 'movement',
              detail = format('%s|%s', code, (select e.reason from lot_event e where e.farm_id = farm and e.lot = code
                                                  and e.kind = 'hold' order by e.seq desc limit 1));
end $$;

create table movement (
    farm_id     int      not null,
    act_id      uuid     not null,
    leg         smallint not null,
    lot         text     not null,
    from_place  text     not null,
    to_place    text     not null,
    grams       bigint   not null,
    constraint movement_pk primary key (farm_id, act_id, leg),
    constraint movement_act_fk foreign key (farm_id, act_id) references act,
    constraint movement_lot_fk foreign key (farm_id, lot) references lot,
    constraint movement_from_place_fk foreign key (farm_id, from_place) references place,
    constraint movement_to_place_fk foreign key (farm_id, to_place) references place,
    constraint movement_leg_range check (leg >= 1),
    constraint movement_grams_range check (grams between 1 and 100000000),
    constraint movement_places_apart check (from_place <> to_place)
);
create index movement_by_lot on movement (farm_id, lot);
create index movement_by_to_place on movement (farm_id, to_place);
call make_posted_only('movement');

-- Where each gram is now. Sources and the packing table have no row (what goes onto the table under one act comes off it under the
-- same act, as another lot); every other place has. `set_aside_g` is promised to an order.
create table balance (
    farm_id      int    not null,
    lot          text   not null,
    place        text   not null,
    grams        bigint not null,
    set_aside_g  bigint not null default 0,
    constraint balance_pk primary key (farm_id, lot, place),
    constraint balance_lot_fk foreign key (farm_id, lot) references lot,
    constraint balance_place_fk foreign key (farm_id, place) references place,
    constraint balance_grams_enough check (grams >= 0),
    constraint balance_set_aside_g_enough check (set_aside_g between 0 and grams)
);
create index balance_by_place on balance (farm_id, place) where grams > 0;
call enable_tenant_rls('balance');

-- Posts movements to the balances, in (lot, place) order so that two acts on the same lots cannot wait for each other.
-- Runs as the owner because the service may not touch a balance.
create function post_movements() returns trigger
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    d record;
    bad record;
begin
    -- Whatever moves a lot, or decides on it, has its row: a balance may be made while others are waited for.
    perform from lot l where exists (select from posted m where m.farm_id = l.farm_id and m.lot = l.lot) order by l.farm_id, l.lot for no key update;
    -- An act takes legs only in the transaction that made it, also for a person at a console as the owner.
    select m.act_id into bad from posted m join act a using (farm_id, act_id)
     where a.xmin::text <> (pg_current_xact_id()::text::bigint % 4294967296)::text limit 1;
    if found then
        raise exception 'act % is closed', bad.act_id
            using errcode = 'restrict_violation', constraint = 'act_is_closed', table = 'movement';
    end if;
    select f.kind as from_kind, t.kind as to_kind, a.kind as act_kind into bad
      from posted m
      join act a using (farm_id, act_id)
      join place f on f.farm_id = m.farm_id and f.place = m.from_place
      join place t on t.farm_id = m.farm_id and t.place = m.to_place
     where a.kind <> 'reversal'
       and not exists (select 1 from movement_rule r
                        where r.act_kind = a.kind and r.from_kind = f.kind and r.to_kind = t.kind)
     limit 1;
    if found then
        raise exception 'a % does not go from a % to a %', bad.act_kind, bad.from_kind, bad.to_kind
            using errcode = 'check_violation', constraint = 'movement_rule_kept', table = 'movement',
                  detail = format('%s|%s|%s', bad.act_kind, bad.from_kind, bad.to_kind);
    end if;
    -- What is held stays held: its grams go from store to store, to waste or to a test. What was handed over before the hold is a fact and
    -- is written down, and so is what a stall had sold by then, where a person says so by a sign-in of their own.
    select m.farm_id, m.lot into bad
      from posted m
      join act a using (farm_id, act_id)
      join place f on f.farm_id = m.farm_id and f.place = m.from_place
      join place t on t.farm_id = m.farm_id and t.place = m.to_place
     where f.kind not in ('room', 'opening', 'found', 'packing') and not (a.kind = 'market_close' and (a.own_sign_in or t.kind = 'packing'))
       and t.kind not in ('fridge', 'shelf', 'van', 'stall', 'waste', 'test')
       and case when a.kind = 'delivery' and a.own_sign_in then lot_held_since(m.farm_id, m.lot) <= a.happened_at
                else lot_held_since(m.farm_id, m.lot) is not null end
     limit 1;
    if found then
        call refuse_held(bad.farm_id, bad.lot);
    end if;
    for d in
        select m.farm_id, m.lot, m.place, p.kind, sum(m.delta)::bigint as delta
          from (select farm_id, lot, from_place as place, -grams as delta from posted
                union all
                select farm_id, lot, to_place, grams from posted) m
          join place p on p.farm_id = m.farm_id and p.place = m.place
         where p.kind not in ('room', 'opening', 'found', 'packing')
         group by m.farm_id, m.lot, m.place, p.kind
         order by m.farm_id, m.lot, m.place
    loop
        if d.delta >= 0 then
            insert into balance as b (farm_id, lot, place, grams) values (d.farm_id, d.lot, d.place, d.delta)
                on conflict (farm_id, lot, place) do update set grams = b.grams + excluded.grams;
        else
            select b.grams, b.set_aside_g into bad from balance b
             where b.farm_id = d.farm_id and b.lot = d.lot and b.place = d.place for update;
            if not found or bad.grams + d.delta < 0 then
                raise exception 'lot % has not % g at %', d.lot, -d.delta, d.place
                    using errcode = 'check_violation', constraint = 'balance_grams_enough', table = 'balance',
                          detail = format('%s|%s|%s|%s', d.lot, d.place, coalesce(bad.grams, 0), -d.delta);
            elsif bad.grams + d.delta < bad.set_aside_g then
                raise exception 'lot % at % is set aside', d.lot, d.place
                    using errcode = 'check_violation', constraint = 'balance_set_aside_g_enough', table = 'balance',
                          detail = format('%s|%s|%s|%s|%s', d.lot, d.place, bad.grams - bad.set_aside_g, -d.delta,
                          (select string_agg(distinct s.order_code, ', ') from set_aside s
                            where s.farm_id = d.farm_id and s.lot = d.lot and s.place = d.place));
            end if;
            update balance b set grams = b.grams + d.delta
             where b.farm_id = d.farm_id and b.lot = d.lot and b.place = d.place;
        end if;
        if d.kind = 'van' then
            call expect_dockets_kept(d.farm_id, d.lot, d.place);
        end if;
    end loop;
    return null;
end $$;
create trigger posts after insert on movement referencing new table as posted
    for each statement execute function post_movements();

-- Writes that lots were held, released or finished: rows of `lot_event` without its `seq`. One that is on hold already is not held again.
-- Gives the lots of the rows that were written. Call with the lots locked.
create function write_lot_events(farm int, events jsonb, finished_by uuid) returns text[]
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
declare
    e lot_event;
    written text[] := '{}';
begin
    for e in select * from jsonb_populate_recordset(null::lot_event, events) loop
        continue when e.kind = 'hold' and lot_held_since(farm, e.lot) is not null;
        e.farm_id := farm;
        e.act_id := case when e.kind = 'finish' then finished_by end;
        e.seq := (select count(*) + 1 from lot_event o where o.farm_id = farm and o.lot = e.lot);
        insert into lot_event select e.*;
        written := written || e.lot;
    end loop;
    return written;
end $$;

revoke execute on function write_lot_events from public;

-- Holds and releases lots. A finish is an entry.
create function post_lot_events(farm int, events jsonb) returns text[]
    language sql security definer set search_path = pg_catalog, public, pg_temp
    return write_lot_events(farm, events, null);
revoke execute on function post_lot_events from public;
grant execute on function post_lot_events to gillbook_app;

-- One crate or stack on the scale. `net_g` is what reached the place; `trim_g` what was cut off and weighed.
create table weighing (
    farm_id        int     not null,
    act_id         uuid    not null,
    lot            text    not null,
    place          text    not null,
    gross_g        bigint  not null,
    tare_g         bigint  not null,
    net_g          bigint  not null,
    trim_g         bigint  not null,
    cut            boolean not null,
    crate          text,
    crates         int     not null,
    liner          text,
    wet            boolean not null,
    constraint weighing_pk primary key (farm_id, act_id),
    constraint weighing_act_fk foreign key (farm_id, act_id) references act,
    constraint weighing_lot_fk foreign key (farm_id, lot) references lot,
    constraint weighing_place_fk foreign key (farm_id, place) references place,
    constraint weighing_crate_fk foreign key (farm_id, crate) references crate,
    constraint weighing_liner_fk foreign key (farm_id, liner) references crate,
    constraint weighing_gross_g_range check (gross_g between 1 and 500000),
    constraint weighing_tare_g_range check (tare_g between 0 and 500000),
    constraint weighing_trim_g_range check (trim_g between 0 and 500000),
    constraint weighing_crates_range check (crates between 0 and 20),
    constraint weighing_net_g_adds_up check (net_g > 0 and net_g = gross_g - tare_g)
);
create index weighing_by_lot on weighing (farm_id, lot);
call make_posted_only('weighing');

-- When the oldest of each of some lots was on the scale, in its own crates or in those of the lots that it was made of. Crates arrive in any
-- order and are taken back, so this is worked out and not kept: `lot.harvested_at` is only what was known when the lot began, and
-- counts where no crate stands behind the lot.
--
-- Planned once and lot by lot along the indexes (`offset 0`): a plan for every call costs more than the call, and a plan over whole tables
-- grows with the years.
create function lots_harvested_at(farm int, codes text[]) returns table (lot text, at timestamptz)
    language plpgsql stable set plan_cache_mode = force_generic_plan as $$
#variable_conflict use_column
begin return query
    with recursive origin(code, lot) as (
        select c, c from unnest(codes) c
        union
        select o.code, p.parent from origin o cross join lateral (
               select k.parent from lot_link k
                where k.farm_id = farm and k.child = o.lot
                  and not exists (select from act x where x.farm_id = farm and x.reverses = k.act_id offset 0) offset 0) p),
    begun(code, at) as (
        select o.code, min(b.at) from origin o cross join lateral (
               select a.happened_at as at from weighing w join act a on a.farm_id = farm and a.act_id = w.act_id
                where w.farm_id = farm and w.lot = o.lot
                  and not exists (select from act x where x.farm_id = farm and x.reverses = w.act_id offset 0)
               union all
               select l.harvested_at from lot l where l.farm_id = farm and l.lot = o.lot and l.origin = 'opening' offset 0) b
         group by o.code)
    select l.lot, coalesce(b.at, l.harvested_at)
      from (select distinct c from unnest(codes) c) n join lot l on l.farm_id = farm and l.lot = n.c left join begun b on b.code = n.c;
end $$;

-- Likewise of one lot.
create function lot_harvested_at(farm int, code text) returns timestamptz
    language sql stable
    return (select h.at from lots_harvested_at(farm, array[code]) h);

create table weighing_source (
    farm_id  int    not null,
    act_id   uuid   not null,
    batch    text   not null,
    flush    int    not null,
    grams    bigint not null,
    basis    text   not null,
    constraint weighing_source_pk primary key (farm_id, act_id, batch, flush),
    constraint weighing_source_weighing_fk foreign key (farm_id, act_id) references weighing,
    constraint weighing_source_batch_fk foreign key (farm_id, batch) references batch,
    constraint weighing_source_flush_range check (flush between 1 and 9),
    constraint weighing_source_grams_range check (grams > 0),
    constraint weighing_source_basis_known check (basis in ('measured', 'shared'))
);
create index weighing_source_by_batch on weighing_source (farm_id, batch);
call make_posted_only('weighing_source');

-- Counted grams of one lot at one place, against what the book had there at that instant, and how the difference was split. The split is
-- kept with the version of the coefficients that made it, and never moves. What goods that lose by the published rates had lost by then
-- (`published_…`) is kept beside it: with what was missing it teaches how many times that rate the farm's own goods lose. `transferred` where
-- a fifth of it or more came from another store since it was last weighed, by the book's weight: what it lost there is in none of these.
create table stock_count (
    farm_id           int     not null,
    act_id            uuid    not null,
    lot               text    not null,
    place             text    not null,
    counted_g         bigint  not null,
    book_g            bigint  not null,
    low_g             bigint  not null,
    likely_g          bigint  not null,
    high_g            bigint  not null,
    published_low_g   bigint  not null,
    published_g       bigint  not null,
    published_high_g  bigint  not null,
    published_gross_g bigint  not null,
    transferred       boolean not null,
    unexplained_g     bigint  not null,
    coefficients      text    not null,
    found_reason      text,
    constraint stock_count_pk primary key (farm_id, act_id, lot, place),
    constraint stock_count_act_fk foreign key (farm_id, act_id) references act,
    constraint stock_count_lot_fk foreign key (farm_id, lot) references lot,
    constraint stock_count_place_fk foreign key (farm_id, place) references place,
    constraint stock_count_counted_g_range check (counted_g between 0 and 100000000),
    constraint stock_count_book_g_range check (book_g between 0 and 100000000),
    constraint stock_count_low_g_range check (low_g between 0 and likely_g),
    constraint stock_count_likely_g_range check (likely_g between low_g and high_g),
    constraint stock_count_high_g_range check (high_g between likely_g and book_g),
    constraint stock_count_published_low_g_range check (published_low_g between 0 and published_g),
    constraint stock_count_published_g_range check (published_g between 0 and published_gross_g),
    constraint stock_count_published_high_g_range check (published_high_g between published_g and 100000000),
    constraint stock_count_published_gross_g_range check (published_gross_g between 0 and 100000000),
    constraint stock_count_unexplained_g_whole check (unexplained_g = greatest(book_g - counted_g - high_g, 0)),
    constraint stock_count_coefficients_length check (length(coefficients) between 1 and 20),
    constraint stock_count_found_reason_length check (length(found_reason) between 1 and 200)
);
create index stock_count_by_lot on stock_count (farm_id, lot, place);
create index stock_count_found on stock_count (farm_id, lot) where counted_g > book_g and found_reason is not null;
call make_posted_only('stock_count');

-- Goods of a strain and packaging of which more was missing on the day of a count, and at the counts before it since one, than water and
-- scales explain.
create table loss_warning (
    farm_id       int              not null,
    act_id        uuid             not null,
    strain        text             not null,
    packaging     text             not null,
    count_days    int              not null,
    counted_since timestamptz      not null,
    book_g        bigint           not null,
    missing_g     bigint           not null,
    low_g         bigint           not null,
    likely_g      bigint           not null,
    high_g        bigint           not null,
    probability   double precision not null,
    constraint loss_warning_pk primary key (farm_id, act_id, strain, packaging),
    constraint loss_warning_act_fk foreign key (farm_id, act_id) references act,
    constraint loss_warning_strain_fk foreign key (farm_id, strain) references strain,
    constraint loss_warning_packaging_known check (packaging in ('open', 'vented', 'sealed')),
    constraint loss_warning_count_days_range check (count_days between 1 and 3),
    constraint loss_warning_missing_g_range check (missing_g between 0 and book_g),
    constraint loss_warning_low_g_range check (low_g between 0 and likely_g),
    constraint loss_warning_likely_g_range check (likely_g between low_g and high_g),
    constraint loss_warning_high_g_range check (high_g between likely_g and missing_g),
    constraint loss_warning_probability_range check (probability between 0 and 1)
);
call make_posted_only('loss_warning');

-- What somebody said of goods that are missing. With `differently_since` nothing was taken: since then they lose water differently, in other
-- boxes, under lids, before another fan, and the counts from then on teach it; the newest such of a strain and packaging counts.
create table loss_answer (
    farm_id           int         not null,
    strain            text        not null,
    packaging         text        not null,
    recorded_at       timestamptz not null,
    reason            text        not null,
    differently_since timestamptz,
    entered_by        text        not null,
    constraint loss_answer_pk primary key (farm_id, strain, packaging, recorded_at),
    constraint loss_answer_strain_fk foreign key (farm_id, strain) references strain,
    constraint loss_answer_packaging_known check (packaging in ('open', 'vented', 'sealed')),
    constraint loss_answer_recorded_at_range check (recorded_at between '2000-01-01' and '2200-01-01'),
    constraint loss_answer_differently_since_range check (differently_since between '2000-01-01' and recorded_at),
    constraint loss_answer_reason_length check (length(reason) between 1 and 200),
    constraint loss_answer_entered_by_length check (length(entered_by) between 1 and 200)
);
call make_append_only('loss_answer');

-- Warnings that nobody has answered. One says that a loss is water only of counts from the day on that it gives. Who takes the count back does
-- not answer it.
create view standing_loss_warning with (security_invoker) as
    select w.*, a.happened_at as counted_at, a.done_by as counted_by, a.recorded_at,
           exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id) as taken_back
      from loss_warning w join act a using (farm_id, act_id)
     where not exists (
           select from loss_answer r
            where r.farm_id = w.farm_id and r.strain = w.strain and r.packaging = w.packaging and r.recorded_at > a.recorded_at
              and (r.differently_since is null or r.differently_since <= a.happened_at));
grant select on standing_loss_warning to gillbook_app, gillbook_audit;

-- Pairs of lots that counts may have taken for each other, whatever was counted first: less of the one was there than the book had (of a
-- finished lot nothing), more of the other than scales differ by. Goods do not keep for much longer than the time between.
create view count_swap with (security_invoker) as
    select m.farm_id, m.from_place as place, m.lot as missed, f.place as found_in, f.lot as found, fa.recorded_at as found_at,
           least(fa.recorded_at, ma.recorded_at) as counted_at
      from stock_count f join act fa using (farm_id, act_id)
      join act ma on ma.farm_id = f.farm_id and ma.kind in ('count', 'finish')
       and ma.recorded_at between fa.recorded_at - interval '60 days' and fa.recorded_at + interval '60 days'
      join movement m on m.farm_id = ma.farm_id and m.act_id = ma.act_id and m.lot <> f.lot
      join place w on w.farm_id = m.farm_id and w.place = m.to_place and w.kind = 'water'
     where f.counted_g > f.book_g and f.found_reason is not null;
grant select on count_swap to gillbook_app, gillbook_audit;

-- The closing of an ISO week: a snapshot of what it added up to. What is recorded later shows as "after close".
create table week_close (
    farm_id    int         not null,
    week       text        not null,
    act_id     uuid        not null,
    from_at    timestamptz not null,
    until_at   timestamptz not null,
    closed_at  timestamptz not null,
    sheet      jsonb       not null,
    constraint week_close_pk primary key (farm_id, week),
    constraint week_close_until_at_range check (until_at > from_at and until_at <= closed_at),
    constraint week_close_act_fk foreign key (farm_id, act_id) references act,
    constraint week_close_week_shape check (week ~ '^[0-9]{4}-W[0-5][0-9]$')
);
call make_posted_only('week_close');
