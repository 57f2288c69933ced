"""Takings of a stall: cash less float, and card. What cash totals were rounded by is apart, up to the takings; the rest is shared by its lots by
grams × price × (1 + tax); without tax, each share is divided by (1 + tax); the fee is shared by what is left. The tally is the sum of the sales that were
not taken back, each the sum of its lines, cash rounded to the nearest multiple of the smallest coin."""

from collections import defaultdict
from decimal import Decimal


def questions(rows):
    yield "/api/market-days?limit=200"


def compare(rows, to):
    told = {d["market_day"]: d for d in rows.answer("/api/market-days?limit=200")["rows"]}
    lines = defaultdict(list)
    for line in rows.table("tally_line"):
        lines[line["tally_sale"]].append(line)
    back = {r["tally_sale"] for r in rows.table("tally_reversal")}
    sales = defaultdict(list)
    for sale in rows.table("tally_sale"):
        if sale["tally_sale"] not in back:
            sales[sale["market_day"]].append((sale, lines[sale["tally_sale"]]))
    step = Decimal(rows.table("farm")[0]["cash_step"])
    for day in rows.table("market_day"):
        answer = told[day["market_day"]]
        rounding = hold_tally(to, day, answer, sales[day["market_day"]], step)
        if day["status"] == "closed":
            hold(rows, to, day, answer, rounding)
            hold_prices(to, day["market_day"], answer, [line for _, lines in sales[day["market_day"]] for line in lines])


def hold_tally(to, day, answer, sales, step):
    what, tally = day["market_day"], answer["tally"]
    paid = {"cash": Decimal(0), "card": Decimal(0)}
    grams = rounding = Decimal(0)
    for sale, lines in sales:
        total = sum(Decimal(line["amount"]) for line in lines)
        coins = 0
        if sale["method"] == "cash" and step:
            # No half of a step is among what a price and a weight come to here, or the farm rounds it up.
            coins = ((total / step + Decimal("0.5")) // 1) * step - total
        to.money(f"{what} rounding of {sale['tally_sale']}", coins, sale["cash_rounding"])
        paid[sale["method"]] += total + coins
        rounding += coins
        grams += sum(int(line["grams"]) for line in lines)
    to.same(f"{what} sales", len(sales), tally["sales"])
    to.same(f"{what} tallied grams", int(grams), tally["grams_g"])
    to.money(f"{what} tallied cash", paid["cash"], tally["cash"])
    to.money(f"{what} tallied card", paid["card"], tally["card"])
    to.money(f"{what} cash rounding", rounding, tally["cash_rounding"])
    if day["status"] == "closed" and sales:
        beside = Decimal(day["cash"]) - Decimal(day["float_amount"]) - paid["cash"]
        to.money(f"{what} cash beside the tally", beside, answer["cash_difference"])
        to.money(f"{what} card beside the tally", Decimal(day["card"]) - paid["card"], answer["card_difference"])
    return rounding


def hold_prices(to, what, answer, lines):
    """A lot is sold at the mean of what was tallied of its product."""
    for share in answer["sold"]:
        of = [line for line in lines if line["product"] == share["product"]]
        if of:
            mean = sum(Decimal(line["amount"]) for line in of) * 1000 / sum(int(line["grams"]) for line in of)
            net = mean / (1 + Decimal(share["tax_percent"]) / 100)
            to.money(f"{what} price of {share['lot']}", net, share["price_per_kg"], Decimal("0.0001"))


def hold(rows, to, day, answer, rounding):
    what = day["market_day"]
    takings = Decimal(day["cash"]) - Decimal(day["float_amount"]) + Decimal(day["card"])
    rounding = max(min(rounding, takings), -takings)
    priced = takings - rounding
    to.money(f"{what} takings", takings, answer["takings"])
    to.money(f"{what} rounding", rounding, answer["cash_rounding"])
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
    for name, whole in (("amount", priced), ("net", Decimal(answer["net"]) - rounding), ("fee", day["fee"])):
        to.money(f"{what} {name} of all lots", Decimal(whole), sum(Decimal(s[name]) for s in shares.values()))
    if all(s["price_per_kg"] for s in shares.values()):
        weights = {
            lot: sold[lot] * Decimal(s["price_per_kg"]) * (1 + Decimal(s["tax_percent"]) / 100)
            for lot, s in shares.items()
        }
        for lot, s in shares.items():
            to.money(f"{what} share of {lot}", priced * weights[lot] / sum(weights.values()), s["amount"], rows.unit)
            to.money(
                f"{what} net of {lot}",
                Decimal(s["amount"]) / (1 + Decimal(s["tax_percent"]) / 100),
                s["net"],
                rows.unit,
            )
            net = Decimal(s["net"]) / sum(Decimal(other["net"]) for other in shares.values())
            to.money(f"{what} fee of {lot}", Decimal(day["fee"]) * net, s["fee"], rows.unit)
