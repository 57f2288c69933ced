"""The programs themselves against figures that stand elsewhere; prints how many."""

from datetime import date
from decimal import Decimal
from math import log

import numpy as np

from air import DH_OVER_R, ZERO_C, lagged, mean_rate, over
from life import Profile
from rows import Rows, shared, week_name


def mean_kinetic_c(points):
    """Of straight pieces between (hours, °C)."""
    hours = points[-1][0] - points[0][0]
    aged = sum(mean_rate(a, b) * (until - since) for (since, a), (until, b) in zip(points, points[1:]))
    return DH_OVER_R / -log(aged / hours) - ZERO_C


def profile(points):
    return Profile({"point_c": [c for c, _ in points], "point_days": [d for _, d in points], "spread": 0.2}, -5.0)


def used(of, stays):
    lengths, c = (np.array(part, dtype=float) for part in zip(*((hours * 3600, c) for hours, c in stays)))
    return float(of.aged(lengths, c, c).sum())


minamide = profile([(1, 17), (6, 10), (20, 2.5)])
tripled = profile([(0, 14), (20, 14 * 3**-2)])
figures = [
    # Mean kinetic temperature with an activation energy of 83.144 kJ/mol, USP <1160>.
    (mean_kinetic_c([(0, 4), (1, 10), (4, 4)]), 7.179431, 1e-6),
    (mean_kinetic_c([(0, 5), (7, 5)]), 5.0, 1e-9),
    # A table's own values come back; Minamide, Habu and Ogata 1980.
    (minamide.days(6), 10.0, 1e-12),
    (minamide.days(1), 17.0, 1e-12),
    # Summed fractions of a life of 14 × 3^(-T/10) days.
    (tripled.days(8), 5.8134, 1e-4),
    (used(tripled, [(2, 18), (2, 4), (6, 10), (40, 3)]), 0.271335, 1e-6),
    # A slope is the mean of its fractions: 14 days × 3^(-T/10) from 0 to 20 °C in a day.
    (float(tripled.aged(np.array([86_400.0]), np.array([0.0]), np.array([20.0]))[0]), (9 - 1) / 14 / log(9), 1e-12),
    # Half-cooling: after five half times from 20 °C in air at 0 °C.
    (lagged(5 * log(2) * 3600, 0.0, 0.0, 20.0, 3600.0), 0.625, 1e-9),
    # A triangle over the limit.
    (over(60.0, 4.0, 6.0, 5.0)[0], 30.0, 1e-12),
    (over(60.0, 4.0, 6.0, 5.0)[1], 15.0, 1e-12),
]
for ours, theirs, within in figures:
    assert abs(ours - theirs) <= within, (ours, theirs)
assert [week_name(date(*d)) for d in ((2026, 12, 31), (2027, 1, 3), (2024, 12, 30))] == [
    "2026-W53",
    "2026-W53",
    "2025-W01",
]
assert shared(Decimal("1.00"), [1, 1, 1], Decimal("0.01")) == [Decimal("0.34"), Decimal("0.33"), Decimal("0.33")]
farm = {"zone": "Europe/Paris", "currency": "EUR", "rounding": "half_up"}
rows = Rows(
    {"now": "2026-03-30T00:00:00Z", "tables": {"farm": [farm], "place": [], "lot": [], "act": [], "movement": []}}
)
assert (rows.midnight(date(2026, 3, 30)) - rows.midnight(date(2026, 3, 29))) / 3.6e9 == 23
# EN 16931 example 2: 1460.50 × 25 %.
assert rows.rounded(Decimal("365.125")) == Decimal("365.13")
print(len(figures) + 6)
