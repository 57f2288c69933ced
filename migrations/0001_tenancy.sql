-- The ground everything stands on: how a farm's rows are kept apart, who may do what,
-- and how a request that is sent twice counts once.
--
-- Three roles exist before this file runs (see `roles.rs` in the store crate):
--   gillbook_owner  owns every object and cannot sign in,
--   gillbook_app    the service: selects and inserts, updates only what is not a record,
--   gillbook_audit  reads every farm, for `check`, export and backup.

-- The farm whose rows this transaction may touch. Set with `set local`, so that it ends with the transaction.
-- After its first use in a connection an unset setting reads as an empty string: that gives no farm, not an error.
create function current_farm() returns int
    language sql stable parallel safe
    return nullif(current_setting('gillbook.farm', true), '')::int;

-- The farms whose rows may be touched in the tables that work for several farms at once writes: group commit, evaluation, outbox.
create function current_farms() returns int[]
    language sql stable parallel safe
    return nullif(current_setting('gillbook.farms', true), '')::int[];

-- Puts a table under the farm rule. Forced, so that even the owner's own trigger functions
-- cannot reach across farms.
--
-- The rule is an equality, and every query names its farm by equality too: the planner then compares the two once and filters no row, and
-- it knows that one farm is meant. A rule over several farms, for the tables that are touched `across` farms, is looked up in each index
-- and makes a plan look dearer than it is; a sub-query in it is guessed to give ten farms.
create procedure enable_tenant_rls(t regclass, across boolean default false)
    language plpgsql as $$
declare
    rule text := case when across then 'farm_id = any (current_farms())' else 'farm_id = current_farm()' end;
begin
    execute format('alter table %s enable row level security', t);
    execute format('alter table %s force row level security', t);
    execute format(
        'create policy own_farm on %1$s to gillbook_app, gillbook_owner using (%2$s) with check (%2$s)', t, rule);
    execute format('create policy every_farm on %s for select to gillbook_audit using (true)', t);
    execute format('grant select on %s to gillbook_app, gillbook_audit', t);
    -- A farm has a few dozen rows of most tables, fewer than the number of changes after which a server first looks at a table; and a plan for
    -- tables that nobody has looked at is made for a guess of thousands.
    if (select relkind from pg_class where oid = t) = 'r' then
        execute format('alter table %s set (autovacuum_analyze_threshold = 0)', t);
    end if;
end $$;

-- The second lock on a record. The service's role has no privilege to update or delete it; this
-- trigger also stops a later migration, or a person at a console, from doing it unawares.
create function reject_mutation() returns trigger
    language plpgsql as $$
begin
    raise exception '% is a record: add a reversal instead', tg_table_name
        using errcode = 'restrict_violation', constraint = 'record_is_kept', table = tg_table_name;
end $$;

-- A record that only functions of the owner write.
create procedure make_posted_only(t regclass)
    language plpgsql as $$
begin
    call enable_tenant_rls(t);
    execute format(
        'create trigger append_only before update or delete or truncate on %s
             for each statement execute function reject_mutation()', t);
end $$;

-- A record that the service adds to.
create procedure make_append_only(t regclass)
    language plpgsql as $$
begin
    call make_posted_only(t);
    execute format('grant insert on %s to gillbook_app', t);
end $$;

-- A farm and its settings. `words` holds the words that differ by region (docket, verifier…).
create sequence farm_number;
grant usage on sequence farm_number to gillbook_app;
create table farm (
    farm_id           int           not null,
    name              text          not null,
    address           text          not null default '',
    -- The number under which the farm is registered as a food business, where there is one.
    registration      text          not null default '',
    telephone         text          not null default '',
    -- Where answers to its e-mails go.
    email             text          not null default '',
    -- How goods are kept, in the farm's own words, as dockets print it.
    storage_line      text          not null default 'Keep cold.',
    -- What the addresses are made with at which customers read their dockets. With another none of those that were given out opens any more.
    link_key          bytea         not null default uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid()),
    currency          text          not null,
    zone              text          not null,
    tax_name          text          not null default 'tax',
    rounding          text          not null default 'half_up',
    -- The smallest coin that cash totals are rounded to; zero where they are not.
    cash_step         numeric(14,4) not null default 0,
    -- Whether the tax of an invoice is rounded once for each rate, or line by line.
    tax_by            text          not null default 'rate',
    -- The number under which it is registered for tax, and how it is paid, as invoices print them.
    tax_number        text          not null default '',
    -- Why what bears no tax bears none, as invoices print it.
    exemption_reason  text          not null default '',
    -- A country's letters, and where machines send invoices to.
    country           text          not null default '',
    electronic_address text         not null default '',
    payment_details   text          not null default '',
    implied_decimals  boolean       not null default true,
    -- The size of the sheets that documents print on.
    paper_size        text          not null default 'a4',
    words             jsonb         not null default '{}',
    version           int           not null default 1,
    opened_at         timestamptz   not null,
    constraint farm_pk primary key (farm_id),
    constraint farm_id_range check (farm_id > 0),
    constraint farm_name_length check (length(name) between 1 and 200),
    constraint farm_address_length check (length(address) <= 1000),
    constraint farm_registration_length check (length(registration) <= 60),
    constraint farm_telephone_length check (length(telephone) <= 40),
    constraint farm_email_length check (length(email) <= 254),
    constraint farm_storage_line_length check (length(storage_line) <= 200),
    constraint farm_link_key_length check (length(link_key) = 32),
    constraint farm_currency_shape check (currency ~ '^[A-Z]{3}$'),
    constraint farm_zone_length check (length(zone) between 1 and 64),
    constraint farm_tax_name_length check (length(tax_name) between 1 and 40),
    constraint farm_tax_by_known check (tax_by in ('rate', 'line')),
    constraint farm_tax_number_length check (length(tax_number) <= 60),
    constraint farm_exemption_reason_length check (length(exemption_reason) <= 200),
    constraint farm_country_shape check (country ~ '^([A-Z]{2})?$'),
    constraint farm_electronic_address_shape check (electronic_address ~ '^([0-9]{4}:[!-~]{1,50})?$'),
    constraint farm_payment_details_length check (length(payment_details) <= 1000),
    constraint farm_rounding_known check (rounding in ('half_up', 'half_down', 'half_even')),
    constraint farm_paper_size_known check (paper_size in ('a4', 'letter')),
    constraint farm_cash_step_range check (cash_step between 0 and 1000),
    constraint farm_words_shape check (jsonb_typeof(words) = 'object'),
    constraint farm_opened_at_range check (opened_at between '2000-01-01Z' and '2200-01-01Z')
);
call enable_tenant_rls('farm', across => true);
grant insert, update (name, address, registration, telephone, email, storage_line, link_key, tax_name, rounding, cash_step, tax_by, tax_number, exemption_reason, country, electronic_address, payment_details, implied_decimals, paper_size, words, version)
    on farm to gillbook_app;

-- The farm's own ranked grades: rank 1 is the best. `published_class` is set only where a published standard
-- covers the species, and is printed only then.
create table grade (
    farm_id  int  not null,
    grade    text not null,
    rank     int  not null,
    name     text not null,
    published_class text,
    constraint grade_pk primary key (farm_id, grade),
    constraint grade_farm_fk foreign key (farm_id) references farm,
    constraint grade_rank_key unique (farm_id, rank),
    constraint grade_grade_shape check (grade ~ '^[A-Z0-9][A-Z0-9-]{0,9}$'),
    constraint grade_rank_range check (rank between 1 and 9),
    constraint grade_name_length check (length(name) between 1 and 60),
    constraint grade_published_class_length check (length(published_class) between 1 and 60)
);
call enable_tenant_rls('grade');
grant insert, update (name, published_class) on grade to gillbook_app;

-- People. A removed person stays, so that what they did keeps its name.
create table person (
    farm_id          int         not null,
    person_id        uuid        not null,
    name             text        not null,
    initials         text        not null,
    role             text        not null,
    passphrase_hash  text        not null,
    added_at         timestamptz not null,
    removed_at       timestamptz,
    constraint person_pk primary key (farm_id, person_id),
    constraint person_farm_fk foreign key (farm_id) references farm,
    constraint person_initials_key unique (farm_id, initials),
    constraint person_name_length check (length(name) between 1 and 200),
    constraint person_initials_shape check (initials ~ '^[[:upper:]]{1,4}[0-9]?$'),
    constraint person_role_known check (role in ('owner', 'picker', 'driver', 'verifier', 'bookkeeper')),
    constraint person_removed_at_range check (removed_at >= added_at)
);
call enable_tenant_rls('person');
grant insert, update (passphrase_hash, removed_at) on person to gillbook_app;

-- Finds the farm of somebody who signs in: the one table that is read before a farm is known, and so the only one that is read across
-- farms. A name is added and removed under the farm rule. It holds nothing else.
create table sign_in_name (
    sign_in_name  text not null,
    farm_id       int  not null,
    person_id     uuid not null,
    constraint sign_in_name_pk primary key (sign_in_name),
    constraint sign_in_name_person_fk foreign key (farm_id, person_id) references person,
    constraint sign_in_name_person_key unique (farm_id, person_id),
    constraint sign_in_name_shape check (sign_in_name ~ '^[^[:space:][:cntrl:]]{2,100}$' and sign_in_name = lower(sign_in_name))
);
alter table sign_in_name enable row level security;
alter table sign_in_name force row level security;
create policy every_name on sign_in_name for select using (true);
create policy own_farm_adds on sign_in_name for insert to gillbook_app
    with check (farm_id = current_farm());
create policy own_farm_removes on sign_in_name for delete to gillbook_app
    using (farm_id = current_farm());
grant select on sign_in_name to gillbook_app, gillbook_audit;
grant insert, delete on sign_in_name to gillbook_app;

-- A signed-in browser. Its cookie begins with the farm's number, so the farm is known before the look-up;
-- only a hash of the secret is kept.
create table sign_in (
    farm_id      int         not null,
    secret_hash  bytea       not null,
    person_id    uuid        not null,
    began_at     timestamptz not null,
    ends_at      timestamptz not null,
    -- Of a phone that many use: who taps is told by initials, and nothing is authorised there.
    shared_phone boolean     not null,
    constraint sign_in_pk primary key (farm_id, secret_hash),
    constraint sign_in_person_fk foreign key (farm_id, person_id) references person,
    constraint sign_in_secret_hash_length check (length(secret_hash) = 32),
    constraint sign_in_ends_at_range check (ends_at > began_at)
);
call enable_tenant_rls('sign_in');
grant insert, delete on sign_in to gillbook_app;

-- A browser by which somebody signed in: known again when they sign in once more, so that whoever guesses at their passphrase from
-- elsewhere does not lock them out. It signs nobody in.
create table device (
    farm_id      int         not null,
    secret_hash  bytea       not null,
    person_id    uuid        not null,
    seen_at      timestamptz not null,
    constraint device_pk primary key (farm_id, secret_hash),
    constraint device_person_fk foreign key (farm_id, person_id) references person,
    constraint device_secret_hash_length check (length(secret_hash) = 32)
);
create index device_by_person on device (farm_id, person_id, seen_at);
call enable_tenant_rls('device');
grant insert, delete on device to gillbook_app;

-- One row for each request that creates, written first in its transaction: the same key again waits for the first and
-- gives its answer. `actor` is the person or the token, so that two people cannot meet in one key.
create table idempotency (
    farm_id      int         not null,
    actor        text        not null,
    key          text        not null,
    request      text        not null,
    body_hash    bytea       not null,
    status       smallint,
    answer       text,
    recorded_at  timestamptz not null,
    constraint idempotency_pk primary key (farm_id, actor, key),
    constraint idempotency_farm_fk foreign key (farm_id) references farm,
    constraint idempotency_actor_length check (length(actor) between 1 and 100),
    constraint idempotency_key_length check (length(key) between 1 and 200),
    constraint idempotency_request_length check (length(request) between 1 and 400),
    constraint idempotency_body_hash_length check (length(body_hash) = 32),
    constraint idempotency_status_range check (status between 200 and 299)
);
create index idempotency_by_recorded_at on idempotency (farm_id, recorded_at);
call enable_tenant_rls('idempotency', across => true);
grant insert, delete, update (status, answer) on idempotency to gillbook_app;

-- Numbers without gaps, one row a farm and kind. Taken last in a transaction: the row stays locked until it ends.
create table counter (
    farm_id  int    not null,
    kind     text   not null,
    last     bigint not null,
    constraint counter_pk primary key (farm_id, kind),
    constraint counter_farm_fk foreign key (farm_id) references farm,
    constraint counter_kind_length check (length(kind) between 1 and 60),
    constraint counter_last_range check (last > 0)
);
call enable_tenant_rls('counter');

create function next_number(farm int, numbered text) returns bigint
    language sql set search_path = pg_catalog, public, pg_temp as $$
    insert into counter as c (farm_id, kind, last) values (farm, numbered, 1)
        on conflict (farm_id, kind) do update set last = c.last + 1 returning last;
$$;
revoke execute on function next_number from public;

-- The numbers that the service takes by itself. Those of documents and lots are given when an entry is posted.
create function next_code_number(farm int, numbered text) returns bigint
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
begin
    if numbered not in ('order', 'standing_order', 'probe', 'recall') then
        raise exception 'the number of a % is not given by itself', numbered;
    end if;
    return next_number(farm, numbered);
end $$;
revoke execute on function next_code_number from public;
grant execute on function next_code_number to gillbook_app;
