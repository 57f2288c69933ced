"""Takings of a stall: cash less float, and card. Its lots share them by grams × price × (1 + tax); without tax, each share is divided by
(1 + tax); the fee is shared like them."""

from collections import defaultdict
from decimal import Decimal


def questions(rows):
    yield "/api/market-days?limit=200"


def compare(rows, to):
    told = {d["market_day"]: d for d in rows.answer("/api/market-days?limit=200")["rows"]}
    for day in rows.table("market_day"):
        if day["status"] == "closed":
            hold(rows, to, day, told[day["market_day"]])


def hold(rows, to, day, answer):
    what = day["market_day"]
    takings = Decimal(day["cash"]) - Decimal(day["float_amount"]) + Decimal(day["card"])
    to.money(f"{what} takings", takings, answer["takings"])
    for name in ("cash", "card", "fee", "float_amount", "net"):
        to.money(f"{what} {name}", day[name], answer[name])
    sold = defaultdict(int)
    for m in rows.moves():
        if m.act == day["close_act"] and m.target_kind == "customer":
            sold[m.lot] += m.grams
    shares = {s["lot"]: s for s in answer["sold"]}
    to.same(f"{what} sold", dict(sold), {lot: s["grams_g"] for lot, s in shares.items()})
    if not sold:
        return
    for name, whole in (("amount", takings), ("net", answer["net"]), ("fee", day["fee"])):
        to.money(f"{what} {name} of all lots", Decimal(whole), sum(Decimal(s[name]) for s in shares.values()))
    if all(s["price_per_kg"] for s in shares.values()):
        weights = {
            lot: sold[lot] * Decimal(s["price_per_kg"]) * (1 + Decimal(s["tax_percent"]) / 100)
            for lot, s in shares.items()
        }
        for lot, s in shares.items():
            to.money(f"{what} share of {lot}", takings * weights[lot] / sum(weights.values()), s["amount"], rows.unit)
            to.money(
                f"{what} net of {lot}",
                Decimal(s["amount"]) / (1 + Decimal(s["tax_percent"]) / 100),
                s["net"],
                rows.unit,
            )
            to.money(
                f"{what} fee of {lot}", Decimal(day["fee"]) * weights[lot] / sum(weights.values()), s["fee"], rows.unit
            )
