"""Stock counts: the book at the moment of the count, and the difference split as it was stored."""
from collections import defaultdict

from ledger import standing
from rows import micros


def questions(rows):
    yield "/api/stock-counts?limit=200"


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
            over = row["counted_g"] - row["book_g"]
            to.same(f"{what}: the book at that instant", book[lot, row["place"]], row["book_g"])
            to.same(f"{what}: counted, book, expected", (row["counted_g"], row["book_g"], row["expected_loss_g"]),
                    (answer.get("counted_g"), answer.get("book_g"), answer.get("expected_loss_g")))
            to.same(f"{what}: found", max(over, 0), answer.get("found_g"))
            # Missing beyond what was to be expected; where nothing is missing, nothing is unexplained but what was found.
            missing = -over - row["expected_loss_g"] if over < 0 else 0
            to.same(f"{what}: unexplained", missing, answer.get("unexplained_g"))
            if rows.alive(act_id):
                to.same(f"{what}: what it booked at the place", over, booked[lot, row["place"]])
