"""What no order takes in time: grams of a lot in a fridge or on a shelf, dispatched to the confirmed orders by their days, first-expiring-first
and of equal days the lowest grade that will do.

A lot ends on the earlier of its best-before day and the day on which the low end of its shelf life falls, that one today at the earliest. A
lot without a best-before day has the one that the farm's shortest rule gives for its strain and packaging, 7 days from harvest without a
rule. Dried goods have none. Orders that are overdue count as for today; of a lot on hold they take nothing. What is set aside is taken by
its order, or by nobody where that order is handed over after the last day. Money is at the mean price of the last four weeks.
"""

from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal

from ledger import held, standing
from money import handed_over
from rows import SECOND, micros

DAY_S = 86_400
PRICE_DAYS, DAYS_WITHOUT_RULE = 28, 7
STORES = ("fridge", "shelf")
LOTS = "/api/lots?in_stock=true&limit=200"


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


def left_by_orders(rows, stock, ends):
    """What confirmed orders leave of each lot at each place."""
    rank = {g["grade"]: g["rank"] for g in rows.table("grade")}
    products = {p["product"]: p for p in rows.table("product")}
    strains = defaultdict(set)
    for row in rows.table("product_strain"):
        strains[row["product"]].add(row["strain"])
    customers = {c["customer"]: c for c in rows.table("customer")}
    orders = {o["order_code"]: o for o in rows.table("customer_order") if o["status"] == "confirmed"}
    left, today, aside = dict(stock), rows.day_of(rows.now), defaultdict(int)
    days = {o["order_code"]: max(date.fromisoformat(o["delivery_day"]), today) for o in rows.table("customer_order")}
    too_late = defaultdict(int)
    for s in rows.table("set_aside"):
        key = s["lot"], s["place"]
        left[key] -= s["grams"]
        aside[s["order_code"], s["line"]] += s["grams"]
        if days[s["order_code"]] > ends.get(key, date.max):
            too_late[key] += s["grams"]
    lines = sorted(
        (
            max(date.fromisoformat(orders[line["order_code"]]["delivery_day"]), today),
            line["order_code"],
            line["line"],
            line["product"],
            line["grams"],
        )
        for line in rows.table("order_line")
        if line["order_code"] in orders
    )
    for day, order, number, product, wanted in lines:
        p, customer = products[product], customers[orders[order]["customer"]]
        wanted -= aside[order, number]
        needed_until = day + timedelta(days=customer["least_days"])
        fit = [
            key
            for key in left
            if rows.strain(key[0]) in strains[product]
            and rank[rows.lots[key[0]]["grade"]] <= rank[p["least_grade"]]
            and p["packaging"] in (None, rows.lots[key[0]]["packaging"])
            and rows.lots[key[0]]["form"] == p["form"]
            and best_before(rows, key[0]) >= needed_until
            and ends[key] >= day
        ]
        for key in sorted(fit, key=lambda key: (ends[key], -rank[rows.lots[key[0]]["grade"]], key)):
            taken = max(0, min(wanted, left[key]))
            left[key] -= taken
            wanted -= taken
    return {key: g + too_late[key] for key, g in left.items()}


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
    left = left_by_orders(rows, {key: g for key, g in stock.items() if key[0] not in on_hold}, ends)
    left |= {key: g for key, g in stock.items() if key[0] in on_hold}
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
