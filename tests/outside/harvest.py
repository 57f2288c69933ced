"""What flushes are expected to give, by the quartiles of Python's statistics."""

import json
import math
import sys
from datetime import date, timedelta
from statistics import quantiles


def by(picks, blocks, last):
    return sum(grams for day, grams in picks if date.fromisoformat(day) <= last) / blocks


cases = json.load(sys.stdin)
told = 0
for case in cases:
    today = date.fromisoformat(case["today"])
    began = case["began_on"] and date.fromisoformat(case["began_on"])
    start = began or max(date.fromisoformat(case["due_on"]), today)
    first = today + timedelta(days=case["picked_today"])
    low = high = 0
    expected = []
    for n in range(case["days"] - case["picked_today"]):
        day = first + timedelta(days=n)
        if day >= start:
            figures = []
            for flush in case["past"]:
                picks, blocks = flush["picks"], flush["blocks"]
                zero = date.fromisoformat(min(picks)[0]) if began else date.fromisoformat(flush["due_on"])
                figure = by(picks, blocks, zero + (day - start))
                if began:
                    figure -= by(picks, blocks, zero + (first - began) - timedelta(days=1))
                figures.append(figure)
            lower, _, upper = quantiles(figures, n=4, method="inclusive")
            now = [lower * case["blocks"], upper * case["blocks"]]
        else:
            now = [0, 0]
        expected.append(now)
    sums = [0, 0]
    picks = {pick[0]: pick[1:] for pick in case["picks"]}
    for n, now in enumerate(expected):
        day = (first + timedelta(days=n)).isoformat()
        for i, grams in enumerate(picks.pop(day, [0, 0])):
            sums[i] += grams
            # Whole grams, rounded down; the floating sums of the two may part by a hair.
            assert math.floor(now[i] - 1e-6) <= sums[i] <= math.floor(now[i] + 1e-6), (case, day, now, sums)
    assert not picks, (case, picks)
    told += 1
print(told)
