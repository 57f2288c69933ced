"""Saleable life used along the ways that a lot's own grams may have gone.

Used is the integral of dt / life(T), life log-linear in temperature between the points of the profile, on the end
slope beyond them, and below the strain's lowest safe temperature as far above it. A way is made of stays: harvested
here, moved there and back, and before packing the parents' stays in their packaging. A move that was reversed never
happened. Where grams of one lot at one place came by different ways the worst counts, until the place is empty of
them. Time without a temperature counts at the worst that is known on any of the ways; at a place where none is
known, at 5 °C above its warm limit if that is worse, without a limit at 10 °C in a fridge and 20 °C elsewhere.
"""

from collections import defaultdict

import numpy as np

from air import air_of
from rows import SECOND, STOCK, instant, micros

DAY_S = 86_400
UNKNOWN_ABOVE_LIMIT_C, UNKNOWN_FRIDGE_C, UNKNOWN_ELSEWHERE_C = 5.0, 10.0, 20.0
WITHIN_SHARE, WITHIN_C = 1e-6, 1e-3
# Further back than this, to the whole hour, only the seconds known, the mean, the coldest and the warmest of each hour count.
EXACT_S, HOUR_S = 8 * DAY_S, 3600
# Temperatures between the coldest and the warmest of an hour that are tried for the most that it can have taken.
TRIED = 40


def questions(rows):
    yield "/api/lots?in_stock=true&limit=200"


class Profile:
    """Days of life by temperature, and the integral of 1 / life over temperature."""

    def __init__(self, row, lowest_safe_c):
        self.lowest = lowest_safe_c
        self.c = np.array([float(c) for c in row["point_c"]])
        self.ln = np.log([float(d) for d in row["point_days"]])
        self.spread = float(row["spread"])

    def mirrored(self, c, middle):
        return np.where(middle < self.lowest, 2 * self.lowest - c, c)

    def ln_days(self, c, middle=None):
        """By the slope that holds at `middle`, so that the end of a part takes the slope of its own side."""
        middle = c if middle is None else middle
        c, middle = self.mirrored(c, middle), self.mirrored(middle, middle)
        if len(self.c) == 1:
            return self.ln[0] + 0.0 * c
        n = np.clip(np.searchsorted(self.c, middle, side="right") - 1, 0, len(self.c) - 2)
        slope = np.diff(self.ln) / np.diff(self.c)
        return self.ln[n] + slope[n] * (c - self.c[n])

    def days(self, c):
        return float(np.exp(self.ln_days(np.float64(c))))

    def tried(self, coldest, warmest):
        """Temperatures from the coldest to the warmest, with those between at which ln(days) has a corner, and 1 / days at each."""
        corners = np.concatenate([self.c, [self.lowest], 2 * self.lowest - self.c])
        inside = corners[(corners > coldest) & (corners < warmest)]
        c = np.unique(np.concatenate([np.linspace(coldest, warmest, TRIED), inside]))
        return c, np.exp(-self.ln_days(c))

    def at_most(self, mean, coldest, warmest):
        """The most that a day of air of this mean can have taken: the height above the mean of the upper hull of 1 / days."""
        c, rate = self.tried(min(coldest, mean), max(warmest, mean))
        below, above = c <= mean, c >= mean
        x0, y0, x1, y1 = c[below][:, None], rate[below][:, None], c[above][None, :], rate[above][None, :]
        apart = np.where(x1 > x0, x1 - x0, 1.0)
        return float((y0 + (y1 - y0) * np.where(x1 > x0, mean - x0, 0.0) / apart).max())

    def worst(self, coldest, warmest):
        return float(self.tried(coldest, warmest)[1].max())

    def aged(self, lengths, a0, a1):
        """The share of life used along straight pieces: each is cut where ln(days) has a corner, and between corners 1
        / days has the logarithmic mean of its ends."""
        corners = np.unique(np.concatenate([self.c, [self.lowest], 2 * self.lowest - self.c]))
        least, most = np.minimum(a0, a1)[:, None], np.maximum(a0, a1)[:, None]
        edges = np.concatenate([least, np.clip(corners[None, :], least, most), most], axis=1)
        low, high = edges[:, :-1], edges[:, 1:]
        middle = (low + high) / 2
        mean = logarithmic_mean(np.exp(-self.ln_days(low, middle)), np.exp(-self.ln_days(high, middle)))
        level = a1 == a0
        part = ((high - low) / np.where(level[:, None], 1.0, most - least) * mean).sum(axis=1)
        return np.where(level, np.exp(-self.ln_days(a0)), part) * lengths / DAY_S


def logarithmic_mean(x, y):
    close = np.isclose(x, y, rtol=1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(close, (x + y) / 2, (y - x) / np.where(close, 1.0, np.log(y) - np.log(x)))


class Aging:
    """What staying somewhere takes, by place and profile: running sums over the place's pieces."""

    def __init__(self, rows):
        self.rows, self.airs, self.sums = rows, {}, {}
        self.profiles, self.hours, self.whole_hours = {}, {}, {}
        self.exact_from = (rows.now - EXACT_S * SECOND) // (HOUR_S * SECOND) * HOUR_S * SECOND
        lowest = {row["strain"]: float(row["lowest_safe_c"]) for row in rows.table("strain")}
        for row in sorted(rows.table("strain_life"), key=lambda row: micros(row["effective_from"])):
            if micros(row["effective_from"]) <= rows.now:
                self.profiles[row["strain"], row["packaging"]] = Profile(row, lowest[row["strain"]])

    def air(self, place):
        if place not in self.airs:
            air = air_of(self.rows, place)
            long = [p for p in air.pieces if p.t1 > p.t0]
            self.airs[place] = (air, *(np.array([p[i] for p in long], dtype=float) for i in (0, 1, 2, 3)))
        return self.airs[place]

    def hour(self, place, begins):
        """Seconds known, mean, coldest and warmest of an hour."""
        if (place, begins) not in self.hours:
            air = self.air(place)[0]
            figures = air.exposure(air.seconds(begins), air.seconds(begins + HOUR_S * SECOND))
            self.hours[place, begins] = tuple(figures[name] for name in ("known_s", "mean_c", "min_c", "max_c"))
        return self.hours[place, begins]

    def whole_hour(self, profile, place, begins):
        """The most that an hour with its figures can have taken."""
        key = (id(profile), place, begins)
        if key not in self.whole_hours:
            known, *figures = self.hour(place, begins)
            self.whole_hours[key] = known / DAY_S * profile.at_most(*figures)
        return self.whole_hours[key]

    def stay(self, profile, place, begins, ends):
        """Share used, seconds known, warmest known °C from one instant to another."""
        share, seconds, warmest = self.exact(profile, place, max(begins, self.exact_from), ends)
        for hour in range(begins // (HOUR_S * SECOND) * HOUR_S * SECOND, min(ends, self.exact_from), HOUR_S * SECOND):
            known, _, coldest_c, warmest_c = self.hour(place, hour)
            if not known:
                continue
            there = (min(ends, hour + HOUR_S * SECOND) - max(begins, hour)) / SECOND
            if there == HOUR_S:
                share += self.whole_hour(profile, place, hour)
            else:
                known = max(0.0, known - (HOUR_S - there))
                share += known / DAY_S * profile.worst(coldest_c, warmest_c)
            seconds += known
            warmest = max(c for c in (warmest, warmest_c) if c is not None)
        return share, seconds, warmest

    def exact(self, profile, place, begins, ends):
        air, t0, a0, t1, a1 = self.air(place)
        b, e = air.seconds(begins), air.seconds(ends)
        first, last = np.searchsorted(t1, b, side="right"), np.searchsorted(t0, e, side="left")
        if ends <= begins or last <= first:
            return 0.0, 0.0, None
        s0, s1 = np.maximum(t0[first:last], b), np.minimum(t1[first:last], e)
        slope = (a1[first:last] - a0[first:last]) / (t1[first:last] - t0[first:last])
        c0, c1 = a0[first:last] + slope * (s0 - t0[first:last]), a0[first:last] + slope * (s1 - t0[first:last])
        return float(profile.aged(s1 - s0, c0, c1).sum()), float((s1 - s0).sum()), float(max(c0.max(), c1.max()))

    def unknown_at(self, place):
        """What counts at a place where no temperature is known."""
        air = self.air(place)[0]
        limit = air.limit_at(air.seconds(self.rows.now))
        if limit:
            return float(limit["warm_c"]) + UNKNOWN_ABOVE_LIMIT_C
        return UNKNOWN_FRIDGE_C if self.rows.kind[place] == "fridge" else UNKNOWN_ELSEWHERE_C


class Path:
    """Stays of some grams so far: (place, packaging, from, until)."""

    def __init__(self, stays=()):
        self.stays = stays

    def and_then(self, place, packaging, begins, ends):
        return Path(self.stays + ((place, packaging, begins, ends),)) if ends > begins else self

    def __eq__(self, other):
        return self.stays == other.stays

    def __hash__(self):
        return hash(self.stays)


def paths(rows):
    """The paths of the grams that are at each place now: {(lot, place): {Path}}, each up to now."""
    here, grams = defaultdict(set), defaultdict(int)
    acts = defaultdict(list)
    for m in rows.moves():
        acts[m.at, m.recorded, m.act].append(m)
    links = defaultdict(set)
    for link in rows.table("lot_link"):
        links[link["act_id"], link["child"]].add(link["parent"])

    def until(key, at):
        lot, place = key
        return {path.and_then(place, rows.lots[lot]["packaging"], begun, at) for path, begun in here[key]}

    for (at, _, act), legs in sorted(acts.items()):
        sources = {(m.lot, m.source) for m in legs if m.source_kind in STOCK}
        brought = {key: until(key, at) for key in sources}
        arrivals = []
        for m in legs:
            if m.source_kind in STOCK:
                grams[m.lot, m.source] -= m.grams
            if m.target_kind not in STOCK:
                continue
            key = (m.lot, m.target)
            if m.source_kind in STOCK:
                arrivals.append((key, m.grams, brought[m.lot, m.source]))
            elif m.source_kind == "packing":
                parents = links[act, m.lot]
                arrivals.append((key, m.grams, set().union(*(brought[k] for k in sources if k[0] in parents))))
            elif m.source_kind == "room":
                arrivals.append((key, m.grams, {Path()}))
            else:
                # Entered or found: since it was harvested it is taken to have been there.
                known = here[key] and grams[key] > 0
                lot = rows.lots[m.lot]
                unknown = Path().and_then(m.target, lot["packaging"], micros(lot["harvested_at"]), at)
                arrivals.append((key, m.grams, set() if known else {unknown}))
        for key in sources | {key for key, _, _ in arrivals}:
            here[key] = {(path, at) for path in until(key, at)} if grams[key] > 0 else set()
        for key, more, come in arrivals:
            grams[key] += more
            here[key] |= {(path, at) for path in come}
    return {key: until(key, rows.now) for key, g in grams.items() if g > 0}


class Way:
    """What is known of one way: share used in known time, seconds known by place, stays' unknown seconds, the warmest
    known."""

    def __init__(self, aging, strain, path):
        self.total = self.known = self.whole = 0.0
        self.warmest, self.unknown, self.known_at = None, [], defaultdict(float)
        for place, packaging, begins, ends in path.stays:
            profile, length = aging.profiles[strain, packaging], (ends - begins) / SECOND
            share, seconds, warmest = aging.stay(profile, place, begins, ends)
            self.total += share
            self.known += seconds
            self.whole += length
            self.known_at[place] += seconds
            self.warmest = max((c for c in (self.warmest, warmest) if c is not None), default=None)
            self.unknown.append((length - seconds, profile, place))

    def used(self, aging, worst, nothing_known, at_most=float("inf")):
        """Share used, time without a temperature counted as said above, but at no more than `at_most`."""
        total = self.total
        for seconds, profile, place in self.unknown:
            if seconds > 1e-6:
                c = [worst] if worst is not None else []
                c += [aging.unknown_at(place)] if place in nothing_known or not c else []
                total += seconds / DAY_S / profile.days(min(max(c), at_most))
        return total


def fared(aging, strain, at_place):
    """The worst of the ways: what it used, what it used at least, as a function of the temperature that is left, and
    itself."""
    ways = [Way(aging, strain, path) for path in at_place]
    worst = max((way.warmest for way in ways if way.warmest is not None), default=None)
    places = {place for way in ways for place in way.known_at}
    nothing_known = {
        place for place in places if any(place in way.known_at and way.known_at[place] == 0 for way in ways)
    }
    share, way = max(((way.used(aging, worst, nothing_known), way) for way in ways), key=lambda found: found[0])
    return share, lambda at_c: way.used(aging, worst, nothing_known, at_c), way


def compare(rows, to):
    aging, all_paths = Aging(rows), paths(rows)
    for answer in rows.answer("/api/lots?in_stock=true&limit=200")["rows"]:
        lot, row = answer["lot"], rows.lots[answer["lot"]]
        for there in answer["places"]:
            key, life = (lot, there["place"]), there.get("life")
            if key not in all_paths or row["form"] != "fresh":
                continue
            what, at_place = f"{lot} at {there['place']}", all_paths[key]
            packagings = {packaging for path in at_place for _, packaging, _, _ in path.stays}
            to.same(
                f"{what} has a life", all((row["strain"], p) in aging.profiles for p in packagings), life is not None
            )
            if life is not None:
                hold(rows, to, what, aging, key, fared(aging, row["strain"], at_place), life, told(at_place))


def hold(rows, to, what, aging, key, found, life, tell):
    share, at_least, way = found
    profile = aging.profiles[rows.strain(key[0]), rows.lots[key[0]]["packaging"]]
    to.number(f"{what} used_share", share, life["used_share"], WITHIN_SHARE, tell)
    known = way.known / way.whole if way.whole else 1.0
    to.number(f"{what} known_share", known, life["known_share"], WITHIN_SHARE, tell)
    at_c, used = float(life["at_c"]), float(life["used_share"])
    air = aging.air(key[1])[0]
    now = air.seconds(rows.now)
    mean, limit = air.exposure(now - DAY_S, now)["mean_c"], air.limit_at(now)
    if mean is None:
        mean = float(limit["warm_c"]) if limit else aging.unknown_at(key[1])
    to.number(f"{what} at_c", mean, at_c, WITHIN_C)
    days = profile.days(at_c)
    to.number(f"{what} days_left", (1 - used) * days, life["days_left"], WITHIN_SHARE * days)
    to.number(f"{what} days_left_low", (1 - profile.spread - used) * days, life["days_left_low"], WITHIN_SHARE * days)
    high = (1 + profile.spread - at_least(at_c)) * days
    to.number(f"{what} days_left_high", high, life["days_left_high"], WITHIN_SHARE * days, tell)


def told(at_place):
    path = max(at_place, key=lambda p: len(p.stays))
    return f"{len(at_place)} ways; " + ", ".join(
        f"{place} {packaging} {instant(b)[5:16]}–{instant(e)[5:16]}" for place, packaging, b, e in path.stays
    )
