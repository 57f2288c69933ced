"""Saleable life used along the path of a lot's own grams.

Used is the integral of dt / life(T), life log-linear in temperature between the points of the profile, on the end slope beyond them. The path
is made of stays: harvested here, moved there and back, and before packing the parents' stays in their packaging. A move that was reversed
never happened. Where grams of one lot at one place came by different paths the worst counts, until the place is empty of them. Time without
a known temperature counts at the worst known one of the path; where none was ever known, at the place's warm limit plus 5 °C.
"""
from collections import defaultdict

import numpy as np

from air import Air
from rows import SECOND, STOCK, micros

DAY_S = 86_400
UNKNOWN_ABOVE_LIMIT_C = 5.0
WITHIN_SHARE, WITHIN_DAYS = 1e-4, 2e-3


def questions(rows):
    yield "/api/lots?in_stock=true&limit=200"


class Profile:
    """Days of life by temperature, and the integral of 1 / life over temperature."""

    def __init__(self, row):
        self.c = np.array([float(c) for c in row["point_c"]])
        self.ln = np.log([float(d) for d in row["point_days"]])
        self.spread = float(row["spread"])

    def ln_days(self, c):
        if len(self.c) == 1:
            return self.ln[0] + 0.0 * c
        n = np.clip(np.searchsorted(self.c, c, side="right") - 1, 0, len(self.c) - 2)
        slope = np.diff(self.ln) / np.diff(self.c)
        return self.ln[n] + slope[n] * (c - self.c[n])

    def days(self, c):
        return float(np.exp(self.ln_days(np.float64(c))))

    def aged(self, lengths, a0, a1):
        """Days of life used, as a share of the whole, along straight pieces: each is cut where it passes a point of the profile."""
        stops = np.sort(np.clip(self.c[None, :], np.minimum(a0, a1)[:, None], np.maximum(a0, a1)[:, None]), axis=1)
        edges = np.concatenate([np.minimum(a0, a1)[:, None], stops, np.maximum(a0, a1)[:, None]], axis=1)
        low, high = edges[:, :-1], edges[:, 1:]
        # Inside one part ln(days) is straight: the mean of 1/days between its ends is their logarithmic mean.
        middle = (low + high) / 2
        at_low, at_high = part_ends(self, low, high, middle)
        mean = logarithmic_mean(np.exp(-at_low), np.exp(-at_high))
        width = np.where(a1 == a0, 1.0, np.abs(a1 - a0))[:, None]
        share = np.where((a1 == a0)[:, None], 0.0, (high - low) / width)
        part = (share * mean).sum(axis=1)
        part = np.where(a1 == a0, np.exp(-self.ln_days(a0)), part)
        return part * lengths / DAY_S


def part_ends(profile, low, high, middle):
    """ln(days) at both ends by the slope that holds at the middle, so that an end on a point takes the slope of its own side."""
    if len(profile.c) == 1:
        return profile.ln_days(low), profile.ln_days(high)
    n = np.clip(np.searchsorted(profile.c, middle, side="right") - 1, 0, len(profile.c) - 2)
    slope = (np.diff(profile.ln) / np.diff(profile.c))[n]
    return profile.ln[n] + slope * (low - profile.c[n]), profile.ln[n] + slope * (high - profile.c[n])


def logarithmic_mean(x, y):
    close = np.isclose(x, y, rtol=1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(close, (x + y) / 2, (y - x) / np.where(close, 1.0, np.log(y) - np.log(x)))


class Aging:
    """What staying somewhere takes, by place and profile: running sums over the place's pieces."""

    def __init__(self, rows):
        self.rows, self.airs, self.sums = rows, {}, {}
        self.profiles = {}
        for row in sorted(rows.table("strain_life"), key=lambda row: micros(row["effective_from"])):
            if micros(row["effective_from"]) <= rows.now:
                self.profiles[row["strain"], row["packaging"]] = Profile(row)

    def air(self, place):
        if place not in self.airs:
            air = Air(self.rows, place)
            long = [p for p in air.pieces if p.t1 > p.t0]
            self.airs[place] = (air, *(np.array([p[i] for p in long], dtype=float) for i in (0, 1, 2, 3)))
        return self.airs[place]

    def stay(self, profile, place, begins, ends):
        """Share used, seconds known, warmest known °C from one instant to another."""
        air, t0, a0, t1, a1 = self.air(place)
        b, e = air.seconds(begins), air.seconds(ends)
        first, last = np.searchsorted(t1, b, side="right"), np.searchsorted(t0, e, side="left")
        if last <= first:
            return 0.0, 0.0, None
        s0, s1 = np.maximum(t0[first:last], b), np.minimum(t1[first:last], e)
        slope = (a1[first:last] - a0[first:last]) / (t1[first:last] - t0[first:last])
        c0, c1 = a0[first:last] + slope * (s0 - t0[first:last]), a0[first:last] + slope * (s1 - t0[first:last])
        return float(profile.aged(s1 - s0, c0, c1).sum()), float((s1 - s0).sum()), float(max(c0.max(), c1.max()))

    def limit_plus(self, place):
        limit = self.air(place)[0].limit_at(self.air(place)[0].seconds(self.rows.now))
        return None if limit is None else float(limit["warm_c"]) + UNKNOWN_ABOVE_LIMIT_C


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
    here, grams, since = defaultdict(set), defaultdict(int), {}
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
                # Entered or found: where it was since it was harvested nobody wrote down.
                known = here[key] and grams[key] > 0
                lot = rows.lots[m.lot]
                unknown = Path().and_then(None, lot["packaging"], micros(lot["harvested_at"]), at)
                arrivals.append((key, m.grams, set() if known else {unknown}))
        for key in sources:
            if grams[key] <= 0:
                here[key].clear()
        for key, more, come in arrivals:
            grams[key] += more
            here[key] |= {(path, at) for path in come}
    return {key: until(key, rows.now) for key, g in grams.items() if g > 0}


def used(aging, strain, path, place_now):
    """Share of life used along a path, and the share of its time that is known."""
    total = known = 0.0
    worst, unknown = None, []
    for place, packaging, begins, ends in path.stays:
        profile = aging.profiles.get((strain, packaging))
        if profile is None:
            return None
        length = (ends - begins) / SECOND
        share, seconds, warmest = aging.stay(profile, place, begins, ends) if place else (0.0, 0.0, None)
        total += share
        known += seconds
        worst = max((c for c in (worst, warmest) if c is not None), default=None)
        unknown.append((length - seconds, profile, place or place_now))
    for seconds, profile, place in unknown:
        if seconds > 1e-6:
            c = worst if worst is not None else aging.limit_plus(place)
            if c is None:
                return None
            total += seconds / DAY_S / profile.days(c)
    whole = sum((e - b) for _, _, b, e in path.stays) / SECOND
    return total, known / whole if whole else 1.0


def compare(rows, to):
    aging, all_paths = Aging(rows), paths(rows)
    for answer in rows.answer("/api/lots?in_stock=true&limit=200")["rows"]:
        lot = answer["lot"]
        row = rows.lots[lot]
        for there in answer["places"]:
            key, life = (lot, there["place"]), there.get("life")
            if key not in all_paths or row["form"] != "fresh":
                continue
            found = [u for u in (used(aging, row["strain"], path, key[1]) for path in all_paths[key]) if u is not None]
            what = f"{lot} at {there['place']}"
            to.same(f"{what} has a life", bool(found), life is not None)
            if not found or life is None:
                continue
            share, known = max(found)
            tell = f"{len(found)} paths; {told(max(all_paths[key], key=lambda p: len(p.stays)))}"
            to.number(f"{what} used_share", share, life["used_share"], WITHIN_SHARE, tell)
            to.number(f"{what} known_share", known, life["known_share"], WITHIN_SHARE, tell)
            profile = aging.profiles[row["strain"], row["packaging"]]
            days = profile.days(float(life["at_c"]))
            to.number(f"{what} days_left", (1 - share) * days, life["days_left"], WITHIN_DAYS * max(1.0, days))


def told(path):
    from rows import instant

    return ", ".join(f"{place} {packaging} {instant(b)[5:16]}–{instant(e)[5:16]}" for place, packaging, b, e in path.stays)
