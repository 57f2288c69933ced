"""What is at risk of not being sold in time: never more than what the orders leave of a lot, dispatched first-expiring-first and grade by grade,
and its money at the mean price of the last four weeks.

What usually sells takes more off; it stands in no text, so only that bound is held, and everything that hangs together in the report.
"""
from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal

from ledger import held, standing
from money import handed_over
from rows import SECOND, STOCK, micros

DAY_S = 86_400
PRICE_DAYS = 28


def questions(rows):
    yield "/api/reports/shelf-life"


def on_hand(rows):
    """Grams of each lot that are the farm's to sell: not those under way under a docket."""
    grams = defaultdict(int)
    for (lot, place), g in standing(rows.moves()).items():
        if rows.kind[place] in STOCK:
            grams[lot] += g
    for docket in rows.table("docket"):
        if docket["van"] and rows.alive(docket["act_id"]):
            reached = {d["act_id"] for d in rows.table("delivery") if d["docket"] == docket["docket"] and rows.alive(d["act_id"])}
            if not reached:
                for m in rows.moves():
                    if m.act == docket["act_id"]:
                        grams[m.lot] -= m.grams
    return {lot: g for lot, g in grams.items() if g > 0}


def best_before(rows, lot):
    """The date that a lot was given, or what the strictest rule in force of a product that it can be sold as would give; none without a rule."""
    row = rows.lots[lot]
    if row["best_before"]:
        return date.fromisoformat(row["best_before"])
    products = {p["product"] for p in rows.table("product_strain") if p["strain"] == row["strain"]}
    rules = {}
    for rule in sorted(rows.table("best_before_rule"), key=lambda rule: micros(rule["effective_from"])):
        if rule["product"] in products and rule["packaging"] == row["packaging"] and micros(rule["effective_from"]) <= rows.now:
            rules[rule["product"]] = rule["days"]
    return date.fromisoformat(row["harvest_day"]) + timedelta(days=min(rules.values())) if rules else None


def left_by_orders(rows, grams, last_days):
    """What confirmed orders leave, first-expiring-first among lots of a fit strain, grade, packaging and form that keep long enough."""
    rank = {g["grade"]: g["rank"] for g in rows.table("grade")}
    products = {p["product"]: p for p in rows.table("product")}
    strains = defaultdict(set)
    for row in rows.table("product_strain"):
        strains[row["product"]].add(row["strain"])
    customers = {c["customer"]: c for c in rows.table("customer")}
    left, today = dict(grams), rows.day_of(rows.now)
    orders = {o["order_code"]: o for o in rows.table("customer_order") if o["status"] == "confirmed" and date.fromisoformat(o["delivery_day"]) >= today}
    lines = sorted((orders[line["order_code"]]["delivery_day"], line["order_code"], line["line"], line["product"], line["grams"]) for line in rows.table("order_line") if line["order_code"] in orders)
    for day, order, _, product, wanted in lines:
        p = products[product]
        needed_until = date.fromisoformat(day) + timedelta(days=customers[orders[order]["customer"]]["least_days"])
        fit = [lot for lot in left if rows.strain(lot) in strains[product] and rank[rows.lots[lot]["grade"]] <= rank[p["least_grade"]]
               and p["packaging"] in (None, rows.lots[lot]["packaging"]) and rows.lots[lot]["form"] == p["form"] and last_days[lot] >= needed_until]
        for lot in sorted(fit, key=lambda lot: (last_days[lot], lot)):
            taken = min(wanted, left[lot])
            left[lot] -= taken
            wanted -= taken
    return left


def mean_prices(rows):
    """Net money a kilogram of each strain, of the last four weeks."""
    grams, money = defaultdict(int), defaultdict(Decimal)
    for h in handed_over(rows):
        if h.at >= rows.now - PRICE_DAYS * DAY_S * SECOND:
            grams[rows.strain(h.lot)] += h.grams
            money[rows.strain(h.lot)] += h.amount
    return {strain: money[strain] / g for strain, g in grams.items() if g > 0}


def compare(rows, to):
    answer, grams, today = rows.answer("/api/reports/shelf-life"), on_hand(rows), rows.day_of(rows.now)
    to.same("today", str(today), answer["today"])
    told = {row["lot"]: row for row in answer["lots"]}
    on_hold = held(rows)
    last_days = {lot: best_before(rows, lot) or date.fromisoformat(told[lot]["last_day"] if lot in told else "9999-01-01") for lot in grams}
    left = left_by_orders(rows, {lot: g for lot, g in grams.items() if lot not in on_hold}, last_days)
    prices = mean_prices(rows)
    for lot, row in told.items():
        to.same(f"{lot} stock_g", grams.get(lot, 0), row["stock_g"])
        to.same(f"{lot} at risk is something, and no more than orders leave", True, 0 < row["at_risk_g"] <= left.get(lot, grams.get(lot, 0)), f"{row['at_risk_g']} of {left.get(lot)}")
        to.same(f"{lot} last_day is no later than its best-before", True, date.fromisoformat(row["last_day"]) <= last_days.get(lot, date.max))
        days = (date.fromisoformat(row["last_day"]) - today).days
        to.same(f"{lot} when", "past its day" if days < 0 else ("today", "tomorrow")[days] if days < 2 else "later", row["when"])
        price = prices.get(rows.strain(lot))
        to.money(f"{lot} money", None if price is None else price * row["at_risk_g"], row["money"], rows.unit * 2)
    to.same("at_risk_g is the sum of the lots", sum(row["at_risk_g"] for row in answer["lots"]), answer["at_risk_g"])
    to.money("money is the sum of the lots", sum((Decimal(row["money"]) for row in answer["lots"] if row["money"]), Decimal(0)), answer["money"], rows.unit)
    order = [row["last_day"] for row in answer["lots"]]
    to.same("soonest first", sorted(order), order)
