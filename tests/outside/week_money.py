"""Water loss by numpy, and the money of dockets and stalls by decimal and fractions, from what the program was given."""

import json
import sys
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import numpy as np


def cents(amount):
    return amount.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)


def shared(total, weights):
    """Largest remainder: quotas rounded down, what is left to the largest remainders, the earlier first."""
    units, whole = int(total * 100), sum(weights)
    if whole == 0:
        weights, whole = [Fraction(1)] + [Fraction(0)] * (len(weights) - 1), 1
    quotas = [Fraction(units) * w / whole for w in weights]
    shares = [q.numerator // q.denominator for q in quotas]
    order = sorted(range(len(quotas)), key=lambda i: (shares[i] - quotas[i], i))
    for i in order[: units - sum(shares)]:
        shares[i] += 1
    return [Decimal(s) / 100 for s in shares]


def losses(case):
    air = case["air"]
    passes = {"open": 1.0, "vented": 0.3, "sealed": 0.05}[case["packaging"]]

    def rate(c):
        saturated = 0.61094 * np.exp(17.625 * c / (c + 243.04))
        return (0.52 + 11.63 * saturated * (1 - air["humidity_percent"] / 100)) * passes

    grams, hours = np.array(case["entries"], dtype=float).T
    weights = [air["known_hours"], air["unknown_hours"]]
    told = []
    for c in air["unknown_c"]:
        mean = np.average([rate(air["known_c"]), rate(c)], weights=weights)
        told.append(max(np.sum(grams * (1 - np.exp(-mean / 1000 * hours))), 0))
    # Whole grams, and the two ways to round a half may differ.
    assert np.all(np.abs(np.array(told) - np.array(case["loss"])) <= 0.5 + 1e-6), (case, told)


def settled(case):
    amount, grams = Decimal(case["amount"]), case["grams"]

    def worth(kept):
        return cents(amount * kept / grams)

    kept = np.cumsum([0] + case["events"])
    told = [worth(int(b)) - worth(int(a)) for a, b in zip(kept, kept[1:])]
    assert told == [Decimal(m) for m in case["money"]], (case, told)


def stalls(case):
    takings, fee = Decimal(case["takings"]), Decimal(case["fee"])
    lots = [(g, p and Decimal(p), t and Decimal(t)) for g, p, t in case["lots"]]
    known = [t for _, _, t in lots if t is not None]
    highest = max(known) if known else Decimal(case["else_percent"])
    priced = [(g, p) for g, p, _ in lots if p is not None]
    worth, weight = sum(g * p for g, p in priced), sum(g for g, _ in priced)
    mean = (worth / weight).quantize(Decimal("0.0001")) if worth else Decimal(1)
    rates = [highest if t is None else t for _, _, t in lots]
    gross = shared(takings, [Fraction(g) * Fraction(mean if p is None else p) * (100 + Fraction(r)) for (g, p, _), r in zip(lots, rates)])
    net = [cents(a * 100 / (100 + r)) for a, r in zip(gross, rates)]
    fees = shared(fee, [Fraction(n) for n in net])
    told = [[str(x) for x in row] for row in zip(map(cents, gross), net, map(cents, fees))]
    assert told == case["shares"], (case, told)


given = json.load(sys.stdin)
for check, name in [(losses, "losses"), (settled, "settled"), (stalls, "stalls")]:
    for case in given[name]:
        check(case)
print(sum(len(given[name]) for name in ("losses", "settled", "stalls")))
