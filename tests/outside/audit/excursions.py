"""Excursions of a place: too warm, too cold, no data, a probe's faults.

Too warm begins at the instant at which the food passes the limit, or the air its own, once that has lasted without a break for longer than
the grace; it ends when the food is below the limit less the hysteresis and the air within its own limit. A silence neither ends a spell nor
stops the grace: what is not known was never cold. A reading that stands alone begins a spell or carries it on, and ends none. Too cold mirrors it at the cold limit, by the cold estimate. No data is a silence longer
than the place allows, of all its probes together; a probe's fault is one that has said nothing but faults for longer than that.
"""

from air import Piece, air_at, air_of, cut, food_at, turns
from exposure import places
from rows import SECOND, instant, micros

# Seconds, °C and degree-minutes apart that are rounding.
WITHIN_S, WITHIN_C, WITHIN_DEGREE_MINUTES = 0.01, 1e-3, 0.05
# A probe that is good to this cannot decide nearer to the limit.
PROBE_GOOD_TO_C = 1.0


def questions(rows):
    for place in places(rows):
        yield listed(rows, place)


def listed(rows, place):
    first = min((micros(r["at"]) for r in rows.table("reading")), default=rows.now)
    return f"/api/excursions?place={place}&from={instant(first - SECOND)}&until={instant(rows.now)}"


def monotone(pieces):
    """Pieces on which the food goes one way."""
    for piece in pieces:
        if piece.p0 is None:
            continue
        stops = turns(piece)
        if len(stops) == 2:
            yield piece
        else:
            yield from (cut(piece, b, e) for b, e in zip(stops, stops[1:]))


def crossing(piece, of, level):
    """The instant at which a figure that goes one way passes a level, by halving; none where it does not."""
    low, high = piece.t0, piece.t1
    rises = of(piece, high) > of(piece, low)
    if (of(piece, low) > level) == (of(piece, high) > level):
        return None
    for _ in range(80):
        middle = (low + high) / 2
        if (of(piece, middle) > level) == rises:
            high = middle
        else:
            low = middle
    return high


def stretches(air, pieces, levels):
    """Pieces cut wherever the food or the air passes a level, so that each lies on one side."""
    for piece in monotone(pieces):
        limit = air.limit_at(piece.t0)
        food_levels, air_levels = levels(limit)
        stops = {piece.t0, piece.t1}
        stops |= {crossing(piece, food_at, level) for level in food_levels} | {
            crossing(piece, air_at, level) for level in air_levels
        }
        stops = sorted(s for s in stops if s is not None)
        if len(stops) < 2:
            yield limit, piece
        for b, e in zip(stops, stops[1:]):
            if e > b:
                yield limit, cut(piece, b, e)


def warm(air):
    """Too warm: list of [began, ended or None, farthest air, farthest food, degree-seconds]."""

    def levels(limit):
        warm_c = float(limit["warm_c"])
        return (warm_c, warm_c - float(limit["hysteresis_c"])), (float(limit["air_c"]),)

    def beyond(limit, food, outside):
        return food > float(limit["warm_c"]) or outside > float(limit["air_c"])

    def within(limit, food, outside):
        return food < float(limit["warm_c"]) - float(limit["hysteresis_c"]) and outside <= float(limit["air_c"])

    return spells(
        stretches(air, air.pieces, levels),
        beyond,
        within,
        max,
        lambda limit, food: max(0.0, food - float(limit["warm_c"])),
    )


def cold(air):
    def levels(limit):
        cold_c = float(limit["cold_c"])
        return (cold_c, cold_c + float(limit["hysteresis_c"])), ()

    def beyond(limit, food, outside):
        return food < float(limit["cold_c"])

    def within(limit, food, outside):
        return food > float(limit["cold_c"]) + float(limit["hysteresis_c"])

    return spells(
        stretches(air, air.cold_pieces, levels),
        beyond,
        within,
        min,
        lambda limit, food: max(0.0, float(limit["cold_c"]) - food),
    )


def spells(pieces, beyond, within, farthest, excess):
    found, spell = [], None
    for limit, p in pieces:
        middle = (p.t0 + p.t1) / 2
        food, outside = food_at(p, middle), air_at(p, middle)
        if spell is None and beyond(limit, food, outside):
            spell = {"undecided": True, "began": p.t0, "air": p.a0, "food": p.p0, "excess": 0.0, "counts": False}
        if spell is None:
            continue
        # A reading that stands alone may begin a spell, and ends none.
        if p.t1 == p.t0 and not beyond(limit, food, outside):
            continue
        if within(limit, food, outside) if spell["counts"] else not beyond(limit, food, outside):
            if spell["counts"]:
                found.append(dict(spell, ended=p.t0))
            spell = None
            continue
        grace = 60.0 * float(limit["grace_minutes"])
        spell["counts"] |= p.t1 - spell["began"] > grace
        spell["air"] = farthest(spell["air"], p.a0, p.a1)
        spell["food"] = farthest(spell["food"], p.p0, p.p1)
        spell["undecided"] &= excess(limit, p.p0) <= PROBE_GOOD_TO_C and excess(limit, p.p1) <= PROBE_GOOD_TO_C
        spell["excess"] += integral(p, lambda c: excess(limit, c))
    if spell is not None and spell["counts"]:
        found.append(dict(spell, ended=None))
    return found


def integral(p: Piece, of):
    """Over the food of a piece that lies on one side of every level: smooth, so a fine Gauss rule is exact enough."""
    from air import NODES

    half = (p.t1 - p.t0) / 2
    return sum(w * of(food_at(p, p.t0 + half * (1 + x))) for x, w in NODES) * half


def silences(air, now):
    """No data: longer than allowed without a temperature; the last one lasts until now. A lone reading between two does not part them."""
    times = [t for t, _ in air.points]
    if not times:
        return []
    found = []
    for t0, t1 in zip(times, times[1:] + [None]):
        allowed = 60.0 * air.rule(t0, "silence_minutes", float("inf"))
        if (now if t1 is None else t1) - t0 > allowed:
            if found and found[-1]["ended"] == t0:
                found[-1]["ended"] = t1
            else:
                found.append({"began": t0, "ended": t1})
    return found


def probe_faults(air, probe_id):
    """Faults of a probe one after another, longer than the silence that is allowed, until a temperature comes."""
    faults = [(air.seconds(micros(r["at"])), True) for r in air.fault_rows if r["probe_id"] == probe_id]
    good = [(t, False) for t in air.times[air.probes.index(probe_id)]]
    found, since = [], None
    for t, fault in sorted(faults + good):
        if fault and since is None:
            since = t
        elif not fault and since is not None:
            if t - since > 60.0 * air.rule(since, "silence_minutes", float("inf")):
                found.append({"began": since, "ended": t})
            since = None
    return found


def compare(rows, to):
    for place in places(rows):
        air = air_of(rows, place)
        told = [e for e in rows.answer(listed(rows, place))["rows"] if not e["withdrawn_at"]]
        for kind, ours in (
            ("too_warm", warm(air)),
            ("too_cold", cold(air)),
            ("no_data", silences(air, air.seconds(rows.now))),
        ):
            theirs = sorted((e for e in told if e["kind"] == kind), key=lambda e: micros(e["began_at"]))
            hold(to, f"{place} {kind}", air, ours, theirs)
        for row in rows.table("probe"):
            if row["place"] == place:
                theirs = [e for e in told if e["kind"] == "probe_fault" and e["probe"] == row["name"]]
                hold(
                    to,
                    f"{place} probe_fault {row['name']}",
                    air,
                    probe_faults(air, row["probe_id"]),
                    sorted(theirs, key=lambda e: micros(e["began_at"])),
                )


def hold(to, what, air, ours, theirs):
    """Both by the time at which they began: one that only one side has is named."""
    ours, theirs = list(ours), list(theirs)
    while ours or theirs:
        mine = ours[0]["began"] if ours else float("inf")
        told = air.seconds(micros(theirs[0]["began_at"])) if theirs else float("inf")
        if abs(mine - told) <= WITHIN_S:
            spell, answer = ours.pop(0), theirs.pop(0)
            name = f"{what} of {answer['began_at']}"
            to.number(f"{name} began", mine, told, WITHIN_S)
            to.number(
                f"{name} ended",
                spell["ended"],
                air.seconds(micros(answer["ended_at"])) if answer["ended_at"] else None,
                WITHIN_S,
            )
            if "food" in spell:
                to.number(f"{name} air_c", spell["air"], answer["air_c"], WITHIN_C)
                to.number(f"{name} product_c", spell["food"], answer["product_c"], WITHIN_C)
                to.same(f"{name} undecided", spell["undecided"], answer["undecided"])
            to.number(
                f"{name} beyond_degree_minutes",
                spell.get("excess", 0.0) / 60.0,
                answer["beyond_degree_minutes"],
                WITHIN_DEGREE_MINUTES,
            )
        elif mine < told:
            spell = ours.pop(0)
            to.same(
                f"{what} began {instant(air.base + round(mine * SECOND))}",
                f"until {spell['ended'] and instant(air.base + round(spell['ended'] * SECOND))}",
                None,
            )
        else:
            answer = theirs.pop(0)
            to.same(f"{what} began {answer['began_at']}", None, f"until {answer['ended_at']}")
