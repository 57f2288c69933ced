"""The week from order to cash, by channel: promised orders by their delivery day, dockets of theirs that stand, hand-overs and returns by when
they happened, and what is owed by the days of invoices, credit notes and payments. The journal is not read: what is owed follows from the
documents."""

from collections import defaultdict
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from money import handed_over
from rows import micros, week_name

OWED = ("opening", "invoiced", "credited", "paid", "written_off", "closing")


def questions(rows):
    for week in rows.weeks():
        yield f"/api/reports/weeks/{week}/order-to-cash"


def compare(rows, to):
    channel = {c["customer"]: c["kind"] for c in rows.table("customer")}
    orders = promised(rows)
    handed = handed_over(rows)
    booked = list(bookings(rows))
    for week in rows.weeks():
        answer = rows.answer(f"/api/reports/weeks/{week}/order-to-cash")
        told = {**answer["channels"], "all": answer["total"]}
        of = defaultdict(lambda: defaultdict(Decimal))

        def add(customer, name, figure):
            for kind in (channel[customer], "all"):
                of[kind][name] += figure

        for order in orders:
            if week_name(order["day"]) == week:
                for name in ("ordered_g", "ordered_net", "without_price_g", "sent_g", "sent_net"):
                    add(order["customer"], name, order[name])
        hold_orders(week, orders, answer, to)
        first, end = rows.week_span(week)
        for h in handed:
            if first <= h.at < end:
                step = "stall" if channel[h.customer] == "market" else "handed_over" if h.grams > 0 else "returned"
                sign = -1 if step == "returned" else 1
                add(h.customer, f"{step}_g", sign * h.grams)
                add(h.customer, f"{step}_net", sign * h.amount)
                add(h.customer, "sold_g", h.grams)
                add(h.customer, "sold_net", h.amount)
                if step == "stall":
                    add(h.customer, "stall_takings", h.amount + h.tax)
        for customer, day, name, debit in booked:
            if week_name(day) <= week:
                shown = "opening" if week_name(day) < week else name
                add(customer, shown, debit if shown in ("opening", "invoiced") else -debit)
                add(customer, "closing", debit)
        hold(rows, week, of, told, to)


def hold(rows, week, of, told, to):
    for kind in sorted(set(of) | set(told)):
        given = told.get(kind, {})
        for step in ("ordered", "sent", "handed_over", "returned", "stall", "sold"):
            goods = given.get(step, {"grams_g": 0, "net": 0})
            to.same(f"{week} {kind} {step} grams", of[kind][f"{step}_g"], goods["grams_g"])
            # A part of a docket's line is rounded, and so is what is left of it.
            slack = 0 if step in ("ordered", "sent") else 20
            to.money(f"{week} {kind} {step} net", of[kind][f"{step}_net"], goods["net"], rows.unit * slack)
        to.same(f"{week} {kind} without_price_g", of[kind]["without_price_g"], given.get("without_price_g", 0))
        to.money(f"{week} {kind} stall_takings", of[kind]["stall_takings"], given.get("stall_takings", 0))
        for name in OWED:
            to.money(f"{week} {kind} {name}", of[kind][name], given.get(name, 0))


def promised(rows):
    """Orders that are promised, with what they are worth and what went out of them on dockets that stand."""
    lines, sent_g, sent_net, prices = defaultdict(list), defaultdict(int), defaultdict(Decimal), {}
    for line in rows.table("order_line"):
        lines[line["order_code"]].append(line)
    standing = {d["docket"]: d["order_code"] for d in rows.table("docket") if rows.alive(d["act_id"])}
    for line in rows.table("docket_line"):
        if line["docket"] in standing:
            order = standing[line["docket"]]
            sent_g[order] += line["grams"]
            sent_net[order] += line["amount"]
            prices[order, line["order_line"]] = (line["price"], line["unit"])
    customers = {c["customer"]: c for c in rows.table("customer")}
    found = []
    for o in rows.table("customer_order"):
        if o["status"] in ("draft", "cancelled"):
            continue
        day, code = date.fromisoformat(o["delivery_day"]), o["order_code"]
        worth = [
            line_worth(rows, line, prices.get((code, line["line"])) or listed(rows, customers[o["customer"]], line, day))
            for line in lines[code]
        ]
        found.append(
            {
                "order": code,
                "customer": o["customer"],
                "day": day,
                "ordered_g": sum(line["grams"] for line in lines[code]),
                "ordered_net": sum(w for w in worth if w is not None),
                "without_price_g": sum(line["grams"] for line, w in zip(lines[code], worth) if w is None),
                "sent_g": sent_g[code],
                "sent_net": sent_net[code],
            }
        )
    return found


def product_of(rows, line):
    return next(p for p in rows.table("product") if p["product"] == line["product"])


def listed(rows, customer, line, day):
    """The price of a line on its customer's list: now for today, when the day begins for one to come, when it ended for one that is past."""
    at = min(max(rows.now, rows.midnight(day)), rows.midnight(day + timedelta(days=1)))
    tax_included = next(x for x in rows.table("price_list") if x["price_list"] == customer["price_list"])["tax_included"]
    set_by_then = [
        p
        for p in rows.table("price")
        if p["price_list"] == customer["price_list"] and p["product"] == line["product"] and micros(p["effective_from"]) <= at
    ]
    standing = {}
    for price in sorted(set_by_then, key=lambda p: (micros(p["effective_from"]), p["from_grams"])):
        if price["amount"] is None and price["from_grams"] == 0:
            standing = {}
        else:
            standing[price["from_grams"]] = price
    reached = [weight for weight, p in standing.items() if weight <= line["grams"] and p["amount"] is not None]
    if not reached:
        return None
    price = standing[max(reached)]
    amount = price["amount"]
    if tax_included:
        tax = product_of(rows, line)["tax_percent"]
        amount = (amount * 100 / (100 + tax)).quantize(Decimal("0.0001"), rounding=ROUND_HALF_UP)
    return amount, price["unit"]


def line_worth(rows, line, price):
    if price is None:
        return None
    amount, unit = price
    pack = product_of(rows, line)["pack_g"]
    by = pack if unit == "pack" and pack else 1000
    return rows.rounded(amount * line["grams"] / by)


def hold_orders(week, orders, answer, to):
    told = {o["order"]: o for o in answer["orders"]}
    here = {o["order"]: o for o in orders if week_name(o["day"]) == week}
    to.same(f"{week} orders", sorted(here), sorted(told))
    for code in sorted(set(here) & set(told)):
        to.same(f"{week} {code} ordered", here[code]["ordered_g"], told[code]["ordered"]["grams_g"])
        to.money(f"{week} {code} ordered net", here[code]["ordered_net"], told[code]["ordered"]["net"])
        to.same(f"{week} {code} sent", here[code]["sent_g"], told[code]["sent"]["grams_g"])
        to.money(f"{week} {code} sent net", here[code]["sent_net"], told[code]["sent"]["net"])


def bookings(rows):
    """Customer, day, what it is, and by how much more is owed."""
    for invoice in rows.table("invoice"):
        sign, name = (1, "invoiced") if invoice["kind"] == "invoice" else (-1, "credited")
        yield invoice["customer"], date.fromisoformat(invoice["issued_on"]), name, sign * invoice["total"]
    payments = {p["payment"]: p for p in rows.table("payment")}
    for p in payments.values():
        name = "written_off" if p["method"] == "write_off" else "paid"
        yield p["customer"], date.fromisoformat(p["paid_on"]), name, -p["amount"]
    for r in rows.table("payment_reversal"):
        p = payments[r["payment"]]
        name = "written_off" if p["method"] == "write_off" else "paid"
        yield p["customer"], date.fromisoformat(r["reversed_on"]), name, p["amount"]
