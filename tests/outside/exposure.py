"""Holds exposure figures against a numpy integration of the same piecewise-linear series.

Input: {"cases": [{"t": [seconds], "c": [degrees], "gap_s", "from", "until", "limit_c", "known_s", "mean_c", "min_c",
                   "max_c", "above_s", "above_degree_minutes"}]}
"""

import json
import sys

import numpy as np

compared = 0
for case in json.load(sys.stdin)["cases"]:
    t, c = np.array(case["t"], float), np.array(case["c"], float)
    known = integral = above = degree_seconds = 0.0
    low, high = [], []
    for i in range(len(t) - 1):
        begins, ends = max(t[i], case["from"]), min(t[i + 1], case["until"])
        if t[i + 1] - t[i] > case["gap_s"] or begins >= ends:
            continue
        # A fine grid, with the instant at which the line meets the limit put in, so that both integrals are exact.
        grid = np.linspace(begins, ends, 33)
        if (c[i] - case["limit_c"]) * (c[i + 1] - case["limit_c"]) < 0:
            meets = t[i] + (t[i + 1] - t[i]) * (case["limit_c"] - c[i]) / (c[i + 1] - c[i])
            if begins < meets < ends:
                grid = np.sort(np.append(grid, meets))
        values = np.interp(grid, t[i : i + 2], c[i : i + 2])
        over = np.clip(values - case["limit_c"], 0, None)
        known += ends - begins
        integral += np.trapezoid(values, grid)
        degree_seconds += np.trapezoid(over, grid)
        middles = (values[1:] + values[:-1]) / 2
        above += np.sum(np.diff(grid)[middles > case["limit_c"]])
        low.append(values.min())
        high.append(values.max())
    inside = c[(t >= case["from"]) & (t <= case["until"])]
    np.testing.assert_allclose(case["known_s"], known, rtol=1e-12, atol=1e-6)
    np.testing.assert_allclose(case["above_s"], above, rtol=1e-9, atol=1e-4)
    np.testing.assert_allclose(case["above_degree_minutes"] * 60, degree_seconds, rtol=1e-9, atol=1e-5)
    if known > 0:
        np.testing.assert_allclose(case["mean_c"], integral / known, rtol=1e-10, atol=1e-9)
        np.testing.assert_allclose(case["min_c"], min([*low, *inside]), rtol=1e-10, atol=1e-9)
        np.testing.assert_allclose(case["max_c"], max([*high, *inside]), rtol=1e-10, atol=1e-9)
    compared += 1
print(compared)
