"""The week from order to cash, by channel: promised orders by their delivery day, dockets of theirs that stand, hand-overs and returns by when
they happened, and what is owed by the days of invoices, credit notes and payments. The journal is not read: what is owed follows from the
documents."""

from collections import defaultdict
from datetime import date
from decimal import Decimal

from money import handed_over
from rows import week_name

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
                for name in ("ordered_g", "sent_g", "sent_net"):
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
            if step != "ordered":
                # A part of a docket's line is rounded, and so is what is left of it.
                to.money(f"{week} {kind} {step} net", of[kind][f"{step}_net"], goods["net"], rows.unit * 20)
        to.money(f"{week} {kind} stall_takings", of[kind]["stall_takings"], given.get("stall_takings", 0))
        for name in OWED:
            to.money(f"{week} {kind} {name}", of[kind][name], given.get(name, 0))


def promised(rows):
    """Orders that are promised, with what went out of them on dockets that stand."""
    lines, sent_g, sent_net = defaultdict(int), defaultdict(int), defaultdict(Decimal)
    for line in rows.table("order_line"):
        lines[line["order_code"]] += line["grams"]
    standing = {d["docket"]: d["order_code"] for d in rows.table("docket") if rows.alive(d["act_id"])}
    for line in rows.table("docket_line"):
        if line["docket"] in standing:
            sent_g[standing[line["docket"]]] += line["grams"]
            sent_net[standing[line["docket"]]] += line["amount"]
    return [
        {
            "order": o["order_code"],
            "customer": o["customer"],
            "day": date.fromisoformat(o["delivery_day"]),
            "ordered_g": lines[o["order_code"]],
            "sent_g": sent_g[o["order_code"]],
            "sent_net": sent_net[o["order_code"]],
        }
        for o in rows.table("customer_order")
        if o["status"] not in ("draft", "cancelled")
    ]


def hold_orders(week, orders, answer, to):
    told = {o["order"]: o for o in answer["orders"]}
    here = {o["order"]: o for o in orders if week_name(o["day"]) == week}
    to.same(f"{week} orders", sorted(here), sorted(told))
    for code in sorted(set(here) & set(told)):
        to.same(f"{week} {code} ordered", here[code]["ordered_g"], told[code]["ordered"]["grams_g"])
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
