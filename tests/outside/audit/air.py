"""The air of a place from its raw readings, and the food behind it.

Air is the straight line between two readings of a probe that are no further apart than the place's gap limit; further apart nothing is
known between them. Of several probes the warmest counts at every instant; only the coldest of a span is the coldest reading of any of them. Faults
are no temperatures, readings by hand no coverage. The food follows the air as a first-order lag, dP/dt = (A - P) / tau, solved exactly on every
straight piece, from the first limit of the place on; it begins as the air is then and stands still where nothing is known. There are two
estimates, and silence makes neither better: the warm one goes on at least as warm as the first air after it, the cold one at least as cold.

Times are seconds, as floats, counted from the first reading of the place.
"""

from bisect import bisect_left, bisect_right
from collections import namedtuple
from math import exp, log

from numpy.polynomial.legendre import leggauss

from rows import SECOND, micros

# A straight piece of the air: from t0 at a0 to t1 at a1, and the food at both ends (none before the first limit). No limit changes within.
Piece = namedtuple("Piece", "t0 a0 t1 a1 p0 p1 tau")

# The gap limit before a place has a limit, as it is shipped.
GAP_MINUTES = 15

NODES = [(float(x), float(w)) for x, w in zip(*leggauss(24))]

# Activation energy divided by the gas constant, kelvin, and zero Celsius.
DH_OVER_R, ZERO_C = 10_000.0, 273.15


class Air:
    def __init__(self, rows, place):
        self.rows, self.place = rows, place
        self.probes = [p["probe_id"] for p in rows.table("probe") if p["place"] == place]
        self.limits = sorted(
            (row for row in rows.table("place_limit") if row["place"] == place),
            key=lambda row: micros(row["effective_from"]),
        )
        readings = self.readings()
        self.base = min((at for series in readings.values() for at, _ in series), default=rows.now)
        self.faults = sorted(
            self.seconds(micros(r["at"])) for r in rows.table("reading") if r["probe_id"] in self.probes and r["fault"]
        )
        self.fault_rows = [r for r in rows.table("reading") if r["probe_id"] in self.probes and r["fault"]]
        self.series = [[(self.seconds(at), c) for at, c in series] for series in readings.values()]
        self.times = [[t for t, _ in series] for series in self.series]
        self.points = sorted(point for series in self.series for point in series)
        self.point_times = [t for t, _ in self.points]
        self.limit_times = [self.seconds(micros(row["effective_from"])) for row in self.limits]
        self.spread = []
        edge = list(self.envelope())
        self.pieces = list(self.with_food(edge, max))
        self.cold_pieces = list(self.with_food(edge, min))
        self.starts = [piece.t0 for piece in self.pieces]

    def seconds(self, at):
        return (at - self.base) / SECOND

    def readings(self):
        """Temperatures of each probe in the order of their times, with the offset that was in force added."""
        offsets = {}
        for row in sorted(self.rows.table("probe_offset"), key=lambda row: micros(row["effective_from"])):
            offsets.setdefault(row["probe_id"], []).append((micros(row["effective_from"]), float(row["offset_c"])))
        found = {probe: [] for probe in self.probes}
        for row in self.rows.table("reading"):
            if row["probe_id"] in found and not row["fault"]:
                at = micros(row["at"])
                offset = next((c for since, c in reversed(offsets.get(row["probe_id"], [])) if since <= at), 0.0)
                found[row["probe_id"]].append((at, float(row["value_c"]) + offset))
        return {probe: sorted(series) for probe, series in found.items()}

    def limit_at(self, t):
        """The limit in force; before the first one, none."""
        n = bisect_right(self.limit_times, t)
        return self.limits[n - 1] if n else None

    def rule(self, t, name, otherwise):
        limit = self.limit_at(t)
        return float(limit[name]) if limit else otherwise

    def gap_s(self, t):
        return 60.0 * self.rule(t, "gap_minutes", GAP_MINUTES)

    def envelope(self):
        """Straight pieces of the warmest air, and readings that stand alone (as pieces without length)."""
        stops = sorted({t for t, _ in self.points} | set(self.limit_times))
        lines = []
        for series in self.series:
            lines.append(
                [(t0, c0, t1, c1) for (t0, c0), (t1, c1) in zip(series, series[1:]) if t1 - t0 <= self.gap_s(t0)]
            )
        cursors = [0] * len(lines)
        lone = {}
        for t, c in self.points:
            lone[t] = max(c, lone.get(t, c))
        covered_until = None
        for t0, t1 in zip(stops, stops[1:] + [None]):
            known = []
            for n, line in enumerate(lines):
                while cursors[n] < len(line) and line[cursors[n]][2] <= t0:
                    cursors[n] += 1
                if t1 is not None and cursors[n] < len(line) and line[cursors[n]][0] <= t0:
                    known.append(line[cursors[n]])
            if not known:
                if t0 in lone and covered_until != t0:
                    yield t0, lone[t0], t0, lone[t0]
                continue
            covered_until = t1
            ends = [(at(line, t0), at(line, t1)) for line in known]
            if len(known) > 1:
                self.spread.append((t0, t1, ends))
            yield from warmest(t0, t1, ends)

    def with_food(self, envelope, careful):
        food, known_until = None, None
        for t0, a0, t1, a1 in envelope:
            limit = self.limit_at(t0)
            if limit is None:
                yield Piece(t0, a0, t1, a1, None, None, None)
                continue
            tau = 60.0 * float(limit["lag_minutes"])
            if food is None or known_until != t0:
                food = a0 if food is None else careful(food, a0)
            after = lagged(t1 - t0, a0, a1, food, tau)
            yield Piece(t0, a0, t1, a1, food, after, tau)
            food, known_until = after, t1

    def within(self, begins, ends):
        """Pieces cut to a span of seconds. A reading that stands alone counts where it lies in [begins, ends)."""
        for piece in self.pieces[max(0, bisect_left(self.starts, begins) - 1) :]:
            if piece.t0 >= ends:
                break
            if piece.t1 == piece.t0:
                if piece.t0 >= begins:
                    yield piece
            elif piece.t1 > begins:
                yield cut(piece, max(begins, piece.t0), min(ends, piece.t1))

    def exposure(self, begins, ends):
        """What the air was over a span of seconds."""
        known = total = aged = above = degrees = 0.0
        coldest, warmest_c, warmest_food = self.coldest_reading(begins, ends), None, None
        for p in self.within(begins, ends):
            length = p.t1 - p.t0
            coldest = min(p.a0, p.a1) if coldest is None else min(coldest, p.a0, p.a1)
            warmest_c = max(p.a0, p.a1) if warmest_c is None else max(warmest_c, p.a0, p.a1)
            if p.p0 is not None:
                peak = max(food_at(p, t) for t in turns(p))
                warmest_food = peak if warmest_food is None else max(warmest_food, peak)
            if not length:
                continue
            known += length
            total += length * (p.a0 + p.a1) / 2
            aged += mean_rate(p.a0, p.a1) * length
            limit = self.limit_at(p.t0)
            if limit:
                seconds, excess = over(length, p.a0, p.a1, float(limit["warm_c"]))
                above += seconds
                degrees += excess
        return {
            "span_s": ends - begins,
            "known_s": known,
            "coverage": known / (ends - begins),
            "mean_c": total / known if known else None,
            "min_c": coldest,
            "max_c": warmest_c,
            "above_s": above,
            "above_degree_minutes": degrees / 60.0,
            "mean_kinetic_c": DH_OVER_R / -log(aged / known) - ZERO_C if known else None,
            "product_max_c": warmest_food,
        }

    def coldest_reading(self, begins, ends):
        """The coldest reading of any probe."""
        found = [
            c
            for series, times in zip(self.series, self.times)
            for _, c in series[bisect_left(times, begins) : bisect_left(times, ends)]
        ]
        return min(found, default=None)

    def apart(self, begins, ends):
        """The most that probes known at the same time were apart."""
        most = 0.0
        for t0, t1, lines in self.spread[max(0, bisect_left(self.spread, (begins,)) - 1) :]:
            if t0 >= ends:
                break
            b, e = max(t0, begins), min(t1, ends)
            if e > b:
                # Lines may cross in between; the most that straight ones are apart is at an end.
                for t in (b, e):
                    here = [c0 + (c1 - c0) * (t - t0) / (t1 - t0) for c0, c1 in lines]
                    most = max(most, max(here) - min(here))
        return most

    def readings_within(self, begins, ends):
        """How many temperatures came in a span, and how many faults."""
        return tuple(bisect_left(times, ends) - bisect_left(times, begins) for times in (self.point_times, self.faults))

    def gaps(self, begins, ends):
        """Stretches of a span in which nothing is known. A reading that stands alone parts no gap."""
        found, since = [], begins
        for p in self.within(begins, ends):
            if p.t1 > p.t0:
                if p.t0 > since:
                    found.append((since, p.t0))
                since = p.t1
        if ends > since:
            found.append((since, ends))
        return found


def air_of(rows, place):
    if place not in rows.airs:
        rows.airs[place] = Air(rows, place)
    return rows.airs[place]


def at(line, t):
    t0, c0, t1, c1 = line
    return c0 + (c1 - c0) * (t - t0) / (t1 - t0)


def warmest(t0, t1, ends):
    """The upper edge of straight lines over one interval: walk from the warmest at the beginning to each that crosses it next."""
    t, here = t0, max(ends)
    while True:
        crossing, follows = t1, None
        slope = (here[1] - here[0]) / (t1 - t0)
        for other in ends:
            steeper = (other[1] - other[0]) / (t1 - t0)
            if steeper > slope:
                meets = t0 + (here[0] - other[0]) / (steeper - slope)
                if t <= meets < crossing:
                    crossing, follows = meets, other
        a0, a1 = here[0] + slope * (t - t0), here[0] + slope * (crossing - t0)
        if crossing > t:
            yield t, a0, crossing, a1
        if follows is None:
            return
        t, here = crossing, follows


def lagged(s, a0, a1, food, tau):
    """The food after `s` seconds of air that goes straight from a0 to a1."""
    if s == 0:
        return food
    if tau == 0:
        return a1
    slope = (a1 - a0) / s
    return a0 + slope * (s - tau) + (food - a0 + slope * tau) * exp(-s / tau)


def food_at(p, t):
    s = t - p.t0
    if s <= 0:
        return p.p0
    return lagged(s, p.a0, p.a0 + (p.a1 - p.a0) * s / (p.t1 - p.t0), p.p0, p.tau)


def air_at(p, t):
    return p.a0 if p.t1 == p.t0 else p.a0 + (p.a1 - p.a0) * (t - p.t0) / (p.t1 - p.t0)


def cut(p, b, e):
    if b == p.t0 and e == p.t1:
        return p
    if p.p0 is None:
        return Piece(b, air_at(p, b), e, air_at(p, e), None, None, None)
    return Piece(b, air_at(p, b), e, air_at(p, e), food_at(p, b), food_at(p, e), p.tau)


def turns(p):
    """The ends of a piece and, between them, the instant at which the food turns."""
    length = p.t1 - p.t0
    if not length or not p.tau:
        return [p.t0, p.t1]
    slope = (p.a1 - p.a0) / length
    k = p.p0 - p.a0 + slope * p.tau
    if k and 0 < slope * p.tau / k < 1:
        s = -p.tau * log(slope * p.tau / k)
        if 0 < s < length:
            return [p.t0, p.t0 + s, p.t1]
    return [p.t0, p.t1]


def mean_rate(a0, a1):
    """The mean of exp(-10000 K / T) along a straight piece."""
    return sum(w * exp(-DH_OVER_R / ((a0 + a1) / 2 + (a1 - a0) / 2 * x + ZERO_C)) for x, w in NODES) / 2


def over(length, a0, a1, limit):
    """Seconds above a limit along a straight piece, and degree-seconds. Exactly at the limit is within."""
    d0, d1 = a0 - limit, a1 - limit
    if d0 <= 0 and d1 <= 0:
        return 0.0, 0.0
    if d0 >= 0 and d1 >= 0:
        return length, length * (d0 + d1) / 2
    high = max(d0, d1)
    seconds = length * high / abs(d1 - d0)
    return seconds, seconds * high / 2
