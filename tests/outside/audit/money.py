"""Money by hand-over: it counts with its grams when goods are handed over, and is taken off when they come back, without tax. A part of a
docket's line is worth its share of the line's amount."""

from collections import defaultdict
from decimal import Decimal

from rows import micros


def lines_of(rows):
    found = defaultdict(list)
    for line in rows.table("docket_line"):
        found[line["docket"]].append(line)
    return found


class Handed:
    """Grams and money handed to a customer, less than nothing where they came back; and of a stall its fee and the tax in its takings."""

    def __init__(self, at, customer, lot, grams, amount, whole, fee=Decimal(0), tax=Decimal(0)):
        self.at, self.customer, self.lot, self.grams, self.amount, self.whole, self.fee, self.tax = (
            at,
            customer,
            lot,
            grams,
            amount,
            whole,
            fee,
            tax,
        )


def handed_over(rows, recorded=None):
    """Every hand-over and return, in the order of time; with `recorded`, as the book knew them at that instant."""
    dockets = {d["docket"]: d for d in rows.table("docket")}
    by_act = {d["act_id"]: d["docket"] for d in dockets.values()} | {
        d["act_id"]: d["docket"] for d in rows.table("delivery")
    }
    lines, so_far, found = lines_of(rows), defaultdict(int), []
    moves = rows.moves(recorded)
    for m in moves:
        if "customer" not in (m.source_kind, m.target_kind) or m.kind == "market_close":
            continue
        docket = by_act.get(m.act) or m.document
        of_lot = [line for line in lines[docket] if line["lot"] == m.lot]
        amount, grams = sum(line["amount"] for line in of_lot), sum(line["grams"] for line in of_lot)
        before = so_far[docket, m.lot]
        after = before + (m.grams if m.target_kind == "customer" else -m.grams)
        so_far[docket, m.lot] = after
        worth = rows.rounded(amount * after / grams) - rows.rounded(amount * before / grams)
        found.append(
            Handed(
                m.at,
                dockets[docket]["customer"],
                m.lot,
                after - before,
                worth,
                before in (0, grams) and after in (0, grams),
            )
        )
    standing = {m.act for m in moves}
    for sale in rows.table("market_sale"):
        day = next(d for d in rows.table("market_day") if d["market_day"] == sale["market_day"])
        if day["close_act"] in standing:
            at = micros(rows.acts[day["close_act"]]["happened_at"])
            found.append(
                Handed(
                    at,
                    day["customer"],
                    sale["lot"],
                    sale["grams"],
                    sale["net"],
                    True,
                    sale["fee"],
                    sale["amount"] - sale["net"],
                )
            )
    return sorted(found, key=lambda h: h.at)
