-- The cold side: limits with the rule they come from, probes, and readings that are kept as the probe sent them.

create table place_limit (
    farm_id         int         not null,
    place           text        not null,
    effective_from  timestamptz not null,
    name            text        not null,
    warm_c          double precision not null,
    -- The backstop: too warm above this by the air, however the food behind it is reckoned.
    air_c           double precision not null,
    cold_c          double precision not null,
    grace_minutes   int         not null,
    hysteresis_c    double precision not null,
    gap_minutes     int         not null,
    -- The longest silence that is not told as "no data".
    silence_minutes int         not null,
    lag_minutes     int         not null,
    rule_text       text        not null,
    example         boolean     not null,
    recorded_at     timestamptz not null,
    constraint place_limit_pk primary key (farm_id, place, effective_from),
    constraint place_limit_place_fk foreign key (farm_id, place) references place,
    constraint place_limit_effective_from_range check (effective_from between '2000-01-01Z' and '2200-01-01Z'),
    constraint place_limit_name_length check (length(name) between 1 and 100),
    constraint place_limit_warm_c_range check (warm_c between -40 and 60 and warm_c > cold_c),
    constraint place_limit_air_c_range check (air_c between warm_c and 80),
    constraint place_limit_silence_minutes_range check (silence_minutes between 1 and 10080),
    constraint place_limit_cold_c_range check (cold_c between -60 and 60),
    constraint place_limit_grace_minutes_range check (grace_minutes between 0 and 1440),
    constraint place_limit_hysteresis_c_range check (hysteresis_c between 0 and 10),
    constraint place_limit_gap_minutes_range check (gap_minutes between 1 and 1440),
    constraint place_limit_lag_minutes_range check (lag_minutes between 0 and 1440),
    constraint place_limit_rule_text_length check (length(rule_text) <= 2000)
);
call make_append_only('place_limit');

create table probe (
    farm_id   int   not null,
    probe_id  int   not null,
    name      text  not null,
    place     text  not null,
    position  text  not null,
    constraint probe_pk primary key (farm_id, probe_id),
    constraint probe_name_key unique (farm_id, name),
    constraint probe_place_fk foreign key (farm_id, place) references place,
    constraint probe_probe_id_range check (probe_id > 0),
    -- A SenML name (RFC 8428, section 4.5.1).
    constraint probe_name_shape check (name ~ '^[A-Za-z0-9][-A-Za-z0-9:./_]{0,99}$'),
    constraint probe_position_length check (length(position) <= 200)
);
call enable_tenant_rls('probe');
grant insert, update (position) on probe to gillbook_app;

-- Tokens for machines. The token begins with the farm's number, so the farm is known before the look-up.
create table token (
    farm_id      int         not null,
    token_id     uuid        not null,
    name         text        not null,
    scope        text        not null,
    probe_id     int,
    secret_hash  bytea       not null,
    made_at      timestamptz not null,
    ends_at      timestamptz not null,
    removed_at   timestamptz,
    constraint token_pk primary key (farm_id, token_id),
    constraint token_secret_hash_key unique (farm_id, secret_hash),
    constraint token_probe_fk foreign key (farm_id, probe_id) references probe,
    constraint token_name_length check (length(name) between 1 and 200),
    constraint token_scope_known check (scope in ('readings', 'read', 'calendar')),
    constraint token_probe_needed check ((scope = 'readings') = (probe_id is not null)),
    constraint token_secret_hash_length check (length(secret_hash) = 32),
    constraint token_ends_at_range check (ends_at > made_at)
);
call enable_tenant_rls('token');
grant insert, update (removed_at) on token to gillbook_app;

-- One reading of air temperature, by the probe's own time. `value_c` is never rounded; a value that only a broken or
-- unplugged probe gives (85, -127, not a number) is kept as a fault and is no temperature.
create table reading (
    farm_id      int              not null,
    probe_id     int              not null,
    at           timestamptz(3)   not null,
    value_c      double precision not null,
    fault        text,
    received_at  timestamptz      not null,
    constraint reading_pk primary key (farm_id, probe_id, at),
    constraint reading_at_range check (at between '2000-01-01Z' and '2200-01-01Z'),
    constraint reading_fault_known check (fault in ('power_on_value', 'disconnected', 'not_a_number', 'out_of_range'))
) partition by range (at);
call enable_tenant_rls('reading', across => true);
grant insert on reading to gillbook_app;
create trigger append_only before update or delete or truncate on reading
    for each statement execute function reject_mutation();

-- What a board sends beside the temperature: humidity (%RH) and its battery (%EL).
create table reading_auxiliary (
    farm_id      int              not null,
    probe_id     int              not null,
    at           timestamptz(3)   not null,
    unit         text             not null,
    value        double precision not null,
    received_at  timestamptz      not null,
    constraint reading_auxiliary_pk primary key (farm_id, probe_id, at, unit),
    constraint reading_auxiliary_at_range check (at between '2000-01-01Z' and '2200-01-01Z'),
    constraint reading_auxiliary_unit_known check (unit in ('%RH', '%EL')),
    constraint reading_auxiliary_value_range check (value between 0 and 100)
) partition by range (at);
call enable_tenant_rls('reading_auxiliary', across => true);
grant insert on reading_auxiliary to gillbook_app;
create trigger append_only before update or delete or truncate on reading_auxiliary
    for each statement execute function reject_mutation();

-- Makes the monthly partitions that cover [first, last]. The service calls it ahead of time; only the owner can make a table.
create function ensure_reading_partitions(first timestamptz, last timestamptz) returns int
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    m timestamp := date_trunc('month', first at time zone 'UTC');
    parent text;
    part text;
    made int := 0;
    missing boolean;
begin
    if last - first > interval '15 years' then
        raise exception 'at most fifteen years of partitions at once';
    end if;
    -- Nearly always all are there, and nobody need wait for whoever makes one.
    select bool_or(to_regclass('public.' || p || '_' || to_char(t, 'YYYY_MM')) is null) into missing
      from generate_series(m, last at time zone 'UTC', interval '1 month') t, unnest(array['reading', 'reading_auxiliary']) p;
    if not coalesce(missing, false) then
        return 0;
    end if;
    perform pg_advisory_xact_lock(hashtext('ensure_reading_partitions'));
    while m <= last at time zone 'UTC' loop
        foreach parent in array array['reading', 'reading_auxiliary'] loop
            part := parent || '_' || to_char(m, 'YYYY_MM');
            if to_regclass('public.' || part) is null then
                execute format('create table public.%I partition of public.%I for values from (%L) to (%L)',
                               part, parent, m || 'Z', (m + interval '1 month') || 'Z');
                execute format('alter table public.%I enable row level security', part);
                execute format('alter table public.%I force row level security', part);
                execute format('create trigger append_only before update or delete or truncate on public.%I
                                    for each statement execute function public.reject_mutation()', part);
                made := made + 1;
            end if;
        end loop;
        m := m + interval '1 month';
    end loop;
    return made;
end $$;
revoke execute on function ensure_reading_partitions from public;
grant execute on function ensure_reading_partitions to gillbook_app;

-- Months of readings that were taken out of use: still tables, for whoever keeps or removes them.
create schema detached;

-- Months of partitions in use: parent, partition and the month's first instant.
create view reading_partition as
    select i.inhparent::regclass as parent, c.oid::regclass as part,
           make_timestamptz(substr(right(c.relname, 7), 1, 4)::int, right(c.relname, 2)::int, 1, 0, 0, 0, 'UTC') as begins
      from pg_inherits i join pg_class c on c.oid = i.inhrelid
     where i.inhparent in ('reading'::regclass, 'reading_auxiliary'::regclass);

-- Where the readings in use begin. What was judged of earlier ones stands and is not judged again.
create function readings_begin() returns timestamptz
    language sql stable security definer set search_path = pg_catalog, public, pg_temp as
    'select min(begins) from public.reading_partition';
revoke execute on function readings_begin from public;
grant execute on function readings_begin to gillbook_app;

-- Takes the months that end before an instant out of use. Nobody but the owner may.
create function detach_reading_partitions(before timestamptz) returns int
    language plpgsql set search_path = pg_catalog, public, pg_temp as $$
declare
    m record;
    n int := 0;
begin
    perform pg_advisory_xact_lock(hashtext('ensure_reading_partitions'));
    for m in select * from public.reading_partition where begins + interval '1 month' <= before order by begins, part::text loop
        execute format('alter table %s detach partition %s', m.parent, m.part);
        execute format('alter table %s set schema detached', m.part);
        -- Its policies stayed with the parent; forced, it would read as empty to the owner who copies it away.
        execute format('alter table %s no force row level security', m.part);
        n := n + 1;
    end loop;
    return n;
end $$;
revoke execute on function detach_reading_partitions from public;
