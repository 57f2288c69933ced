"""What is left of a lot in a fridge or on a shelf when its days are over: dispatched to the confirmed orders by their days, and after those of
each day to what sold on it in a past week, first-expiring-first and of equal days the lowest grade that will do. At risk is what at least
half of the last eight weeks leave, or what orders leave where there is no such week.

A lot ends on the earlier of its best-before day and the day on which the low end of its shelf life falls, that one today at the earliest. A
lot without a best-before day has the one that the farm's shortest rule gives for its strain and packaging, 7 days from harvest without a
rule. Dried goods have none. Orders that are overdue count as for today; of a lot on hold they take nothing. What is set aside is taken by
its order, or by nobody where that order is handed over after the last day. Money is at the mean price of the last four weeks.
"""

from collections import defaultdict, namedtuple
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal

from ledger import held, standing
from money import handed_over
from rows import SECOND, micros

DAY_S = 86_400
PRICE_DAYS, DAYS_WITHOUT_RULE = 28, 7
STORES = ("fridge", "shelf")
LOTS = "/api/lots?in_stock=true&limit=200"
WEEKS, HORIZON_DAYS = 8, 14

# Something that takes goods: what will do, how much and by when.
Want = namedtuple("Want", "day customer strains rank form packaging pack least_days freshest grams")


def questions(rows):
    yield "/api/reports/shelf-life"
    yield LOTS


def best_before(rows, lot):
    """The date that a lot was given, or what the strictest rule in force of a product that it can be sold as would give; none without a rule."""
    row = rows.lots[lot]
    if row["best_before"]:
        return date.fromisoformat(row["best_before"])
    products = {p["product"] for p in rows.table("product_strain") if p["strain"] == row["strain"]}
    rules = {}
    for rule in sorted(rows.table("best_before_rule"), key=lambda rule: micros(rule["effective_from"])):
        if (
            rule["product"] in products
            and rule["packaging"] == row["packaging"]
            and micros(rule["effective_from"]) <= rows.now
        ):
            rules[rule["product"]] = rule["days"]
    return date.fromisoformat(row["harvest_day"]) + timedelta(days=min(rules.values(), default=DAYS_WITHOUT_RULE))


def last_days(rows, stock):
    """The last day of the grams of each lot at each place."""
    lives = {(a["lot"], p["place"]): p.get("life") for a in rows.answer(LOTS)["rows"] for p in a["places"]}
    found, today = {}, rows.day_of(rows.now)
    for lot, place in stock:
        found[lot, place] = best_before(rows, lot)
        if lives.get((lot, place)):
            low = float(lives[lot, place]["days_left_low"])
            found[lot, place] = min(
                found[lot, place], max(rows.day_of(rows.now + round(max(low, 0.0) * DAY_S * SECOND)), today)
            )
    return found


def product_wants(rows, product):
    """What a product may be filled with."""
    p = next(p for p in rows.table("product") if p["product"] == product)
    strains = frozenset(t["strain"] for t in rows.table("product_strain") if t["product"] == product)
    return strains, ranks(rows)[p["least_grade"]], p["form"], p["packaging"], p["pack_g"]


def ranks(rows):
    return {g["grade"]: g["rank"] for g in rows.table("grade")}


def ordered(rows, stock, ends):
    """What confirmed orders still want, what is left beside what is set aside for orders, and what of that is set aside too late."""
    customers = {c["customer"]: c for c in rows.table("customer")}
    orders = {o["order_code"]: o for o in rows.table("customer_order")}
    today, left, aside, too_late = rows.day_of(rows.now), dict(stock), defaultdict(int), defaultdict(int)
    day_of = lambda order: max(date.fromisoformat(order["delivery_day"]), today)
    for s in rows.table("set_aside"):
        key = s["lot"], s["place"]
        left[key] -= s["grams"]
        aside[s["order_code"], s["line"]] += s["grams"]
        if day_of(orders[s["order_code"]]) > ends.get(key, date.max):
            too_late[key] += s["grams"]
    lines = sorted(
        (orders[line["order_code"]]["delivery_day"], line["order_code"], line["line"], line["product"], line["grams"])
        for line in rows.table("order_line")
        if orders[line["order_code"]]["status"] == "confirmed"
    )
    wants = []
    for _, code, number, product, grams in lines:
        order = orders[code]
        c = customers[order["customer"]]
        wanted = grams - aside[code, number]
        wants.append(
            Want(day_of(order), c["customer"], *product_wants(rows, product), c["least_days"], c["freshest"], wanted)
        )
    return wants, left, too_late


def sold(rows):
    """What customers took without a standing order, and what stalls sold, by day."""
    customers = {c["customer"]: c for c in rows.table("customer")}
    orders = {o["order_code"]: o for o in rows.table("customer_order")}
    went_out = {"dispatched", "delivered"}
    first = [o["delivery_day"] for o in orders.values() if o["status"] in went_out]
    markets = {m["market_day"]: m for m in rows.table("market_day") if m["status"] == "closed"}
    first += [m["day"] for m in markets.values()]
    found = []
    for line in rows.table("order_line"):
        order = orders[line["order_code"]]
        if order["status"] in went_out and order["standing_order"] is None:
            c = customers[order["customer"]]
            day = date.fromisoformat(order["delivery_day"])
            of = product_wants(rows, line["product"])
            found.append(Want(day, c["customer"], *of, c["least_days"], c["freshest"], line["grams"]))
    since = rows.day_of(rows.now) - timedelta(days=7 * WEEKS)
    stalls = []
    for sale in rows.table("market_sale"):
        market, lot = markets.get(sale["market_day"]), rows.lots[sale["lot"]]
        if market and since <= date.fromisoformat(market["day"]) < rows.day_of(rows.now):
            rank = ranks(rows)[lot["grade"]]
            day, of = date.fromisoformat(market["day"]), frozenset({lot["strain"]})
            stalls.append(
                Want(day, market["customer"], of, rank, lot["form"], None, None, 0, False, sale["grams"])
            )
    # A stall takes any grade that it sold of a strain.
    for sale in stalls:
        same = [s.rank for s in stalls if (s.customer, s.strains) == (sale.customer, sale.strains)]
        found.append(sale._replace(rank=max(same)))
    return found, min(first, default=None), {s.customer for s in stalls}


def too_late_to_order(rows, want, day, is_stall):
    customer = next(c for c in rows.table("customer") if c["customer"] == want.customer)
    last, clock = day - timedelta(days=customer["order_by_days"]), customer["order_by_time"]
    if is_stall or not clock:
        last, clock = day, "12:00"
    hour, minute = map(int, clock.split(":"))
    by = datetime(last.year, last.month, last.day, hour, minute, tzinfo=rows.zone)
    return by.astimezone(timezone.utc) <= datetime.fromtimestamp(rows.now / SECOND, timezone.utc)


def repeated(rows, past, stalls, week, weeks):
    """What sells again if the coming days go as the week that began on a day."""
    today = rows.day_of(rows.now)
    drafts = {s["order_code"] for s in rows.table("set_aside")}
    ahead = [
        (o["customer"], date.fromisoformat(o["delivery_day"]), o["standing_order"] is None)
        for o in rows.table("customer_order")
        if (o["status"] != "draft" or o["order_code"] in drafts)
        and date.fromisoformat(o["delivery_day"]) >= today - timedelta(days=1)
    ]
    by_hand = {(customer, day) for customer, day, no_standing in ahead if no_standing}
    settled = {(customer, day) for customer, day, _ in ahead}
    settled |= {(m["customer"], date.fromisoformat(m["day"])) for m in rows.table("market_day")}
    closed = {date.fromisoformat(c["day"]) for c in rows.table("closed_day")}
    since = today - timedelta(days=7 * WEEKS)
    days = defaultdict(set)
    for w in past:
        if since <= w.day < today:
            days[w.customer, w.day.weekday()].add(w.day)
    usual = {key for key, on in days.items() if 2 * len(on) >= weeks}
    found = []
    for n in range(HORIZON_DAYS + 1):
        day = today + timedelta(days=n)
        beside = [day + timedelta(days=d) for d in (-1, 1)]
        for want in past:
            if want.day != week + timedelta(days=n % 7):
                continue
            moved = any((want.customer, d) in by_hand and (want.customer, d.weekday()) not in usual for d in beside)
            if (
                (want.customer, day) not in settled
                and not moved
                and day not in closed
                and not too_late_to_order(rows, want, day, want.customer in stalls)
            ):
                found.append(want._replace(day=day))
    return found


def dispatch(rows, left, ends, wants):
    """What some wants leave of each lot at each place."""
    rank, left = ranks(rows), dict(left)
    for want in sorted(wants, key=lambda want: want.day):
        needed_until = want.day + timedelta(days=want.least_days)
        fit = [
            key
            for key in left
            if rows.strain(key[0]) in want.strains
            and rank[rows.lots[key[0]]["grade"]] <= want.rank
            and want.packaging in (None, rows.lots[key[0]]["packaging"])
            and rows.lots[key[0]]["form"] == want.form
            and best_before(rows, key[0]) >= needed_until
            and ends[key] >= want.day
        ]
        picked = lambda key: date.fromisoformat(rows.lots[key[0]]["harvest_day"]).toordinal()
        first = lambda key: (-picked(key) if want.freshest else 0, ends[key], -rank[rows.lots[key[0]]["grade"]])
        wanted = want.grams
        for key in sorted(fit, key=lambda key: (*first(key), picked(key), key)):
            taken = max(0, min(wanted, left[key]))
            taken -= taken % (want.pack or 1)
            left[key] -= taken
            wanted -= taken
    return left


def left_by_week(rows, stock, ends):
    """The weeks that are looked back on, and what each leaves of every lot at every place."""
    wants, left, too_late = ordered(rows, stock, ends)
    past, first, stalls = sold(rows)
    # As the service lists them: by day, then by customer, what they bought and how good.
    past.sort(key=lambda w: (w.day, w.customer, sorted(w.strains), w.rank, w.grams))
    today = rows.day_of(rows.now)
    weeks = [today - timedelta(days=7 * n) for n in range(1, WEEKS + 1)]
    weeks = [week for week in weeks if first is not None and week >= date.fromisoformat(first)]
    again = [repeated(rows, past, stalls, week, len(weeks)) for week in weeks] or [[]]
    courses = [dispatch(rows, left, ends, wants + more) for more in again]
    return weeks, {key: [course[key] + too_late[key] for course in courses] for key in stock}


def left_in_half(figures):
    """The most that is left in at least half of the weeks."""
    return max(g for g in figures if 2 * sum(other >= g for other in figures) >= len(figures))


def mean_prices(rows):
    """Net money a kilogram of each strain, of the last four weeks."""
    grams, money = defaultdict(int), defaultdict(Decimal)
    for h in handed_over(rows):
        if h.lot and h.at >= rows.now - PRICE_DAYS * DAY_S * SECOND:
            grams[rows.strain(h.lot)] += h.grams
            money[rows.strain(h.lot)] += h.amount
    return {strain: money[strain] / g for strain, g in grams.items() if g > 0}


def compare(rows, to):
    answer, today, on_hold = rows.answer("/api/reports/shelf-life"), rows.day_of(rows.now), held(rows)
    to.same("today", str(today), answer["today"])
    told = {(row["lot"], row["place"]): row for row in answer["lots"]}
    stock = {
        key: g
        for key, g in standing(rows.moves()).items()
        if rows.kind[key[1]] in STORES and g > 0 and rows.lots[key[0]]["form"] == "fresh"
    }
    ends, prices = last_days(rows, stock), mean_prices(rows)
    weeks, by_week = left_by_week(rows, {key: g for key, g in stock.items() if key[0] not in on_hold}, ends)
    by_week |= {key: [g] * max(len(weeks), 1) for key, g in stock.items() if key[0] in on_hold}
    to.same("weeks looked back on", [str(week) for week in weeks], answer["weeks"])
    left = {key: left_in_half(figures) for key, figures in by_week.items()}
    for key in sorted(set(told) | {key for key, g in left.items() if g > 0}):
        row = told.get(key)
        to.same(
            f"{key} is told", left.get(key, 0) > 0, row is not None, f"{left.get(key)} g left, until {ends.get(key)}"
        )
        if row is None:
            continue
        to.same(
            f"{key} stock, at risk, last day",
            (stock.get(key), left.get(key), str(ends.get(key))),
            (row["stock_g"], row["at_risk_g"], row["last_day"]),
        )
        to.same(
            f"{key} by week, least and most",
            (by_week[key], min(by_week[key]), max(by_week[key])),
            (row["left_by_week"], row["low_g"], row["high_g"]),
        )
        to.same(f"{key} is taken or left", stock[key], sum(t["grams_g"] for t in row["taken"]) + left[key])
        days = (date.fromisoformat(row["last_day"]) - today).days
        to.same(
            f"{key} when",
            "past its day" if days < 0 else ("today", "tomorrow")[days] if days < 2 else "later",
            row["when"],
        )
        price = prices.get(rows.strain(key[0]))
        to.money(f"{key} money", None if price is None else price * row["at_risk_g"], row["money"], rows.unit * 2)
    to.same("at_risk_g is the sum of the lots", sum(row["at_risk_g"] for row in answer["lots"]), answer["at_risk_g"])
    to.money(
        "money is the sum of the lots",
        sum((Decimal(row["money"]) for row in answer["lots"] if row["money"]), Decimal(0)),
        answer["money"],
        rows.unit,
    )
    order = [row["last_day"] for row in answer["lots"]]
    to.same("soonest first", sorted(order), order)
