"""The lots that were inside a warm spell or a gap in the readings.

Inside is what stood in the place when it began or came while it lasted. Grams of one lot at one place are not told apart, so what leaves a
place that any of them has reached may be of them, and what is packed of them then. What was entered on a phone that several use, or by a
machine, left no earlier than it was entered. What was taken back counts, with no grams, as having happened until somebody took back
it; a lot of which nothing else stands in the book is left out. What a count found of a lot may have come from wherever the lot was, and stood
where it was found since the lot first came there. Where a count finds more of a lot with a reason, and one that was entered
within 60 days of it has less of another lot than the book, or finishes it, the one may be the other. What went onto the packing table may be in whatever came off it. A
phone's clock may be ahead: nothing came later than it was entered. The grams are those by the book: what stood there when it began, and
all that came while it lasted.
"""

from collections import defaultdict

from rows import SECOND, micros

FOREVER, DAY = float("inf"), 86_400 * SECOND


def questions(rows):
    for excursion in told_of(rows):
        yield path(excursion)


def told_of(rows):
    return [e for e in rows.table("excursion") if e["kind"] in ("too_warm", "no_data") and not e["withdrawn_at"]]


def path(excursion):
    return f"/api/excursions/{excursion['excursion_id']}"


class Book:
    """Every movement with when it came and when it left at the earliest, and what acts made of what."""

    def __init__(self, rows):
        self.rows = rows
        self.back = {a["reverses"]: micros(a["recorded_at"]) for a in rows.acts.values() if a["reverses"]}
        self.by_place, self.out = defaultdict(list), defaultdict(list)
        self.links = defaultdict(list)
        for link in rows.table("lot_link"):
            self.links[link["act_id"]].append((link["parent"], link["child"]))
        # Where grams come from that a count finds.
        self.sources = {place for place, kind in rows.kind.items() if kind == "found"}
        self.found = defaultdict(list)
        for act_id, legs in rows.by_act.items():
            for leg in legs:
                if leg["from_place"] in self.sources:
                    self.found[leg["lot"]].append(act_id)
                self.by_place[leg["to_place"]].append((act_id, leg))
                self.by_place[leg["from_place"]].append((act_id, leg))
                self.out[leg["lot"], leg["from_place"]].append(act_id)

        self.swaps = defaultdict(list)
        counts = [c | {"at": micros(rows.acts[c["act_id"]]["recorded_at"])} for c in rows.table("stock_count")]
        for f in (c for c in counts if c["found_reason"] is not None and c["counted_g"] > c["book_g"]):
            for act_id, legs in rows.by_act.items():
                act = rows.acts[act_id]
                if act["kind"] not in ("count", "finish") or abs(micros(act["recorded_at"]) - f["at"]) > 60 * DAY:
                    continue
                for m in legs:
                    if rows.kind[m["to_place"]] == "water" and m["lot"] != f["lot"]:
                        self.swaps[m["lot"], m["from_place"]].append(f)

    def came(self, act_id):
        act = self.rows.acts[act_id]
        recorded = micros(act["recorded_at"])
        return recorded if act["kind"] == "reversal" else min(micros(act["happened_at"]), recorded)

    def left(self, act_id):
        act = self.rows.acts[act_id]
        if act["own_sign_in"] and act["kind"] != "reversal":
            return micros(act["happened_at"])
        return max(micros(act["happened_at"]), micros(act["recorded_at"]))

    def stood_since(self, act, leg):
        """When grams came; of those that a count found, when the lot first came where they were found."""
        at = micros(act["happened_at"])
        if leg["from_place"] not in self.sources:
            return at
        legs = [(a, l) for a, l in self.by_place[leg["to_place"]] if l["lot"] == leg["lot"] and l["to_place"] == leg["to_place"]]
        came = [micros(self.rows.acts[a]["happened_at"]) for a, _ in legs if self.rows.acts[a]["kind"] != "reversal"]
        return min([at, *came])

    def there(self, excursion):
        """Of each lot that was there: since when, and its grams by the book."""
        place, began = excursion["place"], micros(excursion["began_at"])
        ended = micros(excursion["ended_at"]) if excursion["ended_at"] else FOREVER
        before, perhaps, came, since = defaultdict(int), defaultdict(int), defaultdict(int), {}

        def earliest(lot, at):
            since[lot] = min(since.get(lot, FOREVER), at)

        for act_id, leg in self.by_place[place]:
            act = self.rows.acts[act_id]
            at, lot = self.stood_since(act, leg), leg["lot"]
            inward = leg["to_place"] == place
            if act["kind"] == "reversal" or at > ended:
                continue
            if act_id in self.back:
                if inward and self.back[act_id] >= began:
                    earliest(lot, max(began, self.came(act_id)))
                continue
            grams = leg["grams"] if inward else -leg["grams"]
            if at <= began:
                before[lot] += grams
                if inward or self.left(act_id) <= began:
                    perhaps[lot] += grams
            elif inward:
                came[lot] += grams
                earliest(lot, self.came(act_id))
        for lot, grams in perhaps.items():
            if grams > 0:
                earliest(lot, began)
        return since, {lot: max(before[lot], 0) + came[lot] for lot in since}

    def reached(self, since, place, began):
        """Every lot that grams of these may have become, out of the place from then on."""
        seen, todo = set(), [(lot, place, at) for lot, at in since.items()]
        while todo:
            node = todo.pop()
            if node in seen:
                continue
            seen.add(node)
            lot, here, at = node
            for found in self.swaps[lot, here]:
                if found["at"] >= began:
                    todo.append((found["lot"], found["place"], began))
            for act_id in self.out[lot, here] + self.found[lot]:
                if self.left(act_id) < at:
                    continue
                then = max(at, self.came(act_id))
                act = self.rows.acts[act_id]
                backwards = act["kind"] == "reversal"
                pairs = self.links[act["reverses"] if backwards else act_id]
                made_by = self.rows.acts[act["reverses"]] if backwards else act
                mixed = made_by["kind"] == "packing" and made_by["document"] is None
                became = {p if backwards else c for p, c in pairs if mixed or (c if backwards else p) == lot}
                for leg in self.rows.by_act[act_id]:
                    if leg["lot"] in became or (leg["lot"] == lot and leg["from_place"] in (here, *self.sources)):
                        todo.append((leg["lot"], leg["to_place"], then))
        return {lot for lot, _, _ in seen}


def compare(rows, to):
    book = Book(rows)
    standing = {m.lot for m in rows.moves()}
    for excursion in told_of(rows):
        since, grams = book.there(excursion)
        lots = book.reached(since, excursion["place"], micros(excursion["began_at"])) & standing
        told = {l["lot"]: l for l in rows.answer(path(excursion))["lots"]}
        what = f"{excursion['kind']} in {excursion['place']} of {excursion['began_at']}"
        to.same(f"{what}: lots", sorted(lots), sorted(told))
        for lot in sorted(lots & set(told)):
            to.same(f"{what}: {lot} was there itself", lot in since, not told[lot]["made_since"])
            to.same(f"{what}: grams of {lot}", grams.get(lot, 0), told[lot]["grams_g"])
