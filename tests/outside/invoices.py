"""Sums of invoices by decimal: each rate's net, tax by rate or by line, and the total, in currencies of no, two and three decimals."""

import json
import sys
from collections import defaultdict
from decimal import ROUND_HALF_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

RULES = {"half_up": ROUND_HALF_UP, "half_down": ROUND_HALF_DOWN, "half_even": ROUND_HALF_EVEN}


def compare(case):
    unit, rule = Decimal(1).scaleb(-case["places"]), RULES[case["rounding"]]

    def rounded(amount):
        return amount.quantize(unit, rounding=rule)

    nets, by_line = defaultdict(Decimal), defaultdict(Decimal)
    for percent, net in case["lines"]:
        percent, net = Decimal(percent).normalize(), Decimal(net)
        nets[percent] += net
        by_line[percent] += rounded(net * percent / 100)
    taxes = [(p, nets[p], by_line[p] if case["tax_by"] == "line" else rounded(nets[p] * p / 100)) for p in sorted(nets)]
    told = [tuple(Decimal(x) for x in t) for t in case["taxes"]]
    assert told == taxes, (case, taxes)
    net, tax = sum(n for _, n, _ in taxes), sum(t for _, _, t in taxes)
    assert [Decimal(case[m]) for m in ("net", "tax", "total")] == [net, tax, net + tax], (case, net, tax)


cases = json.load(sys.stdin)
for case in cases:
    compare(case)
print(len(cases))
