"""Holds shelf-life figures against every way that the grams can have gone, walked one by one, and a numerical integral.

Input: {"now": seconds, "acts": [{"at", "kind", "act_id", "reverses", "legs": [{"lot", "from_place", "to_place", "grams_g"}]}] in the order in
        which they happened, "readings": {place: {probe: [[seconds, degrees]]}}, "gap_s": seconds, "limits": {place: degrees},
        "assumed": {place: degrees}, "profiles": {packaging: {"points": [[degrees, days]], "lowest_c": degrees}}, "packaging": {lot: packaging}, "made": [[parent, child]],
        "told": [{"lot", "place", "used", "best_used" or null, "known_share", "days_per_share"}]}

A way is a tuple of (lot, place, from, until). Sources are rooms; whatever is not a store swallows.
"""

import bisect
import json
import sys

import numpy as np

told = json.load(sys.stdin)
NOW, STORES = told["now"], set(told["assumed"])
NODES, WEIGHTS = np.polynomial.legendre.leggauss(12)


def rate(packaging, degrees):
    """Shares of the whole life a second, of an array of temperatures."""
    profile = told["profiles"][packaging]
    at, days = (np.array(column, float) for column in zip(*profile["points"]))
    low = profile["lowest_c"]
    degrees = np.where(degrees < low, 2 * low - degrees, degrees)
    logs = np.log(days)
    slopes = np.diff(logs) / np.diff(at)
    piece = np.clip(np.searchsorted(at, degrees, side="right") - 1, 0, len(slopes) - 1)
    line = logs[piece] + slopes[piece] * (degrees - at[piece])
    line = np.clip(line, logs.min() + np.log(0.25), logs.max() + np.log(1.5))
    return np.exp(-line) / 86_400


def lines_of(place):
    """(from, until, degrees, degrees) of every probe of a place, where its readings are near enough."""
    for series in told["readings"].get(place, {}).values():
        for (t0, c0), (t1, c1) in zip(series, series[1:]):
            if 0 < t1 - t0 <= told["gap_s"]:
                yield t0, t1, c0, c1


def air(place, begins, ends):
    """Straight pieces of the warmest of the lines."""
    lines = sorted(line for line in lines_of(place) if line[1] > begins and line[0] < ends)
    cuts = {begins, ends} | {t for line in lines for t in line[:2] if begins < t < ends}
    for i, a in enumerate(lines):
        for b in lines[i + 1 :]:
            if b[0] >= a[1]:
                break
            slope = (a[3] - a[2]) / (a[1] - a[0]) - (b[3] - b[2]) / (b[1] - b[0])
            if slope:
                level = (b[2] - b[0] * (b[3] - b[2]) / (b[1] - b[0])) - (a[2] - a[0] * (a[3] - a[2]) / (a[1] - a[0]))
                meet = level / slope
                if max(begins, a[0], b[0]) < meet < min(ends, a[1], b[1]):
                    cuts.add(meet)
    cuts = sorted(cuts)
    beginnings = [line[0] for line in lines]
    for t0, t1 in zip(cuts, cuts[1:]):
        near = lines[bisect.bisect_left(beginnings, t0 - told["gap_s"]) : bisect.bisect_right(beginnings, t0)]
        here = [line for line in near if line[1] >= t1]
        if here:
            at = lambda t: max(c0 + (c1 - c0) * (t - l0) / (l1 - l0) for l0, l1, c0, c1 in here)
            yield t0, t1, at(t0), at(t1)


known = {}


def stay(lot, place, begins, ends):
    """(used, known seconds, coldest, warmest) of a stay."""
    key = lot, place, begins, ends
    if key not in known:
        used = seconds = 0.0
        coldest, warmest = np.inf, -np.inf
        profile = told["profiles"][told["packaging"][lot]]
        for t0, t1, c0, c1 in air(place, begins, ends):
            # The rate has corners at the table's points, at the lowest safe temperature and at its bounds; a fine split meets them all.
            ends_c = np.linspace(c0, c1, 257)
            half = np.diff(ends_c)[:, None] / 2
            middle = (ends_c[1:] + ends_c[:-1])[:, None] / 2
            values = rate(told["packaging"][lot], middle + half * NODES)
            used += (t1 - t0) / 256 * np.sum(values @ WEIGHTS) / 2
            seconds += t1 - t0
            coldest, warmest = min(coldest, c0, c1), max(warmest, c0, c1)
        known[key] = used, seconds, coldest, warmest
    return known[key]


# Every way of every gram that may stand somewhere.
ways, grams, moved_last = {}, {}, {}
reversed_acts = {act["reverses"] for act in told["acts"]}
for act in told["acts"]:
    if act["reverses"] or act["act_id"] in reversed_acts:
        continue
    now = act["at"]
    came, left = {}, {}
    for leg in act["legs"]:
        if leg["from_place"] in STORES:
            at = leg["lot"], leg["from_place"]
            left[at] = [way[:-1] + ((*way[-1][:3], now),) for way in ways[at]]
            grams[at] -= leg["grams_g"]
    for leg in act["legs"]:
        if leg["to_place"] not in STORES:
            continue
        at = leg["lot"], leg["to_place"]
        if leg["from_place"] in STORES:
            arriving = left[leg["lot"], leg["from_place"]]
        elif leg["from_place"] in told["rooms"]:
            arriving = [()]
        else:
            # Off the packing table: of what went onto it under the same act, the lots that this one was made of.
            onto = {(o["lot"], o["from_place"]) for o in act["legs"] if o["to_place"] == leg["from_place"]}
            arriving = [way for source in onto if [source[0], leg["lot"]] in told["made"] for way in left[source]]
        came.setdefault(at, []).extend(way + ((*at, now, None),) for way in arriving)
        grams[at] = grams.get(at, 0) + leg["grams_g"]
    for at in set(came) | set(left):
        ways[at] = list(dict.fromkeys(ways.get(at, []) + came.get(at, []))) if grams[at] > 0 else []

compared = 0
for figure in told["told"]:
    ends = [way[:-1] + ((*way[-1][:3], NOW),) for way in ways[figure["lot"], figure["place"]]]
    stays = [[stay(*step) for step in way] for way in ends]
    seen = [s for way in stays for s in way if s[1] > 0]
    extremes = [min(s[2] for s in seen), max(s[3] for s in seen)] if seen else []
    always = set.intersection(*({step[1] for step, s in zip(way, w) if s[1] > 0} for way, w in zip(ends, stays)))
    used, shares = [], []
    for way, parts in zip(ends, stays):
        total = known_s = whole = 0.0
        for (lot, place, begins, until), part in zip(way, parts):
            candidates = extremes + ([] if place in always else [told["assumed"][place]])
            worst = max(rate(told["packaging"][lot], np.array(candidates)))
            total += part[0] + (until - begins - part[1]) * worst
            known_s += part[1]
            whole += until - begins
        used.append(total)
        shares.append(known_s / whole)
    worst = int(np.argmax(used))
    np.testing.assert_allclose(figure["used"], used[worst], rtol=2e-6)
    np.testing.assert_allclose(figure["known_share"], shares[worst], rtol=1e-6, atol=1e-9)
    best = min(used)
    if (used[worst] - best) * figure["days_per_share"] > 1.001:
        np.testing.assert_allclose(figure["best_used"], best, rtol=2e-6)
    elif (used[worst] - best) * figure["days_per_share"] < 0.999:
        assert figure["best_used"] is None, figure
    compared += 1
print(compared)
