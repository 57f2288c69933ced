-- The selling side: products, customers, prices, orders, what is set aside for them, dockets, market days.

create table product (
    farm_id      int   not null,
    product      text  not null,
    name         text  not null,
    least_grade  text  not null,
    packaging    text,
    form         text  not null,
    pack_g       int,
    tax_percent  numeric(6,3) not null,
    gtin         text,
    -- The least price of a kilogram without tax that is taken for it without saying so; zero where there is none.
    floor_per_kg numeric(12,4) not null,
    version      int   not null default 1,
    constraint product_pk primary key (farm_id, product),
    constraint product_least_grade_fk foreign key (farm_id, least_grade) references grade,
    constraint product_product_shape check (product ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint product_name_length check (length(name) between 1 and 200),
    constraint product_packaging_known check (packaging in ('open', 'vented', 'sealed')),
    constraint product_form_known check (form in ('fresh', 'dried')),
    constraint product_pack_g_range check (pack_g between 1 and 25000),
    constraint product_tax_percent_range check (tax_percent between 0 and 100),
    constraint product_floor_per_kg_range check (floor_per_kg between 0 and 100000),
    constraint product_gtin_shape check (gtin ~ '^[0-9]{8}$|^[0-9]{12,14}$')
);
call enable_tenant_rls('product');
grant insert, update (name, tax_percent, gtin, floor_per_kg, version) on product to gillbook_app;

create table product_strain (
    farm_id  int   not null,
    product  text  not null,
    strain   text  not null,
    constraint product_strain_pk primary key (farm_id, product, strain),
    constraint product_strain_product_fk foreign key (farm_id, product) references product,
    constraint product_strain_strain_fk foreign key (farm_id, strain) references strain
);
call make_append_only('product_strain');

-- Days from harvest to best before, by product and packaging. The farm's own fixed rule; a new row never moves a
-- date that was given before.
create table best_before_rule (
    farm_id         int         not null,
    product         text        not null,
    packaging       text        not null,
    effective_from  timestamptz not null,
    days            int         not null,
    constraint best_before_rule_pk primary key (farm_id, product, packaging, effective_from),
    constraint best_before_rule_product_fk foreign key (farm_id, product) references product,
    constraint best_before_rule_packaging_known check (packaging in ('open', 'vented', 'sealed')),
    constraint best_before_rule_effective_from_range check (effective_from between '2000-01-01Z' and '2200-01-01Z'),
    constraint best_before_rule_days_range check (days between 0 and 1000)
);
call make_append_only('best_before_rule');

create table price_list (
    farm_id     int   not null,
    price_list  text  not null,
    name        text  not null,
    -- Whether its prices have tax in them.
    tax_included boolean not null,
    constraint price_list_pk primary key (farm_id, price_list),
    constraint price_list_farm_fk foreign key (farm_id) references farm,
    constraint price_list_price_list_shape check (price_list ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
    constraint price_list_name_length check (length(name) between 1 and 200)
);
call make_append_only('price_list');

-- The price of a unit for lines from a weight on; none takes it off the list.
create table price (
    farm_id         int         not null,
    price_list      text        not null,
    product         text        not null,
    from_grams      bigint      not null,
    effective_from  timestamptz not null,
    amount          numeric(12,4),
    unit            text        not null,
    constraint price_pk primary key (farm_id, price_list, product, from_grams, effective_from),
    constraint price_price_list_fk foreign key (farm_id, price_list) references price_list,
    constraint price_product_fk foreign key (farm_id, product) references product,
    constraint price_effective_from_range check (effective_from between '2000-01-01Z' and '2200-01-01Z'),
    constraint price_amount_range check (amount between 0 and 100000),
    constraint price_from_grams_range check (from_grams between 0 and 1000000),
    constraint price_unit_known check (unit in ('kg', 'pack'))
);
call make_append_only('price');

-- The prices of a list in force at an instant, by product and by the weight of a line from which each holds. What takes a product off the list
-- ends its prices of every weight.
create function prices_in_force(farm int, list text, at timestamptz)
    returns table (product text, from_grams bigint, amount numeric, unit text, effective_from timestamptz)
    language sql stable as $$
    select p.product, p.from_grams, p.amount, p.unit, p.effective_from
      from (select distinct on (o.product, o.from_grams) o.product, o.from_grams, o.amount, o.unit, o.effective_from from price o
             where o.farm_id = farm and o.price_list = list and o.effective_from <= at
             order by o.product, o.from_grams, o.effective_from desc) p
     where p.amount is not null
       and not exists (select from price b where b.farm_id = farm and b.price_list = list and b.product = p.product and b.from_grams = 0
                          and b.amount is null and b.effective_from between p.effective_from and at);
$$;

-- A customer is also a place: grams that were delivered stand there.
create table customer (
    farm_id          int   not null,
    customer         text  not null,
    name             text  not null,
    kind             text  not null,
    price_list       text  not null,
    least_days       int   not null,
    freshest         boolean not null,
    over_percent     numeric(4,1) not null,
    under_percent    numeric(4,1) not null,
    min_order_g      int   not null,
    address          text  not null,
    email            text  not null,
    telephone        text  not null,
    -- Whether its dockets print prices.
    docket_prices    boolean not null,
    -- Days from an invoice to the day on which it is due.
    payment_days     int   not null,
    tax_number       text  not null,
    -- A country's letters, and where machines send invoices to; blank where not known.
    country          text  not null,
    electronic_address text not null,
    -- It orders until a time of a day so many days before the delivery, and takes deliveries between two times: hours and minutes, or blank.
    order_by_days    int   not null,
    order_by_time    text  not null,
    deliver_from     text  not null,
    deliver_until    text  not null,
    -- The days of the week on which it takes deliveries; none where any day will do.
    delivery_days    text[] not null,
    substitutes      boolean not null,
    -- The round that its deliveries go with, blank where they go with none, and which stop of it; zero comes after those that have a number.
    round            text  not null,
    stop             int   not null,
    version          int   not null default 1,
    constraint customer_pk primary key (farm_id, customer),
    constraint customer_place_fk foreign key (farm_id, customer) references place,
    constraint customer_price_list_fk foreign key (farm_id, price_list) references price_list,
    constraint customer_name_length check (length(name) between 1 and 200),
    constraint customer_kind_known check (kind in ('restaurant', 'shop', 'market', 'wholesale')),
    constraint customer_least_days_range check (least_days between 0 and 365),
    constraint customer_over_percent_range check (over_percent between 0 and 50),
    constraint customer_under_percent_range check (under_percent between 0 and 50),
    constraint customer_min_order_g_range check (min_order_g between 0 and 1000000),
    constraint customer_address_length check (length(address) <= 1000),
    constraint customer_email_length check (length(email) <= 254),
    constraint customer_telephone_length check (length(telephone) <= 40),
    constraint customer_payment_days_range check (payment_days between 0 and 365),
    constraint customer_tax_number_length check (length(tax_number) <= 60),
    constraint customer_country_shape check (country ~ '^([A-Z]{2})?$'),
    constraint customer_electronic_address_shape check (electronic_address ~ '^([0-9]{4}:[!-~]{1,50})?$'),
    constraint customer_order_by_days_range check (order_by_days between 0 and 30),
    constraint customer_order_by_time_shape check (order_by_time ~ '^(([01][0-9]|2[0-3]):[0-5][0-9])?$'),
    constraint customer_deliver_from_shape check (deliver_from ~ '^(([01][0-9]|2[0-3]):[0-5][0-9])?$'),
    constraint customer_deliver_until_shape check (deliver_until ~ '^(([01][0-9]|2[0-3]):[0-5][0-9])?$'),
    constraint customer_deliver_until_range check (deliver_from = '' or deliver_until = '' or deliver_from < deliver_until),
    constraint customer_delivery_days_known check (
        delivery_days <@ array['monday', 'tuesday', 'wednesday', 'thursday', 'friday', 'saturday', 'sunday'] and cardinality(delivery_days) <= 7),
    constraint customer_round_length check (length(round) <= 40),
    constraint customer_stop_range check (stop between 0 and 999)
);
call enable_tenant_rls('customer');
grant insert, update (name, kind, price_list, least_days, freshest, over_percent, under_percent, min_order_g, address, email, payment_days, tax_number, country, electronic_address, order_by_days,
                      order_by_time, deliver_from, deliver_until, delivery_days, substitutes, round, stop, telephone, docket_prices, version)
    on customer to gillbook_app;

-- What a customer takes again and again: days by a recurrence rule (RFC 5545), until further notice where there is no last day.
create table standing_order (
    farm_id         int  not null,
    standing_order  text not null,
    customer        text not null,
    from_day        date not null,
    until_day       date,
    rule            text not null,
    on_closed_day   text not null,
    note            text not null,
    version         int  not null default 1,
    constraint standing_order_pk primary key (farm_id, standing_order),
    constraint standing_order_customer_fk foreign key (farm_id, customer) references customer,
    constraint standing_order_from_day_range check (from_day between '2000-01-01' and '2200-01-01'),
    constraint standing_order_until_day_range check (until_day between '2000-01-01' and '2200-01-01'),
    constraint standing_order_rule_length check (length(rule) between 1 and 200),
    constraint standing_order_on_closed_day_known check (on_closed_day in ('skip', 'day_before', 'day_after')),
    constraint standing_order_note_length check (length(note) <= 2000)
);
call enable_tenant_rls('standing_order');
grant insert, update (until_day, rule, on_closed_day, note, version) on standing_order to gillbook_app;

-- Grams of what is sold loose, packs of what is sold in packs, whose weight is that of the day on which an order is made.
create table standing_order_line (
    farm_id         int    not null,
    standing_order  text   not null,
    line            int    not null,
    product         text   not null,
    grams           bigint,
    packs           int,
    constraint standing_order_line_pk primary key (farm_id, standing_order, line),
    constraint standing_order_line_order_fk foreign key (farm_id, standing_order) references standing_order,
    constraint standing_order_line_product_fk foreign key (farm_id, product) references product,
    constraint standing_order_line_line_range check (line between 1 and 100),
    constraint standing_order_line_grams_range check (grams between 1 and 10000000),
    constraint standing_order_line_packs_range check (packs between 1 and 100000),
    constraint standing_order_line_packs_needed check ((grams is null) <> (packs is null))
);
call enable_tenant_rls('standing_order_line');
grant insert, delete on standing_order_line to gillbook_app;

-- Days on which a standing order rests, both included.
create table standing_order_pause (
    farm_id         int  not null,
    standing_order  text not null,
    from_day        date not null,
    until_day       date not null,
    reason          text not null,
    constraint standing_order_pause_pk primary key (farm_id, standing_order, from_day, until_day),
    constraint standing_order_pause_order_fk foreign key (farm_id, standing_order) references standing_order,
    constraint standing_order_pause_until_day_range check (until_day >= from_day and until_day <= '2200-01-01'),
    constraint standing_order_pause_reason_length check (length(reason) <= 200)
);
call enable_tenant_rls('standing_order_pause');
grant insert, update (until_day, reason), delete on standing_order_pause to gillbook_app;

-- Days on which the farm delivers nothing.
create table closed_day (
    farm_id  int  not null,
    day      date not null,
    name     text not null,
    constraint closed_day_pk primary key (farm_id, day),
    constraint closed_day_farm_fk foreign key (farm_id) references farm,
    constraint closed_day_day_range check (day between '2000-01-01' and '2200-01-01'),
    constraint closed_day_name_length check (length(name) between 1 and 100)
);
call enable_tenant_rls('closed_day');
grant insert, delete on closed_day to gillbook_app;

-- Holds a list of the farm until the transaction ends: whatever stands on its rows holds it together, a change of it holds it alone, as a new
-- row has no lock of its own. Of closed days, that is everything that makes orders of standing orders; of period locks, what bears a day.
create function lock_list(farm int, list text, alone boolean) returns void
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    if alone then
        perform pg_advisory_xact_lock(hashtextextended(list, farm));
    else
        perform pg_advisory_xact_lock_shared(hashtextextended(list, farm));
    end if;
end $$;

-- The books locked up to a day: the newest counts.
create table period_lock (
    farm_id       int         not null,
    locked_at     timestamptz not null,
    locked_until  date        not null,
    entered_by    text        not null,
    constraint period_lock_pk primary key (farm_id, locked_at),
    constraint period_lock_locked_until_range check (locked_until between '2000-01-01' and '2200-01-01')
);
call make_append_only('period_lock');

-- The refusal to enter what bears a day that is locked.
create procedure expect_unlocked(farm int, day date)
    language plpgsql as $$
declare
    locked date;
begin
    -- Until it is committed, so that no lock is set past what is being entered.
    perform lock_list(farm, 'period_lock', false);
    select p.locked_until into locked from period_lock p where p.farm_id = farm order by p.locked_at desc limit 1;
    if day <= locked then
        raise exception 'the books are locked up to %, and % is in them', locked, day
            using errcode = 'check_violation', constraint = 'period_unlocked', table = 'period_lock', detail = format('%s|%s', locked, day);
    end if;
end $$;

create table customer_order (
    farm_id           int         not null,
    order_code        text        not null,
    customer          text        not null,
    delivery_day      date        not null,
    status            text        not null,
    note              text        not null,
    -- The number that the customer knows it by.
    reference         text        not null,
    placed_at         timestamptz not null,
    -- The standing order that it was made of, the day of its rule, and whether it follows it still: not once a person has changed it.
    standing_order    text,
    standing_day      date,
    follows_standing  boolean     not null default false,
    version           int         not null default 1,
    constraint customer_order_pk primary key (farm_id, order_code),
    constraint customer_order_customer_fk foreign key (farm_id, customer) references customer,
    constraint customer_order_delivery_day_range check (delivery_day between '2000-01-01' and '2200-01-01'),
    constraint customer_order_status_known check (status in ('draft', 'confirmed', 'dispatched', 'delivered', 'cancelled')),
    constraint customer_order_note_length check (length(note) <= 2000),
    constraint customer_order_reference_length check (length(reference) <= 60),
    constraint customer_order_standing_order_fk foreign key (farm_id, standing_order) references standing_order,
    constraint customer_order_standing_day_range check (standing_day between '2000-01-01' and '2200-01-01'),
    constraint customer_order_standing_day_needed check ((standing_order is null) = (standing_day is null)),
    constraint customer_order_follows_standing_needed check (standing_order is not null or not follows_standing),
    constraint customer_order_standing_key unique (farm_id, standing_order, standing_day)
);
create index customer_order_by_day on customer_order (farm_id, delivery_day, order_code);
-- What has not gone out is few of all that was ever ordered.
create index customer_order_open on customer_order (farm_id, delivery_day) where status in ('draft', 'confirmed');
create index customer_order_by_customer on customer_order (farm_id, customer, delivery_day);
call enable_tenant_rls('customer_order');
grant insert, update (delivery_day, status, note, reference, follows_standing, version) on customer_order to gillbook_app;

create table order_line (
    farm_id     int    not null,
    order_code  text   not null,
    line        int    not null,
    product     text   not null,
    grams       bigint not null,
    packs       int,
    constraint order_line_pk primary key (farm_id, order_code, line),
    constraint order_line_order_fk foreign key (farm_id, order_code) references customer_order,
    constraint order_line_product_fk foreign key (farm_id, product) references product,
    constraint order_line_line_range check (line between 1 and 100),
    constraint order_line_grams_range check (grams between 1 and 10000000),
    constraint order_line_packs_range check (packs between 1 and 100000)
);
call enable_tenant_rls('order_line');
grant insert, delete on order_line to gillbook_app;

-- Grams of a lot promised to an order line. Not a record: it is made, changed and released until the order goes out.
create table set_aside (
    farm_id     int    not null,
    order_code  text   not null,
    line        int    not null,
    lot         text   not null,
    place       text   not null,
    grams       bigint not null,
    reason      text   not null,
    -- When it was packed; from then on its grams are what the scale showed.
    packed_at   timestamptz,
    -- When a tick of it was taken back last.
    unpacked_at timestamptz,
    constraint set_aside_pk primary key (farm_id, order_code, line, lot, place),
    constraint set_aside_line_fk foreign key (farm_id, order_code, line) references order_line,
    constraint set_aside_balance_fk foreign key (farm_id, lot, place) references balance,
    constraint set_aside_grams_range check (grams > 0),
    constraint set_aside_reason_length check (length(reason) <= 500)
);
create index set_aside_by_lot on set_aside (farm_id, lot, place);
call enable_tenant_rls('set_aside');
grant insert, delete on set_aside to gillbook_app;

-- Orders with their lines and what is set aside for each. What is short follows from that and is left to the program.
create view order_with_lines with (security_invoker) as
    select o.farm_id, o.order_code, o.customer, c.name as customer_name, c.under_percent, o.delivery_day, o.status, o.placed_at, o.note, o.reference, o.version, o.standing_order,
           coalesce((select jsonb_agg(jsonb_build_object('line', l.line, 'product', l.product, 'name', p.name, 'grams_g', l.grams, 'packs', l.packs,
                            'short_g', 0, 'set_aside', coalesce(
                                (select jsonb_agg(jsonb_build_object('lot', s.lot, 'place', s.place, 'grams_g', s.grams, 'reason', s.reason,
                                                                              'packed_at', s.packed_at, 'unpacked_at', s.unpacked_at)
                                                  order by s.lot, s.place)
                                   from set_aside s where s.farm_id = l.farm_id and s.order_code = l.order_code and s.line = l.line), '[]'))
                                order by l.line)
                       from order_line l join product p using (farm_id, product)
                      where l.farm_id = o.farm_id and l.order_code = o.order_code), '[]') as lines
      from customer_order o join customer c using (farm_id, customer);
grant select on order_with_lines to gillbook_app, gillbook_audit;

create function post_set_aside() returns trigger
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    d record;
    b record;
begin
    perform from lot l where exists (select from changed c where c.farm_id = l.farm_id and c.lot = l.lot) order by l.farm_id, l.lot for no key update;
    for d in
        select farm_id, lot, place, sum(case tg_op when 'INSERT' then grams else -grams end)::bigint as delta
          from changed group by farm_id, lot, place order by farm_id, lot, place
    loop
        select grams, set_aside_g into b from balance
         where farm_id = d.farm_id and lot = d.lot and place = d.place for update;
        if d.delta > 0 and lot_held_since(d.farm_id, d.lot) is not null then
            call refuse_held(d.farm_id, d.lot);
        end if;
        if b.set_aside_g + d.delta > b.grams then
            raise exception 'lot % has not % g free at %', d.lot, d.delta, d.place
                using errcode = 'check_violation', constraint = 'balance_set_aside_g_enough', table = 'balance',
                      detail = format('%s|%s|%s|%s|', d.lot, d.place, b.grams - b.set_aside_g, d.delta);
        end if;
        update balance set set_aside_g = set_aside_g + d.delta
         where farm_id = d.farm_id and lot = d.lot and place = d.place;
    end loop;
    return null;
end $$;
create trigger posts_new after insert on set_aside referencing new table as changed
    for each statement execute function post_set_aside();
create trigger posts_gone after delete on set_aside referencing old table as changed
    for each statement execute function post_set_aside();

-- What went out, with the price, unit and tax of that moment. A docket whose act is reversed is void and keeps its number.
create table docket (
    farm_id        int         not null,
    docket         text        not null,
    number         bigint      not null,
    order_code     text        not null,
    customer       text        not null,
    customer_name  text        not null,
    address        text        not null,
    act_id         uuid        not null,
    van            text,
    delivery_day   date        not null,
    dispatched_at  timestamptz not null,
    currency       text        not null,
    -- Why some of it was short, as the customer reads it.
    short_because  text        not null default '',
    constraint docket_pk primary key (farm_id, docket),
    constraint docket_number_key unique (farm_id, number),
    constraint docket_act_key unique (farm_id, act_id),
    constraint docket_order_fk foreign key (farm_id, order_code) references customer_order,
    constraint docket_customer_fk foreign key (farm_id, customer) references customer,
    constraint docket_act_fk foreign key (farm_id, act_id) references act,
    constraint docket_van_fk foreign key (farm_id, van) references place,
    constraint docket_number_range check (number > 0),
    constraint docket_short_because_length check (length(short_because) <= 200)
);
create index docket_by_order on docket (farm_id, order_code);
create index docket_by_time on docket (farm_id, dispatched_at, docket);
create index docket_by_customer on docket (farm_id, customer, delivery_day);
call make_posted_only('docket');

create table docket_line (
    farm_id       int     not null,
    docket        text    not null,
    line          int     not null,
    order_line    int     not null,
    product       text    not null,
    product_name  text    not null,
    lot           text    not null,
    place         text    not null,
    harvest_day   date    not null,
    best_before   date,
    grams         bigint  not null,
    price         numeric(12,4) not null,
    unit          text    not null,
    tax_percent   numeric(6,3) not null,
    amount        numeric(14,4) not null,
    -- The oldest of its warm spells in `docket_spell`: what is printed on the docket.
    warm_spell    uuid,
    constraint docket_line_pk primary key (farm_id, docket, line),
    constraint docket_line_docket_fk foreign key (farm_id, docket) references docket,
    constraint docket_line_product_fk foreign key (farm_id, product) references product,
    constraint docket_line_lot_fk foreign key (farm_id, lot) references lot,
    constraint docket_line_place_fk foreign key (farm_id, place) references place,
    constraint docket_line_grams_range check (grams > 0),
    constraint docket_line_unit_known check (unit in ('kg', 'pack')),
    constraint docket_line_amount_range check (amount >= 0)
);
create index docket_line_by_lot on docket_line (farm_id, lot);
call make_posted_only('docket_line');

-- Warm spells that were not settled when a docket's lots went out, as they were known then to the person who sent them.
create table docket_spell (
    farm_id       int              not null,
    docket        text             not null,
    lot           text             not null,
    excursion_id  uuid             not null,
    began_at      timestamptz      not null,
    ended_at      timestamptz,
    air_c         double precision,
    product_c     double precision,
    constraint docket_spell_pk primary key (farm_id, docket, lot, excursion_id),
    constraint docket_spell_docket_fk foreign key (farm_id, docket) references docket,
    constraint docket_spell_lot_fk foreign key (farm_id, lot) references lot
);
create index docket_spell_by_lot on docket_spell (farm_id, lot);
create index docket_spell_by_excursion on docket_spell (farm_id, excursion_id);
call make_posted_only('docket_spell');

create table delivery (
    farm_id        int         not null,
    act_id         uuid        not null,
    docket         text        not null,
    -- To a person, or left where nobody was.
    hand_over      text        not null,
    taken_by       text        not null,
    -- Strokes that a finger drew, each a list of points.
    signature      jsonb,
    temperature_c  double precision,
    crates_out     int         not null,
    crates_back    int         not null,
    constraint delivery_pk primary key (farm_id, act_id),
    constraint delivery_act_fk foreign key (farm_id, act_id) references act,
    constraint delivery_docket_fk foreign key (farm_id, docket) references docket,
    constraint delivery_hand_over_known check (hand_over in ('in_person', 'unattended')),
    constraint delivery_signature_shape check (jsonb_typeof(signature) = 'array'),
    constraint delivery_signature_length check (length(signature::text) <= 50000),
    constraint delivery_signature_whole check (signature is null or hand_over = 'in_person'),
    constraint delivery_taken_by_length check (length(taken_by) between 1 and 200),
    constraint delivery_temperature_c_range check (temperature_c between -40 and 60),
    constraint delivery_crates_out_range check (crates_out between 0 and 1000),
    constraint delivery_crates_back_range check (crates_back between 0 and 1000)
);
create index delivery_by_docket on delivery (farm_id, docket);
call make_posted_only('delivery');

-- Whether a docket that went out by van is still under way: it stands and was not handed over.
create function docket_is_open(d docket) returns boolean
    language sql stable
    return not exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id)
       and not exists (select from delivery v where v.farm_id = d.farm_id and v.docket = d.docket
                          and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id));
-- Grams of a lot in a van that are under way to customers. They leave it by the delivery, or when the dispatch is taken back.
create function docketed_g(farm int, code text, in_van text) returns bigint
    language sql stable
    return (select coalesce(sum(l.grams), 0)::bigint from docket d join docket_line l using (farm_id, docket)
             where d.farm_id = farm and d.van = in_van and l.lot = code and docket_is_open(d));
-- The refusal to take what is under way to customers.
create procedure expect_dockets_kept(farm int, code text, in_van text)
    language plpgsql as $$
declare
    bound bigint := docketed_g(farm, code, in_van);
    there bigint := coalesce((select b.grams from balance b where b.farm_id = farm and b.lot = code and b.place = in_van), 0);
begin
    if bound > there then
        raise exception 'lot % in % is under way to customers', code, in_van
            using errcode = 'check_violation', constraint = 'balance_dockets_kept', table = 'balance',
                  detail = format('%s|%s|%s|%s', code, in_van, bound, (
                      select string_agg(distinct d.docket, ', ') from docket d join docket_line l using (farm_id, docket)
                       where d.farm_id = farm and d.van = in_van and l.lot = code and docket_is_open(d)));
    end if;
end $$;

-- What was refused at the door of a docket's line, and why.
create table docket_refusal (
    farm_id  int     not null,
    act_id   uuid    not null,
    docket   text    not null,
    line     int     not null,
    grams    bigint  not null,
    reason   text    not null,
    constraint docket_refusal_pk primary key (farm_id, act_id, line),
    constraint docket_refusal_act_fk foreign key (farm_id, act_id) references delivery,
    constraint docket_refusal_line_fk foreign key (farm_id, docket, line) references docket_line,
    constraint docket_refusal_grams_range check (grams > 0),
    constraint docket_refusal_reason_length check (length(reason) between 1 and 200)
);
create index docket_refusal_by_docket on docket_refusal (farm_id, docket, line);
call make_posted_only('docket_refusal');

-- What an act handed over of a docket's line, or brought back. Lines of one docket may be of one lot, so the movements do not tell.
create table docket_part (
    farm_id  int     not null,
    act_id   uuid    not null,
    docket   text    not null,
    line     int     not null,
    grams    bigint  not null,
    constraint docket_part_pk primary key (farm_id, act_id, line),
    constraint docket_part_act_fk foreign key (farm_id, act_id) references act,
    constraint docket_part_line_fk foreign key (farm_id, docket, line) references docket_line,
    constraint docket_part_grams_range check (grams > 0)
);
create index docket_part_by_docket on docket_part (farm_id, docket, line);
call make_posted_only('docket_part');

create table market_day (
    farm_id       int     not null,
    market_day    text    not null,
    stall         text    not null,
    customer      text    not null,
    day           date    not null,
    status        text    not null,
    out_act       uuid    not null,
    close_act     uuid,
    float_amount  numeric(14,4) not null,
    cash          numeric(14,4),
    card          numeric(14,4),
    fee           numeric(14,4),
    -- Takings without tax, whatever was sold.
    net           numeric(14,4),
    -- What the takings are more than the tallied prices because cash totals were rounded; below zero where less.
    cash_rounding numeric(14,4),
    -- Why the box and the cards are not what the tally says; blank where they are.
    difference_reason text,
    constraint market_day_pk primary key (farm_id, market_day),
    constraint market_day_stall_fk foreign key (farm_id, stall) references place,
    constraint market_day_customer_fk foreign key (farm_id, customer) references customer,
    constraint market_day_out_act_fk foreign key (farm_id, out_act) references act,
    constraint market_day_close_act_fk foreign key (farm_id, close_act) references act,
    constraint market_day_status_known check (status in ('open', 'closed')),
    constraint market_day_float_amount_range check (float_amount between 0 and 100000),
    constraint market_day_cash_range check (cash between 0 and 1000000),
    constraint market_day_card_range check (card between 0 and 1000000),
    constraint market_day_fee_range check (fee between 0 and 100000),
    constraint market_day_net_range check (net between least(cash_rounding, 0) and cash - float_amount + card),
    constraint market_day_cash_rounding_range check (cash_rounding between -100000 and 100000),
    constraint market_day_difference_reason_length check (length(difference_reason) <= 200),
    constraint market_day_close_whole check (
        (status = 'closed') = (close_act is not null and cash is not null and card is not null and fee is not null and net is not null
                               and cash_rounding is not null and difference_reason is not null))
);
call enable_tenant_rls('market_day');

-- A sale as it was tallied at the stall: what somebody bought and paid at once. What it moved and what it earned is posted when the day is
-- cashed up; until then this says what should be in the box.
create table tally_sale (
    farm_id      int         not null,
    tally_sale   uuid        not null,
    market_day   text        not null,
    sold_at      timestamptz not null,
    method       text        not null,
    -- The sum of its lines, tax included.
    total        numeric(14,4) not null,
    -- What was paid beside that because there is no smaller coin.
    cash_rounding numeric(14,4) not null,
    sold_by      text        not null,
    -- Who was signed in.
    entered_by   text        not null,
    recorded_at  timestamptz not null,
    constraint tally_sale_pk primary key (farm_id, tally_sale),
    constraint tally_sale_market_day_fk foreign key (farm_id, market_day) references market_day,
    constraint tally_sale_sold_at_range check (sold_at between '2000-01-01Z' and '2200-01-01Z'),
    constraint tally_sale_method_known check (method in ('cash', 'card')),
    constraint tally_sale_total_range check (total between 0 and 1000000),
    constraint tally_sale_cash_rounding_range check (cash_rounding between -1000 and 1000 and total + cash_rounding >= 0),
    constraint tally_sale_cash_rounding_apart check (method = 'cash' or cash_rounding = 0),
    constraint tally_sale_sold_by_length check (length(sold_by) between 1 and 40),
    constraint tally_sale_recorded_at_range check (recorded_at between '2000-01-01Z' and '2200-01-01Z')
);
create index tally_sale_by_day on tally_sale (farm_id, market_day, sold_at, tally_sale);
call make_posted_only('tally_sale');

-- Grams of what is sold loose, at a price a kilogram; packs and what they weigh by their label, at a price a pack. Tax is in the price.
create table tally_line (
    farm_id     int    not null,
    tally_sale  uuid   not null,
    line        int    not null,
    product     text   not null,
    packs       int,
    grams       bigint not null,
    price       numeric(14,4) not null,
    amount      numeric(14,4) not null,
    constraint tally_line_pk primary key (farm_id, tally_sale, line),
    constraint tally_line_sale_fk foreign key (farm_id, tally_sale) references tally_sale,
    constraint tally_line_product_fk foreign key (farm_id, product) references product,
    constraint tally_line_line_range check (line between 1 and 50),
    constraint tally_line_packs_range check (packs between 1 and 1000),
    constraint tally_line_grams_range check (grams between 1 and 25000000),
    constraint tally_line_price_range check (price > 0 and price <= 1000000),
    constraint tally_line_amount_range check (
        amount > 0 and amount <= 1000000 and abs(amount - price * coalesce(packs, grams / 1000.0)) <= 0.5)
);
call make_posted_only('tally_line');

create table tally_reversal (
    farm_id      int         not null,
    tally_sale   uuid        not null,
    reversed_at  timestamptz not null,
    reversed_by  text        not null,
    -- Who was signed in.
    entered_by   text        not null,
    constraint tally_reversal_pk primary key (farm_id, tally_sale),
    constraint tally_reversal_sale_fk foreign key (farm_id, tally_sale) references tally_sale,
    constraint tally_reversal_reversed_by_length check (length(reversed_by) between 1 and 40),
    constraint tally_reversal_reversed_at_range check (reversed_at between '2000-01-01Z' and '2200-01-01Z')
);
call make_posted_only('tally_reversal');

-- What a stall sold, line by line, without what was taken back.
create view tallied with (security_invoker) as
    select s.farm_id, s.market_day, s.tally_sale, l.product, l.packs, l.grams, l.amount
      from tally_sale s join tally_line l using (farm_id, tally_sale)
     where not exists (select from tally_reversal r where r.farm_id = s.farm_id and r.tally_sale = s.tally_sale);
grant select on tallied to gillbook_app, gillbook_audit;

-- The refusal to tally, or to take back, what a stall sold on a day that is cashed up. The day is held until the entry is written.
create procedure expect_stall_open(farm int, code text)
    language plpgsql as $$
begin
    perform from market_day y where y.farm_id = farm and y.market_day = code and y.status = 'open' for share;
    if not found then
        raise exception 'market day % is not open', code
            using errcode = 'restrict_violation', constraint = 'record_is_kept', table = 'tally_sale';
    end if;
end $$;

create function post_tally_sale(farm int, document jsonb) returns void
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    s tally_sale := jsonb_populate_record(null::tally_sale, document - 'lines');
begin
    s.farm_id := farm;
    call expect_stall_open(farm, s.market_day);
    insert into tally_sale select s.*;
    insert into tally_line
    select * from jsonb_populate_recordset(null::tally_line, coalesce(
        rows_of_entry(document -> 'lines', jsonb_build_object('farm_id', farm, 'tally_sale', s.tally_sale), '{}'), '[]'));
    if s.total is distinct from (select sum(l.amount) from tally_line l where l.farm_id = farm and l.tally_sale = s.tally_sale)
       or 2 * abs(s.cash_rounding) > (select f.cash_step from farm f where f.farm_id = farm) then
        raise exception 'sale % does not add up', s.tally_sale
            using errcode = 'check_violation', constraint = 'tally_sale_adds_up', table = 'tally_sale';
    end if;
end $$;
revoke execute on function post_tally_sale from public;
grant execute on function post_tally_sale to gillbook_app;

create function reverse_tally_sale(farm int, document jsonb) returns void
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    r tally_reversal := jsonb_populate_record(null::tally_reversal, document);
    code text := (select s.market_day from tally_sale s where s.farm_id = farm and s.tally_sale = r.tally_sale);
begin
    r.farm_id := farm;
    call expect_stall_open(farm, code);
    insert into tally_reversal select r.*;
end $$;
revoke execute on function reverse_tally_sale from public;
grant execute on function reverse_tally_sale to gillbook_app;

-- What the stall sold of each lot, and its share of the takings: with tax, without, and of the fee. The product and its price are those
-- that the share was made by.
create table market_sale (
    farm_id       int    not null,
    market_day    text   not null,
    lot           text   not null,
    grams         bigint not null,
    product       text,
    price_per_kg  numeric(14,4),
    tax_percent   numeric(6,3) not null,
    amount        numeric(14,4) not null,
    net           numeric(14,4) not null,
    fee           numeric(14,4) not null,
    constraint market_sale_pk primary key (farm_id, market_day, lot),
    constraint market_sale_market_day_fk foreign key (farm_id, market_day) references market_day,
    constraint market_sale_lot_fk foreign key (farm_id, lot) references lot,
    constraint market_sale_product_fk foreign key (farm_id, product) references product,
    constraint market_sale_grams_range check (grams > 0),
    constraint market_sale_price_per_kg_range check (price_per_kg >= 0),
    constraint market_sale_tax_percent_range check (tax_percent between 0 and 100),
    constraint market_sale_amount_range check (amount >= 0),
    constraint market_sale_net_range check (net between 0 and amount),
    constraint market_sale_fee_range check (fee >= 0)
);
call make_posted_only('market_sale');

-- A recall, or a rehearsal of one: what it started from, and why. Its code is the document of the holds that it made.
create table recall (
    farm_id      int         not null,
    recall       text        not null,
    kind         text        not null,
    starts_from  text        not null,
    code         text        not null,
    -- Of a place: the instant at which the goods were in it.
    at           timestamptz,
    reason       text        not null,
    -- Whether its lots are on hold until it ends.
    holds        boolean     not null,
    started_at   timestamptz not null,
    done_by      text        not null,
    entered_by   text        not null,
    constraint recall_pk primary key (farm_id, recall),
    constraint recall_farm_fk foreign key (farm_id) references farm,
    constraint recall_kind_known check (kind in ('recall', 'rehearsal')),
    constraint recall_starts_from_known check (starts_from in ('lot', 'batch', 'cook', 'docket', 'customer', 'strain', 'place')),
    constraint recall_code_length check (length(code) between 1 and 20),
    constraint recall_at_needed check ((starts_from = 'place') = (at is not null)),
    constraint recall_holds_needed check (holds or kind = 'rehearsal'),
    constraint recall_reason_length check (length(reason) between 1 and 200),
    constraint recall_done_by_length check (length(done_by) between 1 and 60),
    constraint recall_entered_by_length check (length(entered_by) between 1 and 100)
);
create index recall_by_time on recall (farm_id, started_at, recall);
call make_append_only('recall');

-- The lots that a recall started from. What was made of them is recalled with them.
create table recall_lot (
    farm_id  int  not null,
    recall   text not null,
    lot      text not null,
    constraint recall_lot_pk primary key (farm_id, recall, lot),
    constraint recall_lot_recall_fk foreign key (farm_id, recall) references recall,
    constraint recall_lot_lot_fk foreign key (farm_id, lot) references lot
);
create index recall_lot_by_lot on recall_lot (farm_id, lot);
call make_append_only('recall_lot');

-- That a customer was told of a recall.
create table recall_told (
    farm_id      int         not null,
    recall       text        not null,
    -- In the order of writing: the last says how it stands.
    seq          int         not null,
    customer     text        not null,
    told_how      text        not null,
    note         text        not null,
    told_at      timestamptz not null,
    recorded_at  timestamptz not null,
    done_by      text        not null,
    entered_by   text        not null,
    constraint recall_told_pk primary key (farm_id, recall, seq),
    constraint recall_told_seq_range check (seq >= 1),
    constraint recall_told_recall_fk foreign key (farm_id, recall) references recall,
    constraint recall_told_customer_fk foreign key (farm_id, customer) references customer,
    constraint recall_told_told_how_known check (told_how in ('telephone', 'email', 'letter', 'in_person', 'notice', 'not_reached')),
    constraint recall_told_note_length check (length(note) <= 200),
    constraint recall_told_done_by_length check (length(done_by) between 1 and 60),
    constraint recall_told_entered_by_length check (length(entered_by) between 1 and 100)
);
create index recall_told_how_recall on recall_told (farm_id, recall, told_at);
call make_append_only('recall_told');

create table recall_end (
    farm_id     int         not null,
    recall      text        not null,
    ended_at    timestamptz not null,
    note        text        not null,
    entered_by  text        not null,
    -- Whether it let go of what it held.
    released    boolean     not null,
    -- What was known when it ended, as the interface answers it.
    report      jsonb       not null,
    constraint recall_end_pk primary key (farm_id, recall),
    constraint recall_end_recall_fk foreign key (farm_id, recall) references recall,
    constraint recall_end_note_length check (length(note) <= 1000),
    constraint recall_end_entered_by_length check (length(entered_by) between 1 and 100)
);
call make_append_only('recall_end');

-- Recalls and rehearsals that have not ended.
create view recall_under_way with (security_invoker) as
    select r.* from recall r where not exists (select from recall_end e where e.farm_id = r.farm_id and e.recall = r.recall);
grant select on recall_under_way to gillbook_app, gillbook_audit;

-- Batches that a recall under way holds: the one that it starts from, or those of its sterilising run.
create view batch_recalled with (security_invoker) as
    select b.farm_id, b.batch, r.recall, r.started_at
      from recall_under_way r join batch b on b.farm_id = r.farm_id and (r.starts_from = 'batch' and b.batch = r.code or r.starts_from = 'cook' and b.cook = r.code)
     where r.holds;
grant select on batch_recalled to gillbook_app, gillbook_audit;

-- Lots that a recall under way has on hold: those that it found, and what was weighed of its batches since.
create view lot_recalled with (security_invoker) as
    select l.farm_id, l.lot, r.recall, r.started_at from recall_under_way r join recall_lot l using (farm_id, recall) where r.holds
    union
    select b.farm_id, w.lot, b.recall, b.started_at
      from batch_recalled b join weighing_source s on s.farm_id = b.farm_id and s.batch = b.batch join weighing w on w.farm_id = s.farm_id and w.act_id = s.act_id
     where not exists (select from act x where x.farm_id = w.farm_id and x.reverses = w.act_id);
grant select on lot_recalled to gillbook_app, gillbook_audit;

-- A batch that is written down under a sterilising run which is being recalled is on hold like the others of it.
create function hold_recalled_batch() returns trigger
    language plpgsql as $$
begin
    insert into batch_event (farm_id, batch, seq, kind, reason, recall, happened_at, recorded_at, done_by, entered_by)
    select r.farm_id, r.batch, 1, 'hold', c.reason, r.recall, new.recorded_at, new.recorded_at, c.done_by, c.entered_by
      from batch_recalled r join recall c on c.farm_id = r.farm_id and c.recall = r.recall
     where r.farm_id = new.farm_id and r.batch = new.batch order by r.started_at limit 1;
    return null;
end $$;
create trigger hold_recalled after insert on batch for each row when (new.cook is not null) execute function hold_recalled_batch();

-- An act is whole or it is not there.

-- Whether the row is there that says what an act of its kind was: a count without what was counted, or a finish without a finished lot, is
-- a movement that nobody can explain.
create function act_is_documented(farm int, act uuid, act_kind text) returns boolean
    language sql stable
    return case act_kind
        when 'weighing' then exists (select from weighing w where w.farm_id = farm and w.act_id = act)
        when 'count' then exists (select from stock_count c where c.farm_id = farm and c.act_id = act)
        when 'finish' then exists (select from lot_event e where e.farm_id = farm and e.act_id = act and e.kind = 'finish')
        when 'packing' then exists (select from lot_link k where k.farm_id = farm and k.act_id = act)
        when 'dispatch' then exists (select from docket d where d.farm_id = farm and d.act_id = act)
        when 'delivery' then exists (select from delivery v where v.farm_id = farm and v.act_id = act)
        when 'return' then exists (select from docket_part p where p.farm_id = farm and p.act_id = act)
        when 'market_out' then exists (select from market_day y where y.farm_id = farm and y.out_act = act)
        when 'market_close' then exists (select from market_day y where y.farm_id = farm and y.close_act = act)
        when 'week_close' then exists (select from week_close c where c.farm_id = farm and c.act_id = act)
        else act_kind in ('opening', 'transfer', 'waste', 'gift', 'test', 'trim', 'home', 'reversal')
    end;

-- What is wrong with what an act says it was; null where nothing is. A count may find what the book has, a lot, a week or a stall may be
-- closed with nothing left, and a customer may refuse everything: those move nothing, nor do their reversals.
create function kind_broken(a act) returns text
    language plpgsql stable as $$
begin
    if not act_is_documented(a.farm_id, a.act_id, a.kind) then
        return 'act_is_documented';
    elsif a.kind not in ('count', 'finish', 'week_close', 'market_close', 'delivery')
       and not (a.kind = 'reversal' and not exists (select from movement m where m.farm_id = a.farm_id and m.act_id = a.reverses))
       and not exists (select from movement m where m.farm_id = a.farm_id and m.act_id = a.act_id) then
        return 'act_moves_something';
    elsif a.kind = 'reversal' and (
            (select o.kind from act o where o.farm_id = a.farm_id and o.act_id = a.reverses) in ('reversal', 'week_close', 'market_out', 'market_close')
            or (select o.happened_at from act o where o.farm_id = a.farm_id and o.act_id = a.reverses) <> a.happened_at
            or exists (select from docket d join delivery v using (farm_id, docket) where d.farm_id = a.farm_id and d.act_id = a.reverses
                          and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id))) then
        return 'act_reversal_allowed';
    elsif a.kind = 'reversal' and exists (
            select from act o join docket_line_billed b on b.farm_id = o.farm_id and b.docket = o.document and b.grams > 0
             where o.farm_id = a.farm_id and o.act_id = a.reverses and o.kind in ('dispatch', 'delivery')) then
        return 'docket_not_invoiced';
    elsif a.kind = 'reversal' and exists (
            (select m.leg, m.lot, m.from_place, m.to_place, m.grams from movement m
              where m.farm_id = a.farm_id and m.act_id = a.act_id
             except
             select m.leg, m.lot, m.to_place, m.from_place, m.grams from movement m
              where m.farm_id = a.farm_id and m.act_id = a.reverses)
            union all
            (select m.leg, m.lot, m.to_place, m.from_place, m.grams from movement m
              where m.farm_id = a.farm_id and m.act_id = a.reverses
             except
             select m.leg, m.lot, m.from_place, m.to_place, m.grams from movement m
              where m.farm_id = a.farm_id and m.act_id = a.act_id)) then
        return 'act_reversal_whole';
    end if;
    return null;
end $$;

-- What does not add up of its lots; null where all does.
create function lots_broken(a act) returns text
    language plpgsql stable as $$
begin
    if a.kind = 'finish' and exists (
            select from movement m where m.farm_id = a.farm_id and m.act_id = a.act_id
               and not exists (select from lot_event e where e.farm_id = m.farm_id and e.act_id = m.act_id and e.lot = m.lot))
       or a.kind = 'finish' and exists (
            select from lot_event e join balance b using (farm_id, lot) join place p using (farm_id, place)
             where e.farm_id = a.farm_id and e.act_id = a.act_id and p.kind in ('fridge', 'shelf', 'van', 'stall') and b.grams > 0) then
        return 'act_finish_its_own';
    elsif exists (select from lot_link k join lot p on p.farm_id = k.farm_id and p.lot = k.parent join lot c on c.farm_id = k.farm_id and c.lot = k.child
                   where k.farm_id = a.farm_id and k.act_id = a.act_id and p.strain <> c.strain) then
        return 'act_strains_apart';
    elsif (select coalesce(sum(case t.kind when 'packing' then m.grams else 0 end), 0)
                - coalesce(sum(case f.kind when 'packing' then m.grams else 0 end), 0)
             from movement m
             join place f on f.farm_id = m.farm_id and f.place = m.from_place
             join place t on t.farm_id = m.farm_id and t.place = m.to_place
            where m.farm_id = a.farm_id and m.act_id = a.act_id) <> 0 then
        return 'act_packing_adds_up';
    elsif a.kind = 'weighing' and not exists (
            select from weighing w
             where w.farm_id = a.farm_id and w.act_id = a.act_id
               and w.net_g + w.trim_g = (select sum(m.grams) from movement m
                                          where m.farm_id = a.farm_id and m.act_id = a.act_id and m.lot = w.lot)
               and w.net_g = (select sum(m.grams) from movement m
                               where m.farm_id = a.farm_id and m.act_id = a.act_id and m.to_place = w.place)
               and w.net_g + w.trim_g = (select sum(m.grams) from movement m where m.farm_id = a.farm_id and m.act_id = a.act_id)
               and w.trim_g = (select coalesce(sum(m.grams), 0) from movement m join place t on t.farm_id = m.farm_id and t.place = m.to_place
                                where m.farm_id = a.farm_id and m.act_id = a.act_id and t.kind = 'trim')
               and w.net_g + w.trim_g = (select sum(s.grams) from weighing_source s
                                          where s.farm_id = a.farm_id and s.act_id = a.act_id)) then
        return 'act_weighing_adds_up';
    elsif a.kind in ('packing', 'market_close') and exists (
            select from (
                select m.lot, sum(m.grams) as moved
                  from movement m join place p on p.farm_id = m.farm_id and p.place = m.from_place
                 where m.farm_id = a.farm_id and m.act_id = a.act_id and p.kind = 'packing'
                 group by m.lot) made
            full join (
                select l.child as lot, sum(l.grams) as linked from lot_link l
                 where l.farm_id = a.farm_id and l.act_id = a.act_id group by l.child) links using (lot)
            where made.moved is distinct from links.linked) then
        return 'act_children_add_up';
    elsif a.kind in ('packing', 'market_close') and exists (
            select from (
                select m.lot, sum(m.grams) as moved
                  from movement m join place p on p.farm_id = m.farm_id and p.place = m.to_place
                 where m.farm_id = a.farm_id and m.act_id = a.act_id and p.kind = 'packing'
                 group by m.lot) gone
            full join (
                select l.parent as lot, sum(l.grams) as linked from lot_link l
                 where l.farm_id = a.farm_id and l.act_id = a.act_id group by l.parent) links using (lot)
            where gone.moved is distinct from links.linked) then
        return 'act_parents_add_up';
    elsif a.kind = 'count' and exists (
            select from (
                select m.lot, case f.kind when 'found' then m.to_place else m.from_place end as place,
                       sum(case f.kind when 'found' then m.grams else -m.grams end) as moved
                  from movement m join place f on f.farm_id = m.farm_id and f.place = m.from_place
                 where m.farm_id = a.farm_id and m.act_id = a.act_id
                 group by 1, 2) booked
            full join (
                select c.lot, c.place, c.counted_g - c.book_g as found from stock_count c
                 where c.farm_id = a.farm_id and c.act_id = a.act_id) counted using (lot, place)
            where coalesce(booked.moved, 0) <> coalesce(counted.found, 0)) then
        return 'act_count_adds_up';
    end if;
    return null;
end $$;

-- What does not add up of its docket or market day; null where all does.
create function papers_broken(a act) returns text
    language plpgsql stable as $$
begin
    if a.kind in ('dispatch', 'delivery', 'return') and exists (
            select from docket d join movement m on m.farm_id = a.farm_id and m.act_id = a.act_id
              join place f on f.farm_id = m.farm_id and f.place = m.from_place
              join place t on t.farm_id = m.farm_id and t.place = m.to_place
             where d.farm_id = a.farm_id and d.docket = a.document
               and (a.kind = 'dispatch' and m.to_place <> coalesce(d.van, d.customer)
                    or f.kind = 'customer' and m.from_place <> d.customer or t.kind = 'customer' and m.to_place <> d.customer
                    or t.kind = 'van' and m.to_place is distinct from d.van or f.kind = 'van' and m.from_place is distinct from d.van))
       or a.kind in ('dispatch', 'delivery', 'return') and (
            not exists (select from docket d where d.farm_id = a.farm_id and d.docket = a.document)
            or exists (select from docket_part p where p.farm_id = a.farm_id and p.act_id = a.act_id and p.docket <> a.document)
            or a.kind = 'dispatch' and not exists (
                select from docket d join customer_order o using (farm_id, order_code)
                 where d.farm_id = a.farm_id and d.docket = a.document and d.act_id = a.act_id and d.customer = o.customer)) then
        return 'act_docket_its_own';
    elsif a.kind = 'delivery' and exists (
            select from delivery v join docket d using (farm_id, docket)
             where v.farm_id = a.farm_id and v.act_id = a.act_id
               and (a.document is distinct from v.docket or d.van is null
                    or exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id)
                    or exists (select from delivery o where o.farm_id = v.farm_id and o.docket = v.docket and o.act_id <> v.act_id
                                  and not exists (select from act x where x.farm_id = o.farm_id and x.reverses = o.act_id)))) then
        return 'act_delivery_once';
    elsif a.kind = 'dispatch' and exists (
            select from (
                select m.lot, m.from_place as place, sum(m.grams) as moved from movement m
                 where m.farm_id = a.farm_id and m.act_id = a.act_id group by 1, 2) went
            full join (
                select l.lot, l.place, sum(l.grams) as said from docket d join docket_line l using (farm_id, docket)
                 where d.farm_id = a.farm_id and d.act_id = a.act_id group by 1, 2) lines using (lot, place)
            where went.moved is distinct from lines.said) then
        return 'act_docket_adds_up';
    elsif exists (select from docket_part p join docket_line l using (farm_id, docket, line)
                   where p.farm_id = a.farm_id and p.act_id = a.act_id and p.grams > l.grams)
       or a.kind in ('dispatch', 'delivery', 'return') and exists (
            select from (
                select m.lot, sum(m.grams) as moved
                  from movement m
                  join place f on f.farm_id = m.farm_id and f.place = m.from_place
                  join place t on t.farm_id = m.farm_id and t.place = m.to_place
                 where m.farm_id = a.farm_id and m.act_id = a.act_id and 'customer' in (f.kind, t.kind)
                 group by m.lot) went
            full join (
                select l.lot, sum(p.grams) as said from docket_part p join docket_line l using (farm_id, docket, line)
                 where p.farm_id = a.farm_id and p.act_id = a.act_id group by l.lot) parts using (lot)
            where went.moved is distinct from parts.said) then
        return 'act_docket_parts_add_up';
    elsif a.kind = 'delivery' and exists (
            select from docket_line l
              left join docket_part p on p.farm_id = l.farm_id and p.act_id = a.act_id and p.docket = l.docket and p.line = l.line
              left join docket_refusal r on r.farm_id = l.farm_id and r.act_id = a.act_id and r.docket = l.docket and r.line = l.line
             where l.farm_id = a.farm_id and l.docket = a.document and l.grams <> coalesce(p.grams, 0) + coalesce(r.grams, 0)) then
        return 'act_docket_refusals_add_up';
    elsif a.kind in ('market_out', 'market_close') and exists (
            select from market_day y join movement m on m.farm_id = y.farm_id and m.act_id = a.act_id
              join place f on f.farm_id = m.farm_id and f.place = m.from_place
             where y.farm_id = a.farm_id and a.act_id in (y.out_act, y.close_act)
               and y.stall <> case when a.kind = 'market_out' then m.to_place when f.kind = 'packing' then y.stall else m.from_place end) then
        return 'act_stall_its_own';
    elsif a.kind = 'market_close' and exists (
            select from (
                select m.lot, sum(m.grams) as moved
                  from movement m join place t on t.farm_id = m.farm_id and t.place = m.to_place
                 where m.farm_id = a.farm_id and m.act_id = a.act_id and t.kind = 'customer'
                 group by m.lot) went
            full join (
                select s.lot, sum(s.grams) as said from market_day y join market_sale s using (farm_id, market_day)
                 where y.farm_id = a.farm_id and y.close_act = a.act_id group by s.lot) sales using (lot)
            where went.moved is distinct from sales.said) then
        return 'act_market_sales_add_up';
    end if;
    return null;
end $$;

create procedure expect_whole(a act)
    language plpgsql as $$
declare
    broken text := coalesce(kind_broken(a), lots_broken(a), papers_broken(a));
    goods record;
begin
    if broken is not null then
        raise exception 'act % does not add up: %', a.act_id, broken
            using errcode = 'check_violation', constraint = broken, table = 'act';
    end if;
    -- With a delivery taken back its docket is open again.
    for goods in
        select distinct l.lot, d.van from delivery v join docket d using (farm_id, docket) join docket_line l using (farm_id, docket)
         where v.farm_id = a.farm_id and v.act_id = a.reverses and d.van is not null
    loop
        call expect_dockets_kept(a.farm_id, goods.lot, goods.van);
    end loop;
end $$;

create function refuse_closed_day() returns trigger
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    if old.status = 'closed' then
        raise exception 'market day % is closed', old.market_day
            using errcode = 'restrict_violation', constraint = 'record_is_kept', table = 'market_day';
    end if;
    return new;
end $$;
create trigger closed_day_kept before update on market_day for each row execute function refuse_closed_day();

-- Locks what a decision will stand on, before it is looked at: the farm's weeks against being closed, then orders, places, batches, and
-- lots. Everything that writes does so in this order, and the posting takes its own locks behind them: the day's lot of a strain, and
-- numbers. Of places only a stall is locked: what stands there is sold when its day is closed, so what comes to it meanwhile waits.
create function lock_heads(farm int, orders text[], places text[], batches text[], lots text[]) returns void
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
begin
    perform lock_weeks(farm, false);
    perform from customer_order o where o.farm_id = farm and o.order_code = any (orders) order by o.order_code for update;
    perform from place p where p.farm_id = farm and p.place = any (places) and p.kind = 'stall' order by p.place for no key update;
    perform from batch b where b.farm_id = farm and b.batch = any (batches) order by b.batch for no key update;
    perform from lot l where l.farm_id = farm and l.lot = any (lots) order by l.lot for no key update;
end $$;
revoke execute on function lock_heads from public;
grant execute on function lock_heads to gillbook_app;

-- Locks an order, and then, as they are behind that lock, what is set aside for it, some lots, and all in a fridge or on a shelf that it could be
-- filled from.
create function lock_order_goods(farm int, ordered text, chosen text[]) returns void
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    perform lock_heads(farm, array[ordered], '{}', '{}', '{}');
    perform lock_heads(farm, '{}', '{}', '{}', array(
        select s.lot from set_aside s where s.farm_id = farm and s.order_code = ordered
        union
        select l.lot from order_line o join product_strain t using (farm_id, product) join lot l on l.farm_id = o.farm_id and l.strain = t.strain
          join balance b on b.farm_id = l.farm_id and b.lot = l.lot and b.grams > 0
          join place p on p.farm_id = b.farm_id and p.place = b.place and p.kind in ('fridge', 'shelf')
         where o.farm_id = farm and o.order_code = ordered
        union
        select unnest(chosen)));
end $$;

-- Sets grams aside for an order's lines, in place of what was.
create function replace_set_aside(farm int, ordered text, lines int[], lots text[], places text[], amounts bigint[], reasons text[],
                                  packed timestamptz[], unpacked timestamptz[]) returns void
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
begin
    delete from set_aside s where s.farm_id = farm and s.order_code = ordered;
    -- An order that lots are set aside for is that person's, whatever the standing order says later.
    if cardinality(lots) > 0 then
        update customer_order o set follows_standing = false where o.farm_id = farm and o.order_code = ordered and o.follows_standing;
    end if;
    insert into set_aside (farm_id, order_code, line, lot, place, grams, reason, packed_at, unpacked_at)
    select farm, ordered, n, l, p, g, why, at, undone
      from unnest(lines, lots, places, amounts, reasons, packed, unpacked) as u(n, l, p, g, why, at, undone);
end $$;

-- A lot for an entry: a row of `lot`, without its code and entry. With `joins` a harvest goes into the lot of its strain, grade, packaging and
-- day where there is one that is not finished and stands as it does: not on hold, or on hold for `held`. `stem` is what the code begins with.
create function lot_for_entry(farm int, entry uuid, wanted jsonb, held text) returns text
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
declare
    l lot := jsonb_populate_record(null::lot, wanted);
begin
    l.farm_id := farm;
    l.began_by := entry;
    if (wanted ->> 'joins')::boolean then
        -- One at a time for a strain and day, so that two scales do not begin the same lot twice.
        perform pg_advisory_xact_lock(hashtextextended(format('lot %s', wanted ->> 'stem'), farm));
        loop
            select o.lot into l.lot from lot o
             where o.farm_id = farm and o.strain = l.strain and o.grade = l.grade and o.packaging = l.packaging and o.harvest_day = l.harvest_day
               and o.origin = 'harvest' and not lot_finished(farm, o.lot)
               and (select h.document from lot_hold h where h.farm_id = farm and h.lot = o.lot) is not distinct from held
               and (held is not null or lot_held_since(farm, o.lot) is null)
             order by length(o.lot), o.lot limit 1;
            exit when not found;
            -- Behind its lock nobody puts it on hold or finishes it; somebody may have while that was waited for.
            perform from lot o where o.farm_id = farm and o.lot = l.lot for no key update;
            if not lot_finished(farm, l.lot) and (held is not null or lot_held_since(farm, l.lot) is null)
               and (select h.document from lot_hold h where h.farm_id = farm and h.lot = l.lot) is not distinct from held then
                return l.lot;
            end if;
        end loop;
    end if;
    l.lot := format('%s-%s', wanted ->> 'stem', next_number(farm, format('lot %s', wanted ->> 'stem')));
    insert into lot select l.*;
    return l.lot;
end $$;

revoke execute on function lot_for_entry from public;

-- Rows of an entry: each is of its farm, act and document, whatever it says, and a lot or child that is `#n` is the n-th that the entry made.
create function rows_of_entry(written jsonb, head jsonb, made text[]) returns jsonb
    language sql immutable set search_path = pg_catalog, public, pg_temp
    return (select jsonb_agg(r || head
                     || case when r ->> 'lot' like '#%' then jsonb_build_object('lot', made[substr(r ->> 'lot', 2)::int]) else '{}' end
                     || case when r ->> 'child' like '#%' then jsonb_build_object('child', made[substr(r ->> 'child', 2)::int]) else '{}' end
                   order by n)
              from jsonb_array_elements(written) with ordinality as u(r, n));

-- A child of a lot on hold begins on hold.
create procedure inherit_holds(a act)
    language plpgsql as $$
begin
    perform write_lot_events(a.farm_id, jsonb_agg(jsonb_build_object(
        'event_id', gen_random_uuid(), 'lot', k.child, 'kind', 'hold', 'reason', h.reason, 'happened_at', a.recorded_at, 'recorded_at', a.recorded_at,
        'done_by', left(a.entered_by, 60), 'entered_by', a.entered_by, 'document', h.document) order by k.child, k.parent), null)
      from lot_link k
      cross join lateral (select e.* from lot_event e where e.farm_id = k.farm_id and e.lot = k.parent and e.kind in ('hold', 'release')
                           order by e.seq desc limit 1) h
     where k.farm_id = a.farm_id and k.act_id = a.act_id and h.kind = 'hold'
    having count(*) > 0;
end $$;

-- What a lot's hold names that it has from a batch on hold: the recall that the batch is held for, or the batch itself, with the word in front,
-- as a batch may be called `RC-1`.
create function document_of_hold(h batch_hold) returns text
    language sql immutable
    return case when h.batch is not null then coalesce(h.recall, 'batch ' || h.batch) end;

-- The hold of the first batch on hold that a weighing comes from.
create function held_source(farm int, entry jsonb) returns batch_hold
    language sql stable set search_path = pg_catalog, public, pg_temp
    return (select h from jsonb_array_elements(entry -> 'sources') with ordinality s(source, n)
              join batch_hold h on h.farm_id = farm and h.batch = s.source ->> 'batch' order by s.n limit 1);

-- What is weighed of a batch on hold begins on hold.
create procedure hold_with_batch(a act, made text, h batch_hold)
    language plpgsql as $$
begin
    perform write_lot_events(a.farm_id, jsonb_build_array(jsonb_build_object(
        'event_id', gen_random_uuid(), 'lot', made, 'kind', 'hold', 'reason', h.reason, 'happened_at', a.recorded_at, 'recorded_at', a.recorded_at,
        'done_by', left(a.entered_by, 60), 'entered_by', a.entered_by, 'document', document_of_hold(h))), null);
end $$;

-- What an entry of a kind may have beside its legs.
create function parts_of_kind(act_kind text) returns text[]
    language sql immutable
    return case act_kind
        when 'weighing' then array['lots', 'weighing', 'sources']
        when 'opening' then array['lots']
        when 'packing' then array['lots', 'links', 'lot_events']
        when 'count' then array['counts', 'loss_warnings']
        when 'finish' then array['lot_events']
        when 'dispatch' then array['docket', 'docket_lines', 'docket_spells', 'docket_parts', 'order']
        when 'delivery' then array['delivery', 'docket_parts', 'docket_refusals', 'order']
        when 'return' then array['docket_parts']
        when 'market_out' then array['market_day']
        when 'market_close' then array['lots', 'links', 'market_close', 'market_sales']
        when 'week_close' then array['week_close']
        when 'reversal' then array['order']
        else '{}'
    end;

-- The one way into the book: writes an entry with all that belongs to it, moves the balances and checks every sum, or raises the constraint
-- that it breaks. `entry` has the row of `act`, the lots that it makes (see `lot_for_entry`), and the rows of each table under its name. Rows name
-- neither farm nor act; a dispatch and a market day are given their document here, by number and without a gap.
-- Gives the document, and the codes of the lots in the order asked for.
create function post_entry(farm int, entry jsonb, out document text, out lots text[])
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    a act := jsonb_populate_record(null::act, entry -> 'act');
    head jsonb;
    made text[] := '{}';
    wanted jsonb;
    given bigint;
    day date;
    held batch_hold := held_source(farm, entry);
begin
    if entry - array['act', 'legs'] - parts_of_kind(a.kind) <> '{}' then
        raise exception 'act % does not add up: act_parts_known, a % with %', a.act_id, a.kind, array(select jsonb_object_keys(entry))
            using errcode = 'check_violation', constraint = 'act_parts_known', table = 'act';
    end if;
    a.farm_id := farm;
    a.after_close := false;
    if a.kind = 'dispatch' then
        given := next_number(farm, 'docket');
        a.document := format('D-%s', given);
    elsif a.kind = 'market_out' then
        a.document := format('M-%s', next_number(farm, 'market day'));
    end if;
    insert into act select a.* on conflict on constraint act_pk do nothing;
    if not found then
        raise exception 'entry % is there', a.act_id
            using errcode = 'unique_violation', constraint = 'act_pk', table = 'act',
                  detail = format('%s|%s', a.kind, (select o.kind from act o where o.farm_id = farm and o.act_id = a.act_id));
    end if;
    -- What is sold bears the day on which the customer had it. What is only loaded into a van, or refused whole, is not sold.
    if a.kind = 'market_close' or entry ? 'docket_parts'
       or a.kind = 'reversal' and exists (select from docket_part p where p.farm_id = farm and p.act_id = a.reverses) then
        day := (select (a.happened_at at time zone f.zone)::date from farm f where f.farm_id = farm);
        call expect_unlocked(farm, day);
    end if;
    head := jsonb_build_object('farm_id', farm, 'act_id', a.act_id, 'docket', a.document, 'market_day', a.document, 'number', given);

    for wanted in select * from jsonb_array_elements(entry -> 'lots') loop
        made := made || lot_for_entry(farm, a.act_id, wanted, document_of_hold(held));
    end loop;
    if entry ? 'links' then
        insert into lot_link select * from jsonb_populate_recordset(null::lot_link, rows_of_entry(entry -> 'links', head, made));
        call inherit_holds(a);
    end if;
    if entry ? 'weighing' then
        insert into weighing select * from jsonb_populate_recordset(null::weighing, rows_of_entry(entry -> 'weighing', head, made));
        insert into weighing_source select * from jsonb_populate_recordset(null::weighing_source, rows_of_entry(entry -> 'sources', head, made));
        if held.batch is not null then
            call hold_with_batch(a, made[1], held);
        end if;
    end if;
    if entry ? 'counts' then
        insert into stock_count select * from jsonb_populate_recordset(null::stock_count, rows_of_entry(entry -> 'counts', head, made));
    end if;
    if entry ? 'loss_warnings' then
        insert into loss_warning select * from jsonb_populate_recordset(null::loss_warning, rows_of_entry(entry -> 'loss_warnings', head, made));
    end if;
    if entry ? 'docket' then
        insert into docket select * from jsonb_populate_recordset(null::docket, rows_of_entry(entry -> 'docket', head, made));
        insert into docket_line select * from jsonb_populate_recordset(null::docket_line, rows_of_entry(entry -> 'docket_lines', head, made));
        insert into docket_spell select * from jsonb_populate_recordset(null::docket_spell, rows_of_entry(entry -> 'docket_spells', head, made));
    end if;
    -- Before the legs: until it is handed over, the docket keeps its grams in the van.
    if entry ? 'delivery' then
        insert into delivery select * from jsonb_populate_recordset(null::delivery, rows_of_entry(entry -> 'delivery', head, made));
    end if;
    if entry ? 'docket_refusals' then
        insert into docket_refusal select * from jsonb_populate_recordset(null::docket_refusal, rows_of_entry(entry -> 'docket_refusals', head, made));
    end if;
    if entry ? 'order' then
        delete from set_aside s where s.farm_id = farm and s.order_code = entry #>> '{order,order_code}' and (entry #>> '{order,release}')::boolean;
        update customer_order o set status = entry #>> '{order,status}', version = o.version + 1
         where o.farm_id = farm and o.order_code = entry #>> '{order,order_code}';
    end if;
    if entry ? 'legs' then
        insert into movement select * from jsonb_populate_recordset(null::movement, rows_of_entry(entry -> 'legs', head, made));
    end if;
    if entry ? 'docket_parts' then
        insert into docket_part select * from jsonb_populate_recordset(null::docket_part, rows_of_entry(entry -> 'docket_parts', head, made));
    end if;
    if entry ? 'lot_events' then
        perform write_lot_events(farm, rows_of_entry(entry -> 'lot_events', head, made), a.act_id);
    end if;
    if entry ? 'market_day' then
        insert into market_day (farm_id, market_day, stall, customer, day, status, out_act, float_amount)
        select farm, a.document, d.stall, d.customer, d.day, 'open', a.act_id, d.float_amount
          from jsonb_populate_record(null::market_day, entry -> 'market_day') d;
    end if;
    if entry ? 'market_close' then
        update market_day y set status = 'closed', close_act = a.act_id, cash = d.cash, card = d.card, fee = d.fee, net = d.net,
               cash_rounding = d.cash_rounding, difference_reason = d.difference_reason
          from jsonb_populate_record(null::market_day, entry -> 'market_close') d
         where y.farm_id = farm and y.market_day = a.document;
    end if;
    if entry ? 'market_sales' then
        insert into market_sale select * from jsonb_populate_recordset(null::market_sale, rows_of_entry(entry -> 'market_sales', head, made));
    end if;
    if entry ? 'week_close' then
        insert into week_close select * from jsonb_populate_recordset(null::week_close, rows_of_entry(entry -> 'week_close', head, made));
    end if;
    call expect_whole(a);
    document := a.document;
    lots := made;
end $$;
revoke execute on function post_entry from public;
grant execute on function post_entry to gillbook_app;
