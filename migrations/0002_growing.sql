-- The growing side: strains, recipes, rooms, cooks and batches of blocks. Nothing here has grams of mushrooms.

create table strain (
    farm_id              int     not null,
    strain               text    not null,
    name                 text    not null,
    species              text    not null,
    latin_name           text    not null,
    lowest_safe_c        double precision not null,
    expected_yield_g     int     not null,
    days_to_first_flush  int     not null,
    flush_interval_days  int     not null,
    flushes              int     not null,
    trim_share           numeric(4,3) not null,
    version              int     not null default 1,
    constraint strain_pk primary key (farm_id, strain),
    constraint strain_farm_fk foreign key (farm_id) references farm,
    constraint strain_strain_shape check (strain ~ '^[A-Z0-9]{2,6}$'),
    constraint strain_name_length check (length(name) between 1 and 200),
    constraint strain_species_length check (length(species) between 1 and 100),
    constraint strain_latin_name_length check (length(latin_name) between 1 and 100),
    constraint strain_lowest_safe_c_range check (lowest_safe_c between -5 and 20),
    constraint strain_expected_yield_g_range check (expected_yield_g between 0 and 100000),
    constraint strain_days_to_first_flush_range check (days_to_first_flush between 1 and 400),
    constraint strain_flush_interval_days_range check (flush_interval_days between 1 and 120),
    constraint strain_flushes_range check (flushes between 1 and 9),
    constraint strain_trim_share_range check (trim_share between 0 and 0.9)
);
call enable_tenant_rls('strain');
grant insert, update (name, expected_yield_g, lowest_safe_c, days_to_first_flush, flush_interval_days, flushes, trim_share, version) on strain to gillbook_app;

-- Saleable life by packaging, as (°C, days) points in rising temperature. A new version never changes an old one.
create table strain_life (
    farm_id         int         not null,
    strain          text        not null,
    packaging       text        not null,
    effective_from  timestamptz not null,
    point_c         double precision[] not null,
    point_days      double precision[] not null,
    spread          double precision   not null,
    source          text        not null,
    constraint strain_life_pk primary key (farm_id, strain, packaging, effective_from),
    constraint strain_life_strain_fk foreign key (farm_id, strain) references strain,
    constraint strain_life_packaging_known check (packaging in ('open', 'vented', 'sealed')),
    constraint strain_life_effective_from_range check (effective_from between '2000-01-01Z' and '2200-01-01Z'),
    constraint strain_life_points_shape check (
        cardinality(point_c) between 1 and 12 and cardinality(point_c) = cardinality(point_days)
        and array_position(point_c, null) is null and array_position(point_days, null) is null),
    constraint strain_life_spread_range check (spread between 0 and 0.9),
    constraint strain_life_source_length check (length(source) between 1 and 500)
);
call make_append_only('strain_life');

create table recipe (
    farm_id      int     not null,
    recipe       text    not null,
    name         text    not null,
    block_wet_g  int     not null,
    block_dry_g  int     not null,
    block_cost   numeric(12,4) not null,
    constraint recipe_pk primary key (farm_id, recipe),
    constraint recipe_farm_fk foreign key (farm_id) references farm,
    constraint recipe_recipe_shape check (recipe ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint recipe_name_length check (length(name) between 1 and 200),
    constraint recipe_block_wet_g_range check (block_wet_g between 1 and 100000),
    constraint recipe_block_dry_g_range check (block_dry_g between 1 and block_wet_g),
    constraint recipe_block_cost_range check (block_cost between 0 and 1000000)
);
call make_append_only('recipe');

create table recipe_ingredient (
    farm_id       int    not null,
    recipe        text   not null,
    position      int    not null,
    name          text   not null,
    wet_g         int    not null,
    dry_share     numeric(5,4) not null,
    price_per_kg  numeric(12,4) not null,
    constraint recipe_ingredient_pk primary key (farm_id, recipe, position),
    constraint recipe_ingredient_recipe_fk foreign key (farm_id, recipe) references recipe,
    constraint recipe_ingredient_position_range check (position between 1 and 40),
    constraint recipe_ingredient_name_length check (length(name) between 1 and 100),
    constraint recipe_ingredient_wet_g_range check (wet_g between 1 and 100000),
    constraint recipe_ingredient_dry_share_range check (dry_share between 0 and 1),
    constraint recipe_ingredient_price_per_kg_range check (price_per_kg between 0 and 100000)
);
call make_append_only('recipe_ingredient');

create table room (
    farm_id          int    not null,
    room             text   not null,
    name             text   not null,
    kind             text   not null,
    capacity_blocks  int    not null,
    area_m2          numeric(8,2) not null,
    version          int    not null default 1,
    constraint room_pk primary key (farm_id, room),
    constraint room_farm_fk foreign key (farm_id) references farm,
    constraint room_room_shape check (room ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint room_name_length check (length(name) between 1 and 200),
    constraint room_kind_known check (kind in ('incubation', 'fruiting')),
    constraint room_capacity_blocks_range check (capacity_blocks between 1 and 100000),
    constraint room_area_m2_range check (area_m2 between 0.01 and 100000)
);
call enable_tenant_rls('room');
grant insert, update (name, capacity_blocks, area_m2, version) on room to gillbook_app;

create table cook (
    farm_id        int         not null,
    cook           text        not null,
    method         text        not null,
    started_at     timestamptz not null,
    hours          numeric(5,2) not null,
    temperature_c  double precision not null,
    note           text        not null,
    recorded_at    timestamptz not null,
    constraint cook_pk primary key (farm_id, cook),
    constraint cook_farm_fk foreign key (farm_id) references farm,
    constraint cook_cook_shape check (cook ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint cook_method_known check (method in ('sterilised', 'pasteurised')),
    constraint cook_started_at_range check (started_at between '2000-01-01Z' and '2200-01-01Z'),
    constraint cook_hours_range check (hours between 0 and 96),
    constraint cook_temperature_c_range check (temperature_c between 40 and 140),
    constraint cook_note_length check (length(note) <= 2000)
);
call make_append_only('cook');

-- Blocks made together, of one strain. `origin` tells blocks made here from blocks bought in and from those that
-- stood in the rooms when the book was opened.
create table batch (
    farm_id         int   not null,
    batch           text  not null,
    strain          text  not null,
    recipe          text  not null,
    cook            text,
    spawn_supplier  text  not null,
    spawn_lot       text  not null,
    made_on         date  not null,
    blocks          int   not null,
    origin          text  not null,
    recorded_at     timestamptz not null,
    constraint batch_pk primary key (farm_id, batch),
    constraint batch_strain_fk foreign key (farm_id, strain) references strain,
    constraint batch_recipe_fk foreign key (farm_id, recipe) references recipe,
    constraint batch_cook_fk foreign key (farm_id, cook) references cook,
    constraint batch_batch_shape check (batch ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint batch_spawn_supplier_length check (length(spawn_supplier) <= 200),
    constraint batch_spawn_lot_length check (length(spawn_lot) <= 60),
    constraint batch_made_on_range check (made_on between '2000-01-01' and '2200-01-01'),
    constraint batch_blocks_range check (blocks between 1 and 100000),
    constraint batch_origin_known check (origin in ('made', 'bought', 'opening'))
);
call make_append_only('batch');

-- Where a batch's blocks went: into a room, sold as blocks, or finished (composted, sold as spent substrate).
create table batch_move (
    farm_id      int         not null,
    move_id      uuid        not null,
    batch        text        not null,
    kind         text        not null,
    blocks       int         not null,
    room         text,
    moved_at     timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    note         text        not null,
    constraint batch_move_pk primary key (farm_id, move_id),
    constraint batch_move_batch_fk foreign key (farm_id, batch) references batch,
    constraint batch_move_room_fk foreign key (farm_id, room) references room,
    constraint batch_move_kind_known check (kind in ('moved', 'sold', 'finished')),
    constraint batch_move_room_needed check ((kind = 'moved') = (room is not null)),
    constraint batch_move_blocks_range check (blocks between 1 and 100000),
    constraint batch_move_moved_at_range check (moved_at between '2000-01-01Z' and '2200-01-01Z'),
    constraint batch_move_done_by_length check (length(done_by) between 1 and 60),
    constraint batch_move_note_length check (length(note) <= 2000)
);
create index batch_move_by_batch on batch_move (farm_id, batch, moved_at);
call make_append_only('batch_move');

create table batch_loss (
    farm_id      int         not null,
    loss_id      uuid        not null,
    batch        text        not null,
    blocks       int         not null,
    reason       text        not null,
    lost_at      timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    constraint batch_loss_pk primary key (farm_id, loss_id),
    constraint batch_loss_batch_fk foreign key (farm_id, batch) references batch,
    constraint batch_loss_blocks_range check (blocks between 1 and 100000),
    constraint batch_loss_reason_length check (length(reason) between 1 and 200),
    constraint batch_loss_lost_at_range check (lost_at between '2000-01-01Z' and '2200-01-01Z'),
    constraint batch_loss_done_by_length check (length(done_by) between 1 and 60)
);
create index batch_loss_by_batch on batch_loss (farm_id, batch, lost_at);
call make_append_only('batch_loss');

-- Held and released: a batch's standing is that of its last event. What was weighed of it is held lot by lot (`lot_event`).
create table batch_event (
    farm_id      int         not null,
    batch        text        not null,
    seq          int         not null,
    kind         text        not null,
    reason       text        not null,
    -- The recall that it was held or released for.
    recall       text,
    happened_at  timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    entered_by   text        not null,
    constraint batch_event_pk primary key (farm_id, batch, seq),
    constraint batch_event_batch_fk foreign key (farm_id, batch) references batch,
    constraint batch_event_seq_range check (seq >= 1),
    constraint batch_event_reason_length check (length(reason) between 1 and 500),
    constraint batch_event_kind_known check (kind in ('hold', 'release')),
    constraint batch_event_recall_shape check (recall ~ '^RC-[0-9]+$'),
    constraint batch_event_happened_at_range check (happened_at between '2000-01-01Z' and '2200-01-01Z'),
    constraint batch_event_done_by_length check (length(done_by) between 1 and 60),
    constraint batch_event_entered_by_length check (length(entered_by) between 1 and 100)
);
call make_append_only('batch_event');

-- The batches that are on hold, each with why.
create view batch_hold with (security_invoker) as
    select b.farm_id, b.batch, e.reason, e.recall, e.happened_at, e.done_by, e.entered_by
      from batch b cross join lateral (select * from batch_event e where e.farm_id = b.farm_id and e.batch = b.batch order by e.seq desc limit 1) e
     where e.kind = 'hold';
grant select on batch_hold to gillbook_app, gillbook_audit;

-- What goes on the scale under the mushrooms.
create table crate (
    farm_id     int   not null,
    crate       text  not null,
    name        text  not null,
    kind        text  not null,
    tare_dry_g  int   not null,
    tare_wet_g  int   not null,
    version     int   not null default 1,
    constraint crate_pk primary key (farm_id, crate),
    constraint crate_farm_fk foreign key (farm_id) references farm,
    constraint crate_crate_shape check (crate ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint crate_name_length check (length(name) between 1 and 100),
    constraint crate_kind_known check (kind in ('crate', 'liner')),
    constraint crate_tare_dry_g_range check (tare_dry_g between 0 and 20000),
    constraint crate_tare_wet_g_range check (tare_wet_g between tare_dry_g and 20000)
);
call enable_tenant_rls('crate');
grant insert, update (name, tare_dry_g, tare_wet_g, version) on crate to gillbook_app;
