-- What customers owe: invoices of what dockets handed over, credit notes, payments, and the journal that they are booked in.
--
-- Revenue is earned when goods are handed over, and lost when they come back: those amounts follow from the dockets and stand in no table
-- here (see `docket_sales` in the store). An invoice turns what was handed over and not invoiced yet into a receivable, and adds the tax.
-- An invoice keeps its parties, words and rates as they were when it was issued. It is never changed: a credit note puts it right.

-- An invoice, or a credit note, which corrects one. Both have the same parts; the amounts of a credit note are what it takes off.
create table invoice (
    farm_id            int           not null,
    invoice            text          not null,
    kind               text          not null,
    number             bigint        not null,
    customer           text          not null,
    corrects           text,
    issued_on          date          not null,
    due_on             date          not null,
    seller_name        text          not null,
    seller_address     text          not null,
    seller_tax_number  text          not null,
    seller_country     text          not null,
    seller_electronic_address text   not null,
    payment_details    text          not null,
    buyer_name         text          not null,
    buyer_address      text          not null,
    buyer_tax_number   text          not null,
    buyer_country      text          not null,
    buyer_electronic_address text    not null,
    currency           text          not null,
    tax_name           text          not null,
    -- Why what bears no tax bears none; blank where all of it does, or no reason was given.
    exemption_reason   text          not null,
    -- The size of its sheets, so that it prints later as it was issued.
    paper_size         text          not null,
    note               text          not null,
    net                numeric(14,4) not null,
    tax                numeric(14,4) not null,
    total              numeric(14,4) not null,
    recorded_at        timestamptz   not null,
    issued_by          text          not null,
    constraint invoice_pk primary key (farm_id, invoice),
    constraint invoice_number_key unique (farm_id, kind, number),
    constraint invoice_customer_fk foreign key (farm_id, customer) references customer,
    constraint invoice_corrects_fk foreign key (farm_id, corrects) references invoice,
    constraint invoice_kind_known check (kind in ('invoice', 'credit_note')),
    constraint invoice_corrects_whole check ((kind = 'credit_note') = (corrects is not null)),
    constraint invoice_number_range check (number > 0),
    constraint invoice_issued_on_range check (issued_on between '2000-01-01' and '2200-01-01'),
    constraint invoice_due_on_range check (due_on between issued_on and issued_on + 365),
    constraint invoice_note_length check (length(note) <= 1000),
    constraint invoice_seller_country_shape check (seller_country ~ '^([A-Z]{2})?$'),
    constraint invoice_buyer_country_shape check (buyer_country ~ '^([A-Z]{2})?$'),
    constraint invoice_seller_electronic_address_shape check (seller_electronic_address ~ '^([0-9]{4}:[!-~]{1,50})?$'),
    constraint invoice_buyer_electronic_address_shape check (buyer_electronic_address ~ '^([0-9]{4}:[!-~]{1,50})?$'),
    constraint invoice_exemption_reason_length check (length(exemption_reason) <= 200),
    constraint invoice_paper_size_known check (paper_size in ('a4', 'letter')),
    constraint invoice_net_range check (net between 0 and 1000000000),
    constraint invoice_tax_range check (tax between 0 and 1000000000),
    constraint invoice_total_adds_up check (total = net + tax)
);
create index invoice_by_customer on invoice (farm_id, customer, issued_on, invoice);
create index invoice_by_corrects on invoice (farm_id, corrects) where corrects is not null;
call make_posted_only('invoice');

-- A line: grams of a docket's line, or something that is not goods. A line of a credit note names the line that it corrects; it takes back
-- grams of it, or has none and is an allowance. `goods` is what its grams are worth by their docket; of a credit note that is more than `net`
-- where an allowance was given for them before.
create table invoice_line (
    farm_id        int           not null,
    invoice        text          not null,
    line           int           not null,
    corrects       text,
    corrects_line  int,
    docket         text,
    docket_line    int,
    delivered_on   date,
    -- The number that the customer knew the order by; blank where they gave none, and of what is not goods.
    order_reference text         not null,
    description    text          not null,
    grams          bigint        not null,
    packs          bigint,
    price          numeric(12,4),
    unit           text,
    tax_percent    numeric(6,3)  not null,
    net            numeric(14,4) not null,
    goods          numeric(14,4) not null,
    constraint invoice_line_pk primary key (farm_id, invoice, line),
    constraint invoice_line_invoice_fk foreign key (farm_id, invoice) references invoice,
    constraint invoice_line_corrects_fk foreign key (farm_id, corrects, corrects_line) references invoice_line,
    constraint invoice_line_docket_fk foreign key (farm_id, docket, docket_line) references docket_line,
    constraint invoice_line_line_range check (line between 1 and 1000),
    constraint invoice_line_docket_whole check ((docket is null) = (docket_line is null)),
    constraint invoice_line_corrects_whole check ((corrects is null) = (corrects_line is null)),
    constraint invoice_line_order_reference_length check (length(order_reference) <= 60),
    constraint invoice_line_description_length check (length(description) between 1 and 300),
    constraint invoice_line_grams_range check (grams >= 0 and (docket is not null or grams = 0)),
    constraint invoice_line_packs_range check (packs > 0),
    constraint invoice_line_unit_known check (unit in ('kg', 'pack')),
    constraint invoice_line_tax_percent_range check (tax_percent between 0 and 100),
    constraint invoice_line_net_range check (net between 0 and 1000000000),
    constraint invoice_line_goods_range check (goods between 0 and 1000000000 and (grams > 0 or goods = 0) and (corrects is not null or grams = 0 or goods = net))
);
create index invoice_line_by_docket on invoice_line (farm_id, docket, docket_line) where docket is not null;
create index invoice_line_by_corrects on invoice_line (farm_id, corrects, corrects_line) where corrects is not null;
call make_posted_only('invoice_line');

-- The tax of an invoice by rate, as it was worked out when it was issued.
create table invoice_tax (
    farm_id      int           not null,
    invoice      text          not null,
    tax_percent  numeric(6,3)  not null,
    net          numeric(14,4) not null,
    tax          numeric(14,4) not null,
    constraint invoice_tax_pk primary key (farm_id, invoice, tax_percent),
    constraint invoice_tax_invoice_fk foreign key (farm_id, invoice) references invoice,
    constraint invoice_tax_net_range check (net between 0 and 1000000000),
    constraint invoice_tax_tax_range check (tax between 0 and 1000000000)
);
call make_posted_only('invoice_tax');

-- Money that came, or a debt that is given up. What is not applied to an invoice is the customer's credit.
create table payment (
    farm_id      int           not null,
    payment      text          not null,
    number       bigint        not null,
    customer     text          not null,
    paid_on      date          not null,
    amount       numeric(14,4) not null,
    method       text          not null,
    reference    text          not null,
    -- The docket that it was paid for at the door.
    docket       text,
    recorded_at  timestamptz   not null,
    entered_by   text          not null,
    constraint payment_pk primary key (farm_id, payment),
    constraint payment_number_key unique (farm_id, number),
    constraint payment_docket_fk foreign key (farm_id, docket) references docket,
    constraint payment_customer_fk foreign key (farm_id, customer) references customer,
    constraint payment_number_range check (number > 0),
    constraint payment_paid_on_range check (paid_on between '2000-01-01' and '2200-01-01'),
    constraint payment_amount_range check (amount between 0 and 1000000),
    constraint payment_method_known check (method in ('bank_transfer', 'cash', 'card', 'write_off')),
    constraint payment_docket_known check (docket is null or method in ('cash', 'card')),
    constraint payment_reference_length check (length(reference) <= 200)
);
create index payment_by_docket on payment (farm_id, docket);
create index payment_by_customer on payment (farm_id, customer, paid_on, payment);
call make_posted_only('payment');

-- What a payment settles of an invoice.
create table payment_share (
    farm_id  int           not null,
    payment  text          not null,
    invoice  text          not null,
    amount   numeric(14,4) not null,
    constraint payment_share_pk primary key (farm_id, payment, invoice),
    constraint payment_share_payment_fk foreign key (farm_id, payment) references payment,
    constraint payment_share_invoice_fk foreign key (farm_id, invoice) references invoice,
    constraint payment_share_amount_range check (amount > 0 and amount <= 1000000)
);
create index payment_share_by_invoice on payment_share (farm_id, invoice);
call make_posted_only('payment_share');

-- A payment that was entered by mistake, or that bounced.
create table payment_reversal (
    farm_id      int         not null,
    payment      text        not null,
    reversed_on  date        not null,
    reason       text        not null,
    recorded_at  timestamptz not null,
    entered_by   text        not null,
    constraint payment_reversal_pk primary key (farm_id, payment),
    constraint payment_reversal_payment_fk foreign key (farm_id, payment) references payment,
    constraint payment_reversal_reversed_on_range check (reversed_on between '2000-01-01' and '2200-01-01'),
    constraint payment_reversal_reason_length check (length(reason) between 1 and 200)
);
call make_posted_only('payment_reversal');

-- The journal of these documents: a debit is above zero, a credit below, and each document adds up to nothing.
create table journal_line (
    farm_id    int           not null,
    document   text          not null,
    line       int           not null,
    kind       text          not null,
    booked_on  date          not null,
    account    text          not null,
    customer   text          not null,
    amount     numeric(14,4) not null,
    constraint journal_line_pk primary key (farm_id, document, line),
    constraint journal_line_customer_fk foreign key (farm_id, customer) references customer,
    constraint journal_line_account_known check (account in (
        'receivables', 'delivered_not_invoiced', 'revenue', 'tax', 'bank', 'cash', 'card', 'bad_debts')),
    constraint journal_line_kind_known check (kind in ('invoice', 'credit_note', 'payment', 'payment_reversal')),
    constraint journal_line_amount_range check (amount <> 0 and amount between -1000000000 and 1000000000)
);
create index journal_line_by_day on journal_line (farm_id, booked_on, document, line);
-- What customers owe is added up from the beginning.
create index journal_line_receivables on journal_line (farm_id, booked_on) include (customer, amount) where account = 'receivables';
call make_posted_only('journal_line');

-- What stands on invoices of each docket's line, less what credit notes took back of it. An allowance takes back no goods, so what it was
-- given for is not invoiced again.
create view docket_line_billed with (security_invoker) as
    select l.farm_id, l.docket, l.docket_line,
           sum(case i.kind when 'invoice' then l.grams else -l.grams end)::bigint as grams,
           sum(case i.kind when 'invoice' then l.goods else -l.goods end) as net
      from invoice_line l join invoice i using (farm_id, invoice)
     where l.docket is not null
     group by l.farm_id, l.docket, l.docket_line;
grant select on docket_line_billed to gillbook_app, gillbook_audit;

-- What customers have of each docket's line: handed over or fetched, less what came back.
create view docket_line_kept with (security_invoker) as
    select p.farm_id, p.docket, p.line,
           sum(case a.kind when 'return' then -p.grams else p.grams end)::bigint as grams
      from docket_part p join act a using (farm_id, act_id)
     where not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
     group by p.farm_id, p.docket, p.line;
grant select on docket_line_kept to gillbook_app, gillbook_audit;

-- What was credited and paid of each invoice.
create view invoice_settled with (security_invoker) as
    select i.farm_id, i.invoice, i.customer, i.issued_on, i.due_on, i.total,
           coalesce((select sum(c.total) from invoice c where c.farm_id = i.farm_id and c.corrects = i.invoice), 0) as credited,
           coalesce((select sum(s.amount) from payment_share s where s.farm_id = i.farm_id and s.invoice = i.invoice
                        and not exists (select from payment_reversal r where r.farm_id = s.farm_id and r.payment = s.payment)), 0) as paid
      from invoice i where i.kind = 'invoice';
grant select on invoice_settled to gillbook_app, gillbook_audit;

-- What a customer paid and no invoice has taken: what is over of payments, and what was paid of an invoice that was credited since.
create function credit_of(farm int, of text) returns numeric
    language sql stable
    return (select coalesce(sum(p.amount - coalesce((select sum(s.amount) from payment_share s where s.farm_id = p.farm_id and s.payment = p.payment), 0)), 0)
              from payment p where p.farm_id = farm and p.customer = of
               and not exists (select from payment_reversal r where r.farm_id = p.farm_id and r.payment = p.payment))
         + (select coalesce(sum(greatest(credited + paid - total, 0)), 0) from invoice_settled where farm_id = farm and customer = of);

-- What a customer paid at the door for dockets that are on no invoice yet: credit that waits for theirs.
create function credit_at_door(farm int, of text) returns numeric
    language sql stable
    return (select coalesce(sum(p.amount), 0) from payment p
             where p.farm_id = farm and p.customer = of and p.docket is not null
               and not exists (select from payment_reversal r where r.farm_id = p.farm_id and r.payment = p.payment)
               and not exists (select from docket_line_billed b where b.farm_id = p.farm_id and b.docket = p.docket and b.grams > 0));

-- Books lines of a document, numbered after those that it has. What is nothing is left out.
create procedure book(farm int, doc text, booked_as text, of text, day date, accounts text[], amounts numeric[])
    language sql as $$
    insert into journal_line (farm_id, document, line, kind, booked_on, account, customer, amount)
    select farm, doc, row_number() over () + (select count(*) from journal_line j where j.farm_id = farm and j.document = doc), booked_as, day, a, of, n
      from unnest(accounts, amounts) as u(a, n) where n <> 0;
$$;
revoke execute on procedure book from public;

-- What does not add up of an invoice or credit note; null where all does.
create function invoice_broken(i invoice) returns text
    language plpgsql stable as $$
begin
    if i.net <> (select coalesce(sum(l.net), 0) from invoice_line l where l.farm_id = i.farm_id and l.invoice = i.invoice)
       or i.tax <> (select coalesce(sum(t.tax), 0) from invoice_tax t where t.farm_id = i.farm_id and t.invoice = i.invoice)
       or exists (
            select from (select tax_percent, sum(net) as net from invoice_line where farm_id = i.farm_id and invoice = i.invoice group by 1) l
              full join (select tax_percent, net from invoice_tax where farm_id = i.farm_id and invoice = i.invoice) t using (tax_percent)
             where l.net is distinct from t.net) then
        return 'invoice_adds_up';
    elsif not exists (select from invoice_line l where l.farm_id = i.farm_id and l.invoice = i.invoice) then
        return 'invoice_has_lines';
    elsif exists (
            select from invoice_line l join docket d using (farm_id, docket)
             where l.farm_id = i.farm_id and l.invoice = i.invoice and d.customer <> i.customer)
       or i.kind = 'invoice' and exists (
            select from invoice_line l join docket_line k on k.farm_id = l.farm_id and k.docket = l.docket and k.line = l.docket_line
             where l.farm_id = i.farm_id and l.invoice = i.invoice and k.tax_percent <> l.tax_percent) then
        return 'invoice_docket_its_own';
    elsif i.currency is distinct from (select f.currency from farm f where f.farm_id = i.farm_id) then
        return 'invoice_currency_its_own';
    elsif exists (select from invoice o where o.farm_id = i.farm_id and o.kind = i.kind and o.number = i.number - 1 and o.issued_on > i.issued_on)
       or exists (select from invoice o where o.farm_id = i.farm_id and o.invoice = i.corrects and o.issued_on > i.issued_on) then
        return 'invoice_days_go_up';
    elsif i.kind = 'invoice' and exists (
            select from invoice_line l where l.farm_id = i.farm_id and l.invoice = i.invoice and l.corrects is not null)
       or i.kind = 'credit_note' and exists (
            select from invoice_line l left join invoice_line o on o.farm_id = l.farm_id and o.invoice = l.corrects and o.line = l.corrects_line
             where l.farm_id = i.farm_id and l.invoice = i.invoice
               and (l.corrects is distinct from i.corrects or (l.docket, l.docket_line, l.tax_percent) is distinct from (o.docket, o.docket_line, o.tax_percent)))
       or i.kind = 'credit_note' and not exists (
            select from invoice o where o.farm_id = i.farm_id and o.invoice = i.corrects and o.kind = 'invoice' and o.customer = i.customer) then
        return 'credit_note_its_own';
    elsif exists (
            select from invoice_line l
              join docket_line_billed b using (farm_id, docket, docket_line)
              join docket_line k on k.farm_id = l.farm_id and k.docket = l.docket and k.line = l.docket_line
             where l.farm_id = i.farm_id and l.invoice = i.invoice
               and (b.grams < 0 or b.net not between 0 and k.amount)) then
        return 'invoice_line_once';
    elsif i.kind = 'credit_note' and (
            exists (
                select from invoice_line o
                  join lateral (select sum(c.net) as net, sum(c.grams) as grams from invoice_line c
                                 where c.farm_id = o.farm_id and c.corrects = o.invoice and c.corrects_line = o.line) c on true
                 where o.farm_id = i.farm_id and o.invoice = i.corrects and (c.net > o.net or c.grams > o.grams))
            or exists (
                select from invoice_tax o
                  join lateral (select sum(t.tax) as tax from invoice c join invoice_tax t using (farm_id, invoice)
                                 where c.farm_id = o.farm_id and c.corrects = o.invoice and t.tax_percent = o.tax_percent) c on true
                 where o.farm_id = i.farm_id and o.invoice = i.corrects and c.tax > o.tax)) then
        return 'credit_note_within_invoice';
    end if;
    return null;
end $$;

-- The one way to issue an invoice or credit note: its row, its `lines` and its `taxes`, without farm, code and number. Numbers have no gaps: who
-- takes one holds up the next until this is committed or not, so the number is taken when all has been decided. Its customer is locked first, so
-- that the account is what it was decided on.
create function post_invoice(farm int, document jsonb) returns text
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    i invoice := jsonb_populate_record(null::invoice, document - array['lines', 'taxes']);
    head jsonb;
    goods numeric;
    sign int := case i.kind when 'invoice' then 1 else -1 end;
    broken text;
begin
    i.farm_id := farm;
    perform from customer c where c.farm_id = farm and c.customer = i.customer for no key update;
    call expect_unlocked(farm, i.issued_on);
    i.number := next_number(farm, i.kind);
    i.invoice := format('%s-%s', case i.kind when 'invoice' then 'INV' else 'CN' end, i.number);
    insert into invoice select i.*;
    head := jsonb_build_object('farm_id', farm, 'invoice', i.invoice);
    insert into invoice_line select * from jsonb_populate_recordset(null::invoice_line, rows_of_entry(document -> 'lines', head, '{}'));
    insert into invoice_tax select * from jsonb_populate_recordset(null::invoice_tax, rows_of_entry(document -> 'taxes', head, '{}'));
    broken := invoice_broken(i);
    -- Goods may come back of what was invoiced; only what the customer has is invoiced.
    if broken is null and i.kind = 'invoice' and exists (
            select from invoice_line l join docket_line_billed b using (farm_id, docket, docket_line)
              left join docket_line_kept k on k.farm_id = l.farm_id and k.docket = l.docket and k.line = l.docket_line
             where l.farm_id = farm and l.invoice = i.invoice and b.grams > coalesce(k.grams, 0)) then
        broken := 'invoice_line_once';
    end if;
    if broken is not null then
        raise exception 'invoice % does not add up: %', i.invoice, broken
            using errcode = 'check_violation', constraint = broken, table = 'invoice';
    end if;
    -- Goods were earned when they were handed over; the rest, and an allowance, is earned or lost now.
    goods := (select sum(l.goods) from invoice_line l where l.farm_id = farm and l.invoice = i.invoice);
    call book(farm, i.invoice, i.kind, i.customer, i.issued_on,
              array['receivables', 'delivered_not_invoiced', 'revenue', 'tax'],
              array[sign * i.total, -sign * goods, -sign * (i.net - goods), -sign * i.tax]);
    return i.invoice;
end $$;
revoke execute on function post_invoice from public;
grant execute on function post_invoice to gillbook_app;

-- The one way to enter a payment: its row and its `shares`.
create function post_payment(farm int, document jsonb) returns text
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    p payment := jsonb_populate_record(null::payment, document - 'shares');
begin
    p.farm_id := farm;
    perform from customer c where c.farm_id = farm and c.customer = p.customer for no key update;
    call expect_unlocked(farm, p.paid_on);
    p.number := next_number(farm, 'payment');
    p.payment := format('P-%s', p.number);
    insert into payment select p.*;
    insert into payment_share
    select * from jsonb_populate_recordset(null::payment_share, coalesce(rows_of_entry(document -> 'shares', jsonb_build_object('farm_id', farm, 'payment', p.payment), '{}'), '[]'));
    if p.docket is not null and p.customer is distinct from (select d.customer from docket d where d.farm_id = farm and d.docket = p.docket) then
        raise exception 'payment % does not add up: payment_docket_its_own', p.payment
            using errcode = 'check_violation', constraint = 'payment_docket_its_own', table = 'payment';
    end if;
    if exists (select from payment_share s left join invoice_settled i using (farm_id, invoice)
                where s.farm_id = farm and s.payment = p.payment
                  and (i.customer is distinct from p.customer or i.credited + i.paid > i.total)) then
        raise exception 'payment % does not add up: payment_share_within_invoice', p.payment
            using errcode = 'check_violation', constraint = 'payment_share_within_invoice', table = 'payment_share';
    elsif credit_of(farm, p.customer) < 0
       or p.amount = 0 and not exists (select from payment_share s where s.farm_id = farm and s.payment = p.payment)
       or p.method = 'write_off' and p.amount <> (select coalesce(sum(s.amount), 0) from payment_share s where s.farm_id = farm and s.payment = p.payment) then
        raise exception 'payment % does not add up: payment_covers_shares', p.payment
            using errcode = 'check_violation', constraint = 'payment_covers_shares', table = 'payment';
    end if;
    call book(farm, p.payment, 'payment', p.customer, p.paid_on,
              array[case p.method when 'bank_transfer' then 'bank' when 'write_off' then 'bad_debts' else p.method end, 'receivables'],
              array[p.amount, -p.amount]);
    return p.payment;
end $$;
revoke execute on function post_payment from public;
grant execute on function post_payment to gillbook_app;

-- Takes a payment back: what it settled is open again.
create function reverse_payment(farm int, document jsonb) returns void
    language plpgsql security definer set search_path = pg_catalog, public, pg_temp as $$
declare
    r payment_reversal := jsonb_populate_record(null::payment_reversal, document);
    p payment;
    accounts text[];
    amounts numeric[];
begin
    r.farm_id := farm;
    select o.* into p from payment o where o.farm_id = farm and o.payment = r.payment;
    perform from customer c where c.farm_id = farm and c.customer = p.customer for no key update;
    call expect_unlocked(farm, r.reversed_on);
    insert into payment_reversal select r.*;
    if r.reversed_on < p.paid_on then
        raise exception 'payment % came after %', r.payment, r.reversed_on
            using errcode = 'check_violation', constraint = 'payment_reversal_reversed_on_range', table = 'payment_reversal';
    end if;
    if credit_of(farm, p.customer) < 0 then
        raise exception 'the credit of payment % is spent', r.payment
            using errcode = 'check_violation', constraint = 'payment_reversal_credit_left', table = 'payment_reversal';
    end if;
    select coalesce(array_agg(j.account order by j.line), '{}'), coalesce(array_agg(-j.amount order by j.line), '{}') into accounts, amounts
      from journal_line j where j.farm_id = farm and j.document = p.payment;
    call book(farm, p.payment, 'payment_reversal', p.customer, r.reversed_on, accounts, amounts);
end $$;
revoke execute on function reverse_payment from public;
grant execute on function reverse_payment to gillbook_app;

-- Documents that are sent by e-mail. They are attached as they were when somebody sent them, until they are on their way.
create table email (
    farm_id     int         not null,
    email_id    uuid        not null,
    docket      text,
    invoice     text,
    address     text        not null,
    subject     text        not null,
    body        text        not null,
    entered_by  text        not null,
    made_at     timestamptz not null,
    due_at      timestamptz not null,
    tries       int         not null default 0,
    sent_at     timestamptz,
    given_up_at timestamptz,
    trouble     text        not null default '',
    constraint email_pk primary key (farm_id, email_id),
    constraint email_farm_fk foreign key (farm_id) references farm,
    constraint email_docket_fk foreign key (farm_id, docket) references docket,
    constraint email_invoice_fk foreign key (farm_id, invoice) references invoice,
    constraint email_of_needed check (num_nonnulls(docket, invoice) = 1),
    constraint email_address_length check (length(address) between 3 and 254),
    constraint email_subject_length check (length(subject) between 1 and 400),
    constraint email_body_length check (length(body) between 1 and 4000),
    constraint email_tries_range check (tries between 0 and 1000),
    constraint email_outcome_apart check (sent_at is null or given_up_at is null)
);
create index email_due on email (farm_id, due_at) where sent_at is null and given_up_at is null;
create index email_by_docket on email (farm_id, docket, made_at) where docket is not null;
create index email_by_invoice on email (farm_id, invoice, made_at) where invoice is not null;
create index email_by_day on email (farm_id, made_at);
call enable_tenant_rls('email', across => true);
grant insert, update (due_at, tries, sent_at, given_up_at, trouble) on email to gillbook_app;

create table email_attachment (
    farm_id  int   not null,
    email_id uuid  not null,
    name     text  not null,
    kind     text  not null,
    content  bytea not null,
    constraint email_attachment_pk primary key (farm_id, email_id, name),
    constraint email_attachment_email_fk foreign key (farm_id, email_id) references email,
    constraint email_attachment_name_length check (length(name) between 1 and 200),
    constraint email_attachment_kind_known check (kind in ('application/pdf', 'application/xml')),
    constraint email_attachment_content_length check (length(content) <= 10485760)
);
call enable_tenant_rls('email_attachment', across => true);
grant insert, delete on email_attachment to gillbook_app;
