"""A farm's raw rows as the database wrote them, and the few things that hang together in every figure: instants, days and weeks of the
farm's zone, and which acts count. An act that was reversed and its reversal never happened."""

from collections import defaultdict, namedtuple
from datetime import date, datetime, timedelta, timezone
from decimal import ROUND_HALF_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

# Where grams can stand and still be the farm's.
STOCK = frozenset({"fridge", "shelf", "van", "stall"})
# Where grams come from, and the table on which lots become other lots: no balance is kept there.
UNCOUNTED = frozenset({"room", "opening", "found", "packing"})

# Digits after the point, ISO 4217; two for all others that are used here.
EXPONENT = {"JPY": 0, "TND": 3}
HALVES = {"half_up": ROUND_HALF_UP, "half_down": ROUND_HALF_DOWN, "half_even": ROUND_HALF_EVEN}

EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
SECOND = 1_000_000

Part = namedtuple("Part", "at recorded act kind docket line grams")
Move = namedtuple("Move", "at recorded act kind lot source target grams source_kind target_kind document")


def micros(text):
    """An instant in microseconds since 1970, exactly."""
    if text is None:
        return None
    gone = datetime.fromisoformat(text.replace("Z", "+00:00")) - EPOCH
    return (gone.days * 86_400 + gone.seconds) * SECOND + gone.microseconds


def instant(at):
    """The same for a person or a query."""
    return (EPOCH + timedelta(microseconds=at)).isoformat().replace("+00:00", "Z")


class Rows:
    def __init__(self, document):
        self.tables = document["tables"]
        self.answers = document.get("answers", {})
        self.now = micros(document["now"])
        self.farm = self.tables["farm"][0]
        self.zone = ZoneInfo(self.farm["zone"])
        self.unit = Decimal(1).scaleb(-EXPONENT.get(self.farm["currency"], 2))
        self.kind = {p["place"]: p["kind"] for p in self.tables["place"]}
        self.lots = {lot["lot"]: lot for lot in self.tables["lot"]}
        self.acts = {a["act_id"]: a for a in self.tables["act"]}
        self.by_act = defaultdict(list)
        for m in self.tables["movement"]:
            self.by_act[m["act_id"]].append(m)
        self.dead = self.dead_as_of(None)
        # The air of each place, once it was asked for.
        self.airs = {}

    def table(self, name):
        return self.tables.get(name, [])

    def dead_as_of(self, recorded):
        """Acts that do not count: reversals and what they reverse, as it was known at an instant."""
        dead = set()
        for act in self.acts.values():
            if act["reverses"] and (recorded is None or micros(act["recorded_at"]) <= recorded):
                dead |= {act["act_id"], act["reverses"]}
        return dead

    def moves(self, recorded=None):
        """Movements that count, by when they happened; with `recorded`, as the book knew them at that instant."""
        dead = self.dead if recorded is None else self.dead_as_of(recorded)
        found = []
        for act_id, legs in self.by_act.items():
            act = self.acts[act_id]
            if act_id in dead or (recorded is not None and micros(act["recorded_at"]) > recorded):
                continue
            for leg in legs:
                found.append(
                    Move(
                        micros(act["happened_at"]),
                        micros(act["recorded_at"]),
                        act_id,
                        act["kind"],
                        leg["lot"],
                        leg["from_place"],
                        leg["to_place"],
                        leg["grams"],
                        self.kind[leg["from_place"]],
                        self.kind[leg["to_place"]],
                        act["document"],
                    )
                )
        return sorted(found)

    def parts(self, recorded=None):
        """What acts that count handed over of docket lines, less than nothing where it came back, by when it happened."""
        dead = self.dead if recorded is None else self.dead_as_of(recorded)
        found = []
        for part in self.table("docket_part"):
            act = self.acts[part["act_id"]]
            if part["act_id"] in dead or (recorded is not None and micros(act["recorded_at"]) > recorded):
                continue
            grams = -part["grams"] if act["kind"] == "return" else part["grams"]
            at = (micros(act["happened_at"]), micros(act["recorded_at"]))
            found.append(Part(*at, part["act_id"], act["kind"], part["docket"], part["line"], grams))
        return sorted(found)

    def alive(self, act_id):
        return act_id not in self.dead

    def strain(self, lot):
        return self.lots[lot]["strain"]

    def midnight(self, day):
        """The first instant of a day: where midnight does not exist, the one at which the clock leaps over it."""
        local = datetime(day.year, day.month, day.day, tzinfo=self.zone)
        gone = local.astimezone(timezone.utc) - EPOCH
        return (gone.days * 86_400 + gone.seconds) * SECOND

    def day_of(self, at):
        return (EPOCH + timedelta(microseconds=at)).astimezone(self.zone).date()

    def week_span(self, week):
        year, number = week.split("-W")
        monday = date.fromisocalendar(int(year), int(number), 1)
        return self.midnight(monday), self.midnight(monday + timedelta(days=7))

    def week_of(self, at):
        return week_name(self.day_of(at))

    def weeks(self):
        """Every week in which something happened, and the one that is still going on."""
        times = [micros(a["happened_at"]) for a in self.acts.values()] + [self.now]
        return sorted({self.week_of(at) for at in times})

    def rounded(self, amount):
        return amount.quantize(self.unit, rounding=HALVES[self.farm["rounding"]])

    def answer(self, path):
        return self.answers[path]


def week_name(day):
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}"


def shared(total, weights, unit):
    """A sum shared by weights in whole units, what is over going to the largest remainders, the first of equals first."""
    whole = sum(weights)
    exact = [total * w / whole / unit for w in weights]
    parts = [int(e) for e in exact]
    over = int(total / unit) - sum(parts)
    for i in sorted(range(len(parts)), key=lambda i: (parts[i] - exact[i], i))[:over]:
        parts[i] += 1
    return [part * unit for part in parts]
