"""Stock counts: the book at the moment of the count, and the difference split as it was stored.

Book less counted = water loss + unexplained - found. Unexplained is what is missing beyond the most that was to be expected.
"""

from collections import defaultdict

from ledger import standing
from rows import micros


def questions(rows):
    yield "/api/stock-counts?limit=200"


def split(row):
    """Water loss, unexplained, found, and how much less was lost than the least that was to be expected."""
    missing = row["book_g"] - row["counted_g"]
    unexplained = max(missing - row["high_g"], 0)
    return max(missing, 0) - unexplained, unexplained, max(-missing, 0), max(row["low_g"] - missing, 0)


def compare(rows, to):
    answers = {a["act"]["act_id"]: a for a in rows.answer("/api/stock-counts?limit=200")["rows"]}
    by_act = defaultdict(list)
    for row in rows.table("stock_count"):
        by_act[row["act_id"]].append(row)
    to.same("counts", set(by_act), set(answers))
    everything = rows.moves()
    for act_id, counted in by_act.items():
        act = rows.acts[act_id]
        at, recorded = micros(act["happened_at"]), micros(act["recorded_at"])
        # What the book knew when the count was written down, of what had happened by then; without the count itself.
        book = standing([m for m in rows.moves(recorded) if m.act != act_id], at)
        booked = standing([m for m in everything if m.act == act_id])
        told = {r["lot"]: r for r in answers.get(act_id, {"rows": []})["rows"]}
        for row in counted:
            lot, what = row["lot"], f"count of {row['lot']} at {row['place']}, {act['happened_at']}"
            answer = told.get(lot, {})
            to.same(f"{what}: the book at that instant", book[lot, row["place"]], row["book_g"])
            to.same(
                f"{what}: counted, book",
                (row["counted_g"], row["book_g"]),
                (answer.get("counted_g"), answer.get("book_g")),
            )
            expected = answer.get("expected", {})
            to.same(
                f"{what}: expected",
                (row["low_g"], row["likely_g"], row["high_g"]),
                tuple(expected.get(f) for f in ("low_g", "likely_g", "high_g")),
            )
            fields = ("water_loss_g", "unexplained_g", "found_g", "less_than_expected_g")
            to.same(
                f"{what}: water loss, unexplained, found, less than expected",
                split(row),
                tuple(answer.get(f) for f in fields),
            )
            if rows.alive(act_id):
                to.same(
                    f"{what}: what it booked at the place", row["counted_g"] - row["book_g"], booked[lot, row["place"]]
                )
