"""Balances, stock and lots against the movements."""

from collections import defaultdict

from rows import SECOND, STOCK, UNCOUNTED, instant

# Seconds before now of the instants at which stock is asked for: no whole hours, so that none is the instant of an act.
ASKED_BEFORE_S = (40_007, 251_003, 700_001)


def questions(rows):
    yield "/api/stock"
    yield "/api/lots?limit=200"
    for seconds in ASKED_BEFORE_S:
        yield stock_at(rows, seconds)


def stock_at(rows, seconds):
    return f"/api/stock?at={instant(rows.now - seconds * SECOND)}"


def standing(moves, until=None):
    grams = defaultdict(int)
    for m in moves:
        if until is None or m.at <= until:
            grams[m.lot, m.source] -= m.grams
            grams[m.lot, m.target] += m.grams
    return grams


def held(rows):
    """Lots on hold: the last of their events that holds or releases, by its number, decides."""
    last = {}
    for event in sorted(rows.table("lot_event"), key=lambda e: e["seq"]):
        if event["kind"] in ("hold", "release"):
            last[event["lot"]] = event["kind"]
    return {lot for lot, kind in last.items() if kind == "hold"}


def under_way(rows):
    """Grams in vans on dockets that stand and were not handed over."""
    handed_over = {v["docket"] for v in rows.table("delivery") if rows.alive(v["act_id"])}
    van = {d["docket"]: d["van"] for d in rows.table("docket") if rows.alive(d["act_id"]) and d["docket"] not in handed_over}
    grams = defaultdict(int)
    for line in rows.table("docket_line"):
        if van.get(line["docket"]):
            grams[line["lot"], van[line["docket"]]] += line["grams"]
    return grams


def compare(rows, to):
    moves = rows.moves()
    grams = standing(moves)
    kept = {(b["lot"], b["place"]): b for b in rows.table("balance")}
    for key in sorted({k for k in grams if rows.kind[k[1]] not in UNCOUNTED} | set(kept)):
        to.same(f"balance of {key}", grams.get(key, 0), kept[key]["grams"] if key in kept else 0)

    aside = defaultdict(int)
    for s in rows.table("set_aside"):
        aside[s["lot"], s["place"]] += s["grams"]
    aside_or_under_way = aside.copy()
    for key, grams_under_way in under_way(rows).items():
        aside_or_under_way[key] += grams_under_way
    on_hold = held(rows)
    now = {k: g for k, g in grams.items() if rows.kind[k[1]] in STOCK and g}
    answered = {(r["lot"], r["place"]): r for r in rows.answer("/api/stock")["rows"] if r["grams_g"]}
    for key in sorted(now | answered):
        row = answered.get(key, {})
        free = 0 if key[0] in on_hold else now.get(key, 0) - aside_or_under_way[key]
        ours = (now.get(key, 0), aside[key], free, key[0] in on_hold)
        to.same(
            f"stock of {key}: grams, set aside, free, on hold",
            ours,
            (row.get("grams_g", 0), row.get("set_aside_g"), row.get("free_g"), row.get("on_hold")),
        )
    for seconds in ASKED_BEFORE_S:
        at = rows.now - seconds * SECOND
        then = {k: g for k, g in standing(moves, at).items() if rows.kind[k[1]] in STOCK and g}
        answered = {(r["lot"], r["place"]): r["grams_g"] for r in rows.answer(stock_at(rows, seconds))["rows"]}
        for key in sorted(then | answered):
            to.same(f"stock of {key} at {instant(at)}", then.get(key, 0), answered.get(key, 0))

    sources = defaultdict(lambda: defaultdict(int))
    lot_of = {w["act_id"]: w["lot"] for w in rows.table("weighing")}
    for w in rows.table("weighing_source"):
        if rows.alive(w["act_id"]):
            sources[lot_of[w["act_id"]]][w["batch"], w["flush"]] += w["grams"]
    for answer in rows.answer("/api/lots?limit=200")["rows"]:
        lot = answer["lot"]
        places = {p["place"]: p["grams_g"] for p in answer["places"] if p["grams_g"] and p["kind"] in STOCK}
        to.same(f"places of {lot}", {p: g for (of, p), g in now.items() if of == lot}, places)
        to.same(f"hold of {lot}", lot in on_hold, answer["on_hold"])
        if rows.lots[lot]["origin"] == "harvest":
            told = defaultdict(int)
            for part in answer["made_of"]:
                told[part["batch"], part["flush"]] += part["grams_g"]
            to.same(f"make-up of {lot}", dict(sources[lot]), dict(told))
