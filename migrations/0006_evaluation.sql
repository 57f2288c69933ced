-- The cold side judged: figures by the hour, excursions with what was done about them, checks of probes and of the house, and who
-- is told.

-- The figures of an hour of a place, and the state that the next hour is judged from. Reckoned from the readings, and at any time again.
create table hourly_figure (
    farm_id    int              not null,
    place      text             not null,
    hour       timestamptz      not null,
    readings   int              not null,
    faults     int              not null,
    known_s    double precision not null,
    air_integral_c_s    double precision not null,
    kinetic_s     double precision not null,
    above_s    double precision not null,
    above_c_s  double precision not null,
    below_s    double precision not null,
    min_c    double precision,
    max_c     double precision,
    product_c  double precision,
    probe_spread_c    double precision not null,
    state      jsonb            not null,
    constraint hourly_figure_pk primary key (farm_id, place, hour),
    constraint hourly_figure_place_fk foreign key (farm_id, place) references place,
    constraint hourly_figure_hour_whole check (extract(epoch from hour)::bigint % 3600 = 0),
    constraint hourly_figure_hour_range check (hour between '2000-01-01Z' and '2200-01-01Z'),
    constraint hourly_figure_known_s_range check (known_s between 0 and 3600.001)
);
call enable_tenant_rls('hourly_figure', across => true);
grant insert, update, delete on hourly_figure to gillbook_app;

-- What has been touched and must be judged again. A mark is written in the transaction that touches, so that no crash loses it. The
-- judge leases marks in a short transaction of its own, because whoever posts readings of those places waits for it.
create table dirty_range (
    farm_id     int         not null,
    place       text        not null,
    leased     boolean     not null,
    from_at     timestamptz not null,
    through_at  timestamptz not null,
    constraint dirty_range_pk primary key (farm_id, place, leased),
    constraint dirty_range_place_fk foreign key (farm_id, place) references place,
    constraint dirty_range_through_at_range check (through_at >= from_at)
);
call enable_tenant_rls('dirty_range', across => true);
grant insert, update, delete on dirty_range to gillbook_app;

-- Counts leases, of all farms. A mark that somebody saw stands as long as no lease came after: whoever leases marks of a farm first shuts
-- the farm's leases for everybody else and then counts, so that a count which is the same while they are open says so.
create sequence place_lease;
grant usage on sequence place_lease to gillbook_app;

-- Keeps leases of a farm away until the transaction ends; false where one is on its way.
create function leases_kept_away(farm int) returns boolean language sql return pg_try_advisory_xact_lock_shared(1, farm);

-- Whether the marks of a farm that somebody saw at a count of leases stand, and will until the transaction ends.
create function marks_valid(farm int, leases bigint) returns boolean language sql
    return case when leases_kept_away(farm) then pg_sequence_last_value('place_lease') = leases else false end;

-- Shuts the leases of farms for everybody else until the transaction ends, and counts one.
create function begin_lease(farms int[]) returns bigint language plpgsql as $$
begin
    perform pg_advisory_xact_lock(1, farm) from unnest(farms) farm;
    return nextval('public.place_lease');
end $$;
revoke execute on function leases_kept_away, marks_valid, begin_lease from public;
grant execute on function leases_kept_away, marks_valid, begin_lease to gillbook_app;

-- An excursion as the readings tell it now. Later readings may move its ends or withdraw it; what was done about it stays.
create table excursion (
    farm_id       int              not null,
    excursion_id  uuid             not null,
    place         text             not null,
    kind          text             not null,
    probe_id      int,
    began_at      timestamptz      not null,
    ended_at      timestamptz,
    air_c         double precision,
    product_c     double precision,
    known_s       double precision not null,
    beyond_c_s    double precision not null,
    judged_at     timestamptz      not null,
    withdrawn_at  timestamptz,
    became        uuid,
    constraint excursion_pk primary key (farm_id, excursion_id),
    constraint excursion_place_fk foreign key (farm_id, place) references place,
    constraint excursion_probe_fk foreign key (farm_id, probe_id) references probe,
    constraint excursion_became_fk foreign key (farm_id, became) references excursion,
    constraint excursion_kind_known check (kind in ('too_warm', 'too_cold', 'no_data', 'probe_fault')),
    constraint excursion_probe_needed check ((kind = 'probe_fault') = (probe_id is not null)),
    constraint excursion_ended_at_range check (ended_at >= began_at),
    constraint excursion_became_needed check (became is null or withdrawn_at is not null)
);
create index excursion_by_place on excursion (farm_id, place, began_at);
-- One spell, silence or fault is open once, whoever opens it.
create unique index excursion_open_key on excursion (farm_id, place, kind, probe_id) nulls not distinct
    where ended_at is null and withdrawn_at is null;
call enable_tenant_rls('excursion', across => true);
grant insert, update (began_at, ended_at, air_c, product_c, known_s, beyond_c_s, judged_at, withdrawn_at, became) on excursion to gillbook_app;

-- What was done about an excursion, and what became of the food.
create table excursion_action (
    farm_id       int         not null,
    action_id     uuid        not null,
    excursion_id  uuid        not null,
    done          text        not null,
    food          text        not null,
    food_note     text        not null,
    done_at       timestamptz not null,
    recorded_at   timestamptz not null,
    done_by       text        not null,
    entered_by    text        not null,
    -- The act that wasted, moved or set apart, and where it moved to.
    act_id        uuid,
    to_place      text,
    -- Orders that went short by it.
    orders_short  text[]      not null,
    -- The spell as it was known then.
    known_began_at   timestamptz      not null,
    known_ended_at   timestamptz,
    known_air_c      double precision,
    known_product_c  double precision,
    constraint excursion_action_pk primary key (farm_id, action_id),
    constraint excursion_action_excursion_fk foreign key (farm_id, excursion_id) references excursion,
    constraint excursion_action_act_fk foreign key (farm_id, act_id) references act,
    constraint excursion_action_to_place_fk foreign key (farm_id, to_place) references place,
    constraint excursion_action_to_place_needed check ((food = 'moved') = (to_place is not null)),
    constraint excursion_action_act_needed check (act_id is not null or food not in ('moved', 'wasted')),
    constraint excursion_action_done_length check (length(done) between 1 and 500),
    constraint excursion_action_food_known check (food in ('none_there', 'kept', 'moved', 'held', 'wasted')),
    constraint excursion_action_food_note_length check (length(food_note) <= 500),
    constraint excursion_action_done_at_range check (done_at between '2000-01-01Z' and '2200-01-01Z')
);
create index excursion_action_by_excursion on excursion_action (farm_id, excursion_id);
call make_append_only('excursion_action');

-- The lots that an action was about. `whole` where nothing of the lot is left to be decided on; `set_apart` is the lot that was made of
-- the part that was in the warm place.
create table excursion_action_lot (
    farm_id    int     not null,
    action_id  uuid    not null,
    lot        text    not null,
    grams      bigint  not null,
    whole      boolean not null,
    set_apart  text,
    constraint excursion_action_lot_pk primary key (farm_id, action_id, lot),
    constraint excursion_action_lot_action_fk foreign key (farm_id, action_id) references excursion_action,
    constraint excursion_action_lot_lot_fk foreign key (farm_id, lot) references lot,
    constraint excursion_action_lot_set_apart_fk foreign key (farm_id, set_apart) references lot,
    constraint excursion_action_lot_grams_range check (grams >= 0)
);
create index excursion_action_lot_by_lot on excursion_action_lot (farm_id, lot);
call make_append_only('excursion_action_lot');

alter table docket_line add constraint docket_line_warm_spell_fk foreign key (farm_id, warm_spell) references excursion;
alter table docket_spell add constraint docket_spell_excursion_fk foreign key (farm_id, excursion_id) references excursion;

-- Countersigned, by a second person's own sign-in; again when something was written down since.
create table excursion_sign_off (
    farm_id       int         not null,
    sign_off_id   uuid        not null,
    excursion_id  uuid        not null,
    signed_at     timestamptz not null,
    signed_by     text        not null,
    note          text        not null,
    -- When the spell had ended, as it was known then.
    known_ended_at  timestamptz,
    constraint excursion_sign_off_pk primary key (farm_id, sign_off_id),
    constraint excursion_sign_off_excursion_fk foreign key (farm_id, excursion_id) references excursion,
    constraint excursion_sign_off_note_length check (length(note) <= 500)
);
create index excursion_sign_off_by_excursion on excursion_sign_off (farm_id, excursion_id);
call make_append_only('excursion_sign_off');

-- The actions that were countersigned: those that were written down by then, by others than the one who signs.
create table excursion_action_sign_off (
    farm_id      int   not null,
    action_id    uuid  not null,
    sign_off_id  uuid  not null,
    constraint excursion_action_sign_off_pk primary key (farm_id, action_id),
    constraint excursion_action_sign_off_action_fk foreign key (farm_id, action_id) references excursion_action,
    constraint excursion_action_sign_off_sign_off_fk foreign key (farm_id, sign_off_id) references excursion_sign_off
);
create index excursion_action_sign_off_by_sign_off on excursion_action_sign_off (farm_id, sign_off_id);
call make_append_only('excursion_action_sign_off');

create function refuse_own_sign_off() returns trigger
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    -- What cannot be seen yet signs nothing.
    if not exists (select from excursion_action t join excursion_sign_off s on s.farm_id = t.farm_id and s.sign_off_id = new.sign_off_id
                    where t.farm_id = new.farm_id and t.action_id = new.action_id
                      and s.excursion_id = t.excursion_id
                      and lower(btrim(s.signed_by)) not in (lower(btrim(t.done_by)), lower(btrim(t.entered_by)))) then
        raise exception 'action % is not countersigned by a second person for its own spell', new.action_id
            using errcode = 'check_violation', constraint = 'excursion_action_sign_off_by_another', table = 'excursion_action_sign_off';
    end if;
    return new;
end $$;
create trigger by_another before insert on excursion_action_sign_off for each row execute function refuse_own_sign_off();

create function action_reversed(farm int, action uuid) returns boolean
    language sql stable
    return exists (select from excursion_action t join act x on x.farm_id = t.farm_id and x.reverses = t.act_id
                    where t.farm_id = farm and t.action_id = action);

-- Whether an excursion is no worse than it was known to be: it began no earlier, ended no later, and went no farther, but for what is rounding
-- to a probe.
create function is_no_worse(e excursion, known_began_at timestamptz, known_ended_at timestamptz, known_air_c double precision, known_product_c double precision)
    returns boolean language sql stable
    return e.began_at >= known_began_at - interval '1 minute'
       and coalesce(e.air_c, '-infinity') <= coalesce(known_air_c, '-infinity') + 0.5
       and coalesce(e.product_c, '-infinity') <= coalesce(known_product_c, '-infinity') + 0.5
       and coalesce(e.ended_at, 'infinity') <= interval '1 minute' + coalesce(known_ended_at, 'infinity');

-- Whether it is no worse than it was known to be when something was done about it and when that was countersigned.
create function spell_is_known(t excursion_action, e excursion) returns boolean
    language sql stable
    return is_no_worse(e, t.known_began_at, coalesce(t.known_ended_at, (
           select s.known_ended_at from excursion_action_sign_off c join excursion_sign_off s using (farm_id, sign_off_id)
            where c.farm_id = t.farm_id and c.action_id = t.action_id)), t.known_air_c, t.known_product_c);

-- The lots that were inside excursions: those in the place when it began or that came while it lasted, and what was packed since, or counted under another label, of grams of
-- theirs that may have been there. Grams of one lot in one place are not told apart, so what leaves a place that any of them has reached
-- may be of them.
--
-- What was written down is held to be careful, for nobody's entry may talk a lot out of a warm spell:
--  * What was entered on a phone that several use, or by a machine, left no earlier than it was entered. A person who is signed in may say
--    that it left earlier.
--  * What was taken back counts as having happened until it was taken back: goods that were brought back look no other in the book than a
--    slip of the finger. It brings no grams, and a lot of which nothing else stands in the book is left out.
--  * What went onto the packing table may be in whatever came off it.
--  * What a count found of a lot may have come from wherever the lot was, and stood where it was found since the lot first came there. It may
--    as well be of another lot that a count missed: two labels look alike.
--
-- `spells` null means every warm spell but those that became part of another, `of` null every lot. `grams` stood there by the book when it began or came, some twice where they left and
-- came again; none of a lot that was `made_since`. `careful_g` are those that may have been there by what is said above, null where nobody
-- can tell. An action decides on a lot that it names as a whole, on the part that it set apart, and on what was made of either later, until
-- its act is reversed; unless the lot is on hold by it, until the spell turns out to be another than it was known to be, or grams of the
-- lot come to light. `countersigned` where every action that decides on the lot was. `places` are those where grams of it may have come.
--
-- In plpgsql, and not in sql, because its plan is then made once a connection: planning takes as long as an answer does. `offset 0` keeps the
-- planner from joining all movements of the farm where only those of a few lots are wanted, whose number it guesses too high; and with little
-- memory its hash tables, which are made for what is guessed, are quickly made.
create function lots_inside(farm int, spells uuid[], of text[])
    returns table (lot text, excursion_id uuid, made_since boolean, grams bigint, careful_g bigint, decided boolean, countersigned boolean, places text[])
    language plpgsql stable set plan_cache_mode = force_generic_plan set work_mem = '1MB' as $$
#variable_conflict use_column
begin return query
with recursive kin(lot) as (
    (select unnest(of)
     union
     -- What may have stood there: what is there, or was moved or taken back since, and first came before the end. A phone's clock may be ahead.
     select c.lot from excursion e cross join lateral (
            select b.lot from balance b where b.farm_id = farm and b.place = e.place and b.grams > 0
            union
            select m.lot from act a join movement m on m.farm_id = farm and m.act_id = a.act_id
             where a.farm_id = farm and a.recorded_at >= e.began_at - interval '1 day' and e.place in (m.from_place, m.to_place)) c
      where of is null and e.farm_id = farm and e.excursion_id = any (spells) and exists (
            select from movement m join act a on a.farm_id = farm and a.act_id = m.act_id
             where m.farm_id = farm and m.lot = c.lot and e.place in (m.from_place, m.to_place)
               and a.happened_at <= coalesce(e.ended_at, e.withdrawn_at, 'infinity'))
     union
     select f.lot from stock_count f where of is null and f.farm_id = farm and f.counted_g > f.book_g and f.found_reason is not null)
    union
    select n.lot from kin cross join lateral (
           select p.parent as lot from lot_link k join lot_link p on p.farm_id = k.farm_id and p.act_id = k.act_id
            where k.farm_id = farm and k.child = kin.lot
           union all
           -- Taken back: what was made became again what it was made of.
           select c.child from lot_link k join lot_link c on c.farm_id = k.farm_id and c.act_id = k.act_id
             join act x on x.farm_id = k.farm_id and x.reverses = k.act_id
            where k.farm_id = farm and k.parent = kin.lot
           union all
           -- What a count found may be of a lot that a count missed.
           select w.missed from count_swap w where w.farm_id = farm and w.found = kin.lot) n),
swap as materialized (
    select w.missed, w.place, w.found, w.found_in, max(w.found_at) as found_at, min(w.counted_at) as counted_at
      from kin cross join lateral (select c.* from count_swap c where c.farm_id = farm and c.found = kin.lot offset 0) w group by 1, 2, 3, 4),
step as (
    select s.lot, s.from_place, s.to_place, s.grams, s.act_id, s.recorded_at, s.taken_back_at,
           case s.from_kind when 'found' then least(s.happened_at, min(s.happened_at) over (partition by s.lot, s.to_place)) else s.happened_at end as happened_at,
           -- A phone's clock may be some minutes ahead.
           least(s.happened_at, s.recorded_at) as came_at,
           case when s.own_sign_in then s.happened_at else greatest(s.happened_at, s.recorded_at) end as left_at
      from kin cross join lateral (
           select m.*, f.kind as from_kind, a.happened_at, a.recorded_at, a.own_sign_in, x.recorded_at as taken_back_at
             from movement m join act a on a.farm_id = farm and a.act_id = m.act_id
             join place f on f.farm_id = farm and f.place = m.from_place
             left join act x on x.farm_id = farm and x.reverses = m.act_id
            where m.farm_id = farm and m.lot = kin.lot and a.kind <> 'reversal' offset 0) s),
met as (
    select s.lot, e.excursion_id, e.place, e.began_at,
           coalesce(sum(case when s.to_place = e.place then s.grams else -s.grams end) filter (where s.happened_at <= e.began_at), 0) as before,
           -- Grams that may have stood there, what left counted as gone no earlier than is said above.
           coalesce(sum(case when s.to_place = e.place then s.grams else -s.grams end)
                        filter (where case when s.to_place = e.place then s.happened_at else s.left_at end <= e.began_at), 0) as perhaps,
           sum(s.grams) filter (where s.to_place = e.place and s.happened_at > e.began_at) as came,
           min(s.came_at) filter (where s.to_place = e.place and s.happened_at > e.began_at) as came_at
      from step s join excursion e on e.farm_id = farm and e.place in (s.from_place, s.to_place)
     where s.taken_back_at is null and s.happened_at <= coalesce(e.ended_at, e.withdrawn_at, 'infinity')
       and case when spells is null then e.kind = 'too_warm' and e.became is null else e.excursion_id = any (spells) end
     group by s.lot, e.excursion_id, e.place, e.began_at),
inside as (
    select met.lot, met.excursion_id, met.place, (greatest(before, 0) + coalesce(came, 0))::bigint as grams,
           (greatest(before, perhaps, 0) + coalesce(came, 0))::bigint as careful_g, case when perhaps > 0 then began_at else came_at end as since
      from met where perhaps > 0 or came > 0
    union all
    select s.lot, e.excursion_id, e.place, 0, null, min(greatest(e.began_at, s.came_at))
      from step s join excursion e on e.farm_id = farm and e.place = s.to_place
     where s.taken_back_at >= e.began_at and s.happened_at <= coalesce(e.ended_at, e.withdrawn_at, 'infinity')
       and case when spells is null then e.kind = 'too_warm' and e.became is null else e.excursion_id = any (spells) end
     group by s.lot, e.excursion_id, e.place),
decision as (
    select t.excursion_id, n.lot, t.action_id, t.recorded_at, known.so as known,
           exists (select from excursion_action_sign_off c where c.farm_id = t.farm_id and c.action_id = t.action_id) as countersigned
      from excursion_action t join excursion_action_lot d on d.farm_id = t.farm_id and d.action_id = t.action_id
      cross join lateral (select d.lot where d.whole union select d.set_apart where d.set_apart is not null) n
      join excursion e on e.farm_id = t.farm_id and e.excursion_id = t.excursion_id
     cross join lateral (select spell_is_known(t, e) and not exists (
            select from movement m join act a on a.farm_id = m.farm_id and a.act_id = m.act_id
              join place f on f.farm_id = m.farm_id and f.place = m.from_place
              join place p on p.farm_id = m.farm_id and p.place = m.to_place
             where m.farm_id = farm and m.lot = n.lot and a.recorded_at > t.recorded_at
               and (m.to_place = e.place and a.happened_at <= coalesce(e.ended_at, e.withdrawn_at, 'infinity')
                    or m.to_place = e.place and f.kind = 'found'
                    -- A count finds a few grams more as scales do; what takes a reason is another matter.
                    or f.kind = 'found' and exists (select from stock_count c where c.farm_id = m.farm_id and c.act_id = m.act_id and c.lot = m.lot
                                                       and c.found_reason is not null)
                    or a.kind = 'reversal' and p.kind in ('fridge', 'shelf', 'van', 'stall')
                       and f.kind not in ('fridge', 'shelf', 'van', 'stall'))) as so offset 0) known
     where t.farm_id = farm and t.excursion_id in (select i.excursion_id from inside i) and not action_reversed(t.farm_id, t.action_id)
       -- What leads to the lots that are asked about is among their kin. Of an action that names any of these all lots count: whether it was
       -- known for each of them decides further down.
       and (of is null or t.action_id in (
            select y.action_id from excursion_action_lot y
             where y.farm_id = farm and (y.lot in (select kin.lot from kin) or y.set_apart in (select kin.lot from kin))))
       and (known.so or t.food = 'held' and lot_held_since(farm, n.lot) is not null)),
reached(lot, excursion_id, place, since, decisions) as (
    select i.lot, i.excursion_id, i.place, i.since, null::uuid[] from inside i
    union
    select n.lot, r.excursion_id, n.place, n.since, n.decisions
      from reached r cross join lateral (
           select became.lot, became.place, became.decisions,
                  greatest(r.since, case s.kind when 'reversal' then s.recorded_at else least(s.happened_at, s.recorded_at) end) as since
             from movement m
             join place f on f.farm_id = farm and f.place = m.from_place and (m.from_place = r.place or f.kind = 'found')
             join act s on s.farm_id = m.farm_id and s.act_id = m.act_id
              and case when s.own_sign_in and s.kind <> 'reversal' then s.happened_at else greatest(s.happened_at, s.recorded_at) end >= r.since
            cross join lateral (
                  select m.lot, m.to_place as place, r.decisions
                  union all
                  select case s.kind when 'reversal' then k.parent else k.child end, c.to_place,
                         coalesce((select array_agg(d.action_id order by d.action_id) from decision d
                                    where d.excursion_id = r.excursion_id and d.lot = r.lot and d.recorded_at <= s.recorded_at), r.decisions)
                    from lot_link k join movement c on c.farm_id = k.farm_id and c.act_id = s.act_id
                          and c.lot = case s.kind when 'reversal' then k.parent else k.child end
                    join act o on o.farm_id = k.farm_id and o.act_id = k.act_id
                   where k.farm_id = farm and k.act_id = coalesce(s.reverses, s.act_id)
                     -- What was set apart, or came back from a stall, was told apart by the lot.
                     and (m.lot = case s.kind when 'reversal' then k.child else k.parent end or o.kind = 'packing' and o.document is null)) became
            where m.farm_id = farm and m.lot = r.lot
           union all
           -- The labels were swapped before either count, nobody can tell when.
           select w.found, w.found_in, coalesce((select array_agg(d.action_id order by d.action_id) from decision d
                                                  where d.excursion_id = r.excursion_id and d.lot = r.lot
                                                    and d.recorded_at <= w.counted_at), r.decisions), e.began_at
             from swap w join excursion e on e.farm_id = farm and e.excursion_id = r.excursion_id and w.found_at >= e.began_at
            where w.missed = r.lot and w.place = r.place) n),
concluded as (
    select distinct r.lot, r.excursion_id, r.place,
           coalesce((select array_agg(d.action_id order by d.action_id) from decision d
                      where d.excursion_id = r.excursion_id and d.lot = r.lot),
                    -- A hold on what it was made of decides nothing on a lot that is not on hold itself.
                    case when lot_held_since(farm, r.lot) is not null or not exists (
                              select from decision d where d.action_id = any (r.decisions) and not d.known) then r.decisions end) as decisions
      from reached r where of is null or r.lot = any (of)),
stood as (
    select i.lot, i.excursion_id, sum(i.grams)::bigint as grams, case when bool_and(i.careful_g is not null) then sum(i.careful_g)::bigint end as careful_g
      from inside i group by i.lot, i.excursion_id)
select c.lot, c.excursion_id, i.lot is null, coalesce(i.grams, 0), i.careful_g, bool_and(c.decisions is not null),
       bool_and(c.decisions is not null and not exists (select from decision d where d.action_id = any (c.decisions) and not d.countersigned)),
       array_agg(distinct c.place)
  from concluded c left join stood i on i.lot = c.lot and i.excursion_id = c.excursion_id
 where exists (select from movement m join act a on a.farm_id = m.farm_id and a.act_id = m.act_id
                where m.farm_id = farm and m.lot = c.lot and a.kind <> 'reversal'
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id) offset 0)
 group by c.lot, c.excursion_id, i.lot, i.grams, i.careful_g;
end $$;

-- A probe held against melting ice or another thermometer.
create table probe_check (
    farm_id      int              not null,
    check_id     uuid             not null,
    probe_id     int              not null,
    kind         text             not null,
    reference_c  double precision not null,
    read_c       double precision not null,
    checked_at   timestamptz      not null,
    recorded_at  timestamptz      not null,
    done_by      text             not null,
    entered_by   text             not null,
    note         text             not null,
    constraint probe_check_pk primary key (farm_id, check_id),
    constraint probe_check_probe_fk foreign key (farm_id, probe_id) references probe,
    constraint probe_check_kind_known check (kind in ('ice_point', 'comparison')),
    constraint probe_check_reference_c_range check (reference_c between -40 and 60),
    constraint probe_check_read_c_range check (read_c between -60 and 80),
    constraint probe_check_note_length check (length(note) <= 500)
);
create index probe_check_by_probe on probe_check (farm_id, probe_id, checked_at);
call make_append_only('probe_check');

-- What is added to a probe's raw value, from a date on. The raw value is kept as it came.
create table probe_offset (
    farm_id         int              not null,
    probe_id        int              not null,
    effective_from  timestamptz      not null,
    offset_c        double precision not null,
    check_id        uuid             not null,
    recorded_at     timestamptz      not null,
    constraint probe_offset_pk primary key (farm_id, probe_id, effective_from),
    constraint probe_offset_probe_fk foreign key (farm_id, probe_id) references probe,
    constraint probe_offset_check_fk foreign key (farm_id, check_id) references probe_check,
    constraint probe_offset_offset_c_range check (offset_c between -5 and 5),
    constraint probe_offset_effective_from_range check (effective_from between '2000-01-01Z' and '2200-01-01Z')
);
call make_append_only('probe_offset');

-- The checks book: what the farm checks again and again, named by itself.
create table house_check (
    farm_id     int         not null,
    house_check text        not null,
    name        text        not null,
    topic       text        not null,
    every_days  int         not null,
    added_at    timestamptz not null,
    ended_at    timestamptz,
    constraint house_check_pk primary key (farm_id, house_check),
    constraint house_check_farm_fk foreign key (farm_id) references farm,
    constraint house_check_house_check_shape check (house_check ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint house_check_name_length check (length(name) between 1 and 200),
    constraint house_check_topic_known check (topic in ('cleaning', 'pests', 'illness', 'water', 'scale', 'thermometer', 'other')),
    constraint house_check_every_days_range check (every_days between 1 and 400)
);
call enable_tenant_rls('house_check');
grant insert, update (name, every_days, ended_at) on house_check to gillbook_app;

create table house_check_done (
    farm_id      int         not null,
    done_id      uuid        not null,
    house_check  text        not null,
    good         boolean     not null,
    what_done    text        not null,
    done_at      timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    entered_by   text        not null,
    constraint house_check_done_pk primary key (farm_id, done_id),
    constraint house_check_done_house_check_fk foreign key (farm_id, house_check) references house_check,
    constraint house_check_done_what_done_needed check (good or length(what_done) > 0),
    constraint house_check_done_what_done_length check (length(what_done) <= 500)
);
create index house_check_done_by_check on house_check_done (farm_id, house_check, done_at);
call make_append_only('house_check_done');

-- Read by hand: a point, never coverage.
create table spot_reading (
    farm_id      int              not null,
    spot_id      uuid             not null,
    place        text             not null,
    at           timestamptz      not null,
    c            double precision not null,
    note         text             not null,
    recorded_at  timestamptz      not null,
    done_by      text             not null,
    entered_by   text             not null,
    constraint spot_reading_pk primary key (farm_id, spot_id),
    constraint spot_reading_place_fk foreign key (farm_id, place) references place,
    constraint spot_reading_c_range check (c between -60 and 80),
    constraint spot_reading_at_range check (at between '2000-01-01Z' and '2200-01-01Z'),
    constraint spot_reading_note_length check (length(note) <= 500)
);
create index spot_reading_by_place on spot_reading (farm_id, place, at);
call make_append_only('spot_reading');

-- Places where time alone opens an excursion at an instant: silent for longer than their limit says, or with a probe that gives faults, and
-- none open that says so. One farm after the other, because places and limits are seen by one farm only.
create function silent_places(farms int[], as_of timestamptz) returns table (farm_id int, place text)
    language plpgsql as $$
#variable_conflict use_column
declare
    farm int;
begin
    foreach farm in array farms loop
        perform set_config('gillbook.farm', farm::text, true);
        return query
        select p.farm_id, p.place
          from place p
         cross join lateral (select silence_minutes from place_limit l where l.farm_id = farm and l.place = p.place
                                and l.effective_from <= as_of order by l.effective_from desc limit 1) l
         cross join lateral (select state from hourly_figure h where h.farm_id = farm and h.place = p.place
                              order by h.hour desc limit 1) h
         where p.farm_id = farm
           and ((h.state->>'known_until')::timestamptz < as_of - make_interval(mins => l.silence_minutes)
                or h.state->'faulty' <> '{}'::jsonb)
           and not exists (select from excursion e where e.farm_id = farm and e.place = p.place and e.ended_at is null
                              and e.withdrawn_at is null and e.kind = 'no_data');
    end loop;
end $$;
revoke execute on function silent_places from public;
grant execute on function silent_places to gillbook_app;

-- Who is told, and how. Quiet hours are minutes of the farm's day; a warm spell is told through them.
create table notice_recipient (
    farm_id       int         not null,
    notice_recipient     uuid        not null,
    way           text        not null,
    address       text        not null,
    secret        text        not null,
    after_minutes int         not null,
    quiet_from    int,
    quiet_until   int,
    added_at      timestamptz not null,
    ended_at      timestamptz,
    constraint notice_recipient_pk primary key (farm_id, notice_recipient),
    constraint notice_recipient_farm_fk foreign key (farm_id) references farm,
    constraint notice_recipient_way_known check (way in ('email', 'webhook')),
    constraint notice_recipient_address_length check (length(address) between 3 and 500),
    constraint notice_recipient_secret_length check (length(secret) <= 200),
    constraint notice_recipient_after_minutes_range check (after_minutes between 0 and 1440),
    constraint notice_recipient_quiet_from_range check (quiet_from between 0 and 1439),
    constraint notice_recipient_quiet_until_range check (quiet_until between 0 and 1439),
    constraint notice_recipient_quiet_needed check ((quiet_from is null) = (quiet_until is null))
);
call enable_tenant_rls('notice_recipient', across => true);
grant insert, update (ended_at) on notice_recipient to gillbook_app;

-- The outbox: one row an event and receiver, sent until it is taken or given up. An event is an excursion's begin or end, or a check
-- that left a probe doubtful.
create table notice (
    farm_id       int         not null,
    notice_id     uuid        not null,
    notice_recipient     uuid        not null,
    excursion_id  uuid,
    check_id      uuid,
    about         text        not null,
    subject       text        not null,
    body          text        not null,
    made_at       timestamptz not null,
    due_at        timestamptz not null,
    tries         int         not null default 0,
    sent_at       timestamptz,
    given_up_at   timestamptz,
    trouble       text        not null default '',
    constraint notice_pk primary key (farm_id, notice_id),
    constraint notice_once_key unique nulls not distinct (farm_id, notice_recipient, excursion_id, check_id, about),
    constraint notice_notice_recipient_fk foreign key (farm_id, notice_recipient) references notice_recipient,
    constraint notice_excursion_fk foreign key (farm_id, excursion_id) references excursion,
    constraint notice_check_fk foreign key (farm_id, check_id) references probe_check,
    constraint notice_about_known check (about in ('began', 'ended', 'doubtful')),
    constraint notice_about_needed check ((about = 'doubtful') = (check_id is not null) and (about <> 'doubtful') = (excursion_id is not null)),
    constraint notice_tries_range check (tries between 0 and 1000)
);
create index notice_due on notice (farm_id, due_at) where sent_at is null and given_up_at is null;
call enable_tenant_rls('notice', across => true);
grant insert, update (due_at, tries, sent_at, given_up_at, trouble) on notice to gillbook_app;

-- Keeps readings of any number of farms in one statement, so that many posts share one commit. Rows come sorted and without doubles.
--
-- With `expect_duplicates` it answers nothing when all of them are new, else tells of each row whether it is new, and the value that is kept. Without,
-- one that is there already breaks the key, and whoever called calls again: nearly every reading is new, and looking for each first is a
-- third of the work.
--
-- With `lasting` the connection goes on seeing the rows of these farms after the commit, so that a reading which comes alone need not
-- set it again.
--
-- Marks what is touched in the same commit: a mark that covers it already is locked so that others may lock it too, and whoever leases it
-- waits until this commit is there to be seen. Without a search path of its own, because setting one costs as much as keeping a reading.
create function insert_readings(
    farm_setting text, mark_farms int[], mark_places text[], mark_from timestamptz[], mark_through timestamptz[],
    farms int[], probes int[], ats timestamptz[], readings double precision[], fault_words text[], received timestamptz, expect_duplicates boolean,
    lasting boolean)
    returns table (ord bigint, is_new boolean, kept_c double precision)
    language plpgsql as $$
declare
    kept bigint;
begin
    perform set_config('gillbook.farms', farm_setting, not lasting);
    for m in 1 .. cardinality(mark_farms) loop
        perform from public.dirty_range t
          where t.farm_id = mark_farms[m] and t.place = mark_places[m] and not t.leased
            and t.from_at <= mark_from[m] and t.through_at >= mark_through[m]
            for key share;
        if not found then
            insert into public.dirty_range as t (farm_id, place, leased, from_at, through_at)
            values (mark_farms[m], mark_places[m], false, mark_from[m], mark_through[m])
                on conflict (farm_id, place, leased) do update
               set from_at = least(t.from_at, excluded.from_at), through_at = greatest(t.through_at, excluded.through_at);
        end if;
    end loop;
    if not expect_duplicates then
        insert into public.reading (farm_id, probe_id, at, value_c, fault, received_at)
        select g.farm, g.probe, g.at, g.c, g.fault, received
          from unnest(farms, probes, ats, readings, fault_words) as g(farm, probe, at, c, fault);
        return;
    end if;
    insert into public.reading (farm_id, probe_id, at, value_c, fault, received_at)
    select g.farm, g.probe, g.at, g.c, g.fault, received
      from unnest(farms, probes, ats, readings, fault_words) as g(farm, probe, at, c, fault)
        on conflict (farm_id, probe_id, at) do nothing;
    get diagnostics kept = row_count;
    if kept = cardinality(farms) then
        return;
    end if;
    -- Whatever this very transaction wrote is new.
    return query
    select g.ord, coalesce(k.xmin = pg_current_xact_id()::xid, false), k.value_c
      from unnest(farms, probes, ats) with ordinality as g(farm, probe, at, ord)
      left join lateral (select r.xmin, r.value_c from public.reading r
                          where r.farm_id = g.farm and r.probe_id = g.probe and r.at = g.at) k on true;
end $$;
revoke execute on function insert_readings from public;
grant execute on function insert_readings to gillbook_app;

create function insert_auxiliary(farms int[], probes int[], ats timestamptz[], units text[], given double precision[], received timestamptz)
    returns bigint
    language plpgsql as $$
declare
    n bigint;
begin
    perform set_config('gillbook.farms', (select array_agg(distinct f)::text from unnest(farms) f), true);
    insert into public.reading_auxiliary (farm_id, probe_id, at, unit, value, received_at)
    select f, p, t, u, v, received from unnest(farms, probes, ats, units, given) as g(f, p, t, u, v)
    on conflict (farm_id, probe_id, at, unit) do nothing;
    get diagnostics n = row_count;
    return n;
end $$;
revoke execute on function insert_auxiliary from public;
grant execute on function insert_auxiliary to gillbook_app;
