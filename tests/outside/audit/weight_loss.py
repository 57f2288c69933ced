"""How much water goods lose, learned from the counts: Bayes' rule worked out again on another grid, and at each count what it was to expect
and whether it warned. A lot's loss is a factor on what the published rate gives, scattered about that of its day, which is scattered about that of
its strain and packaging; the scale's errors are added, and one lot in fifty is off by anything."""

from collections import defaultdict
from math import log
from statistics import NormalDist

import numpy as np
from rows import SECOND, micros

# Days that are looked back on, and the newest without a warning that teach.
AGE, TAUGHT, WATCHED = 730, 26, 3
SCATTERS = np.array([0.07, 0.15, 0.3])
OF_DAY = 0.15
LOGS = np.linspace(log(0.01), log(10), 2000)
STEP = LOGS[1] - LOGS[0]
# How a day's factor is scattered about that of its kind.
KERNEL = np.exp(-0.5 * (np.arange(-250, 251) * STEP / OF_DAY) ** 2)
KERNEL = KERNEL / KERNEL.sum()
# A table of the normal distribution: so far out that what is beyond it is nothing.
Z = np.linspace(-38, 38, 76_001)
CDF = np.array([NormalDist().cdf(z) for z in Z])


def phi(z):
    return np.interp(z, Z, CDF)


def questions(rows):
    yield "/api/stock-counts?limit=200"
    yield "/api/reports/weight-loss"


def tolerance(grams):
    """Twice the largest error in service of a scale of class III with a step of 5 g."""
    return 10 * (1 if grams <= 2500 else 2 if grams <= 10_000 else 3)


class Lot:
    def __init__(self, row):
        self.row = row
        self.book, self.counted = row["book_g"], row["counted_g"]
        self.missing = self.book - self.counted
        self.explained = row["found_reason"] is not None
        self.watched = self.missing != 0 and not row["transferred"]
        self.published, self.gross = row["published_g"], row["published_gross_g"]
        self.low, self.high = row["published_low_g"], row["published_high_g"]
        self.air = (self.high - self.low) / (4 * self.published) if self.published else 0.0
        self.tolerance = tolerance(max(self.book, self.counted))
        self.scale = self.tolerance**2 / 6
        # So many grams that stood the whole time lose what these lose at the published rate.
        self.exponent = None
        if self.published < self.gross:
            low, high = 1e-9, self.gross / self.published if self.published else 1e9
            for _ in range(80):
                middle = (low + high) / 2
                if (1 - np.exp(-middle)) / middle > self.published / self.gross:
                    low = middle
                else:
                    high = middle
            self.exponent = (low + high) / 2

    def lost(self, factor):
        if self.exponent is None:
            return self.gross * factor
        return self.published * (1 - np.exp(-factor * self.exponent)) / (1 - np.exp(-self.exponent))

    def held(self, factor):
        return np.minimum(self.lost(factor), max(self.book, 1))


def together(lots):
    """What a lot was missing at a place at all counts of a day, as one weighing."""
    by_lot = {}
    for lot in lots:
        by_lot.setdefault((lot.row["lot"], lot.row["place"]), []).append(lot)
    found = []
    for parts in by_lot.values():
        row = dict(parts[0].row)
        row["counted_g"] = row["book_g"] - sum(part.missing for part in parts)
        for name in ("published_low_g", "published_g", "published_high_g", "published_gross_g"):
            row[name] = sum(part.row[name] for part in parts)
        found.append(Lot(row))
    return found


class Belief:
    """How likely each factor is with each scatter."""

    def __init__(self):
        self.factors = np.exp(LOGS)
        self.logs = np.repeat((-0.5 * (LOGS - log(0.5)) ** 2)[:, None], len(SCATTERS), axis=1)

    def copy(self):
        other = Belief()
        other.logs = self.logs.copy()
        return other

    def learn(self, lots):
        logs = np.zeros((len(LOGS), len(SCATTERS)))
        for lot in lots:
            lost = lot.held(self.factors)[:, None]
            variance = lost**2 * (SCATTERS**2 + lot.air**2) + lot.scale
            normal = np.exp(-((lot.missing - lost) ** 2) / (2 * variance)) / np.sqrt(2 * np.pi * variance)
            logs += np.log(0.98 * normal + 0.02 / (2 * max(lot.book, 1)))
        # By each factor of the day, then by each of the kind.
        for n in range(len(SCATTERS)):
            most = logs[:, n].max()
            of_kind = np.convolve(np.exp(logs[:, n] - most), KERNEL, mode="same")
            self.logs[:, n] += most + np.log(np.maximum(of_kind, 1e-300))

    def weights(self):
        weights = np.exp(self.logs - self.logs.max())
        return weights / weights.sum()

    def of_a_lot(self):
        """The 5th, 50th and 95th percentile of a lot's own factor."""
        weights = self.weights()

        def below(f):
            return float((weights * phi((f / self.factors[:, None] - 1) / np.hypot(SCATTERS, OF_DAY))).sum())

        return [reached(below, share, 0.0, 30.0) for share in (0.05, 0.5, 0.95)]

    def of_the_kind(self):
        """The same of the kind's own factor."""
        share = np.concatenate([[0.0], self.weights().sum(axis=1).cumsum()])
        step = LOGS[1] - LOGS[0]
        return [float(np.exp(np.interp(s, share, np.append(LOGS - step / 2, LOGS[-1] + step / 2)))) for s in (0.05, 0.5, 0.95)]

    def probability(self, days):
        """That the lots of some days are missing together so much or more."""
        weights = self.weights()
        mean, variance = np.zeros(len(LOGS)), np.full(weights.shape, 1e-300)
        for lots in days:
            lost = [lot.held(self.factors) for lot in lots]
            together = sum(lost)
            by_air = sum(each * lot.air for each, lot in zip(lost, lots))
            by_scale = sum(lot.tolerance for lot in lots) / (4 * 3**0.5)
            mean += together
            variance += ((together * OF_DAY) ** 2 + by_air**2 + by_scale**2)[:, None]
            for each, lot in zip(lost, lots):
                variance += (each[:, None] * SCATTERS) ** 2 + lot.scale
        missing = sum(lot.missing for lots in days for lot in lots)
        return float((weights * phi((mean[:, None] - missing) / np.sqrt(variance))).sum())


def reached(rising, share, low, high):
    for _ in range(60):
        middle = (low + high) / 2
        if rising(middle) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2


class Followed:
    """What was believed after some days with counts, and the last of them since a warning."""

    def __init__(self, days):
        self.belief, self.quiet, self.taught = Belief(), [], 0
        quiet = [day for day in days if not day["warned"]][-TAUGHT:]
        for day in days:
            watched = [lot for lot in day["lots"] if lot.watched]
            lots = together(watched)
            if day["warned"]:
                self.quiet = []
            elif any(day is kept for kept in quiet) and lots:
                self.quiet = [*self.quiet, (self.belief.copy(), lots)][1 - WATCHED :]
                teaching = [lot for lot in together(lot for lot in watched if not lot.explained) if lot.published > 0]
                self.belief.learn(teaching)
                self.taught += len(teaching)

    def warning(self, lots):
        """Probability, days and lots of the fewest days that say that too much is missing."""
        today = together(lot for lot in lots if lot.watched)
        for begins in range(len(self.quiet), -1, -1) if today else ():
            days = [*(part for _, part in self.quiet[begins:]), today]
            before = self.quiet[begins][0] if begins < len(self.quiet) else self.belief
            probability = before.probability(days)
            if probability < 1e-4:
                return probability, len(days), [lot for day in days for lot in day]
        return None


def days_of(rows, kind, until, recorded, but=None):
    """Days with counts of a kind up to an instant, as the book knew them at another, but for one count, in order of time."""
    dead = rows.dead_as_of(recorded)
    answers = sorted(
        (micros(r["recorded_at"]), micros(r["differently_since"]))
        for r in rows.table("loss_answer")
        if (r["strain"], r["packaging"]) == kind and r["differently_since"] and micros(r["recorded_at"]) <= recorded
    )
    answered, begins = answers[-1] if answers else (None, 0)
    begins = max(begins, until - AGE * 86_400 * SECOND)
    warned = {w["act_id"] for w in rows.table("loss_warning") if (w["strain"], w["packaging"]) == kind}
    counts = defaultdict(list)
    for row in rows.table("stock_count"):
        act, lot = rows.acts[row["act_id"]], rows.lots[row["lot"]]
        at, known = micros(act["happened_at"]), micros(act["recorded_at"])
        if (lot["strain"], lot["packaging"], lot["form"]) == (*kind, "fresh") and row["act_id"] not in dead:
            if begins <= at <= until and known <= recorded and row["act_id"] != but:
                counts[at, known, row["act_id"]].append(Lot(row))
    days = []
    for at, known, act_id in sorted(counts):
        if not days or days[-1]["day"] != rows.day_of(at):
            days.append({"day": rows.day_of(at), "lots": [], "warned": False})
        days[-1]["lots"] += counts[at, known, act_id]
        days[-1]["warned"] |= act_id in warned and (answered is None or answered <= known)
    return days


def compare(rows, to):
    by_act = defaultdict(list)
    for row in rows.table("stock_count"):
        by_act[row["act_id"]].append(row)
    answers = {a["act"]["act_id"]: a for a in rows.answer("/api/stock-counts?limit=200")["rows"]}
    for act_id, counted in by_act.items():
        act = rows.acts[act_id]
        at, recorded = micros(act["happened_at"]), micros(act["recorded_at"])
        told = {(w["strain"], w["packaging"]): w for w in answers.get(act_id, {"loss_warnings": []})["loss_warnings"]}
        by_kind = defaultdict(list)
        for row in counted:
            lot = rows.lots[row["lot"]]
            if lot["form"] == "fresh":
                by_kind[lot["strain"], lot["packaging"]].append(row)
            else:
                to.same(f"count of {row['lot']}: dried goods lose nothing", (0, 0, 0), (row["low_g"], row["likely_g"], row["high_g"]))
        for kind, mine in by_kind.items():
            before = days_of(rows, kind, at, recorded, act_id)
            today = [Lot(row) for row in mine]
            if before and before[-1]["day"] == rows.day_of(at):
                today += before.pop()["lots"]
            known = Followed(before)
            factors = known.belief.of_a_lot()
            for row in mine:
                hold_expected(to, f"count of {row['lot']}, {act['happened_at']}", factors, Lot(row), row)
            hold_warning(to, f"count of {act['happened_at']}: {kind}", known.warning(today), told.get(kind))
    hold_report(rows, to)


def hold_expected(to, what, factors, lot, row):
    airs = (lot.low, lot.published, lot.high)
    # At the most, what two weighings may differ by as well.
    scale = (0, 0, tolerance(lot.book))
    for name, factor, air, more in zip(("low_g", "likely_g", "high_g"), factors, airs, scale):
        ours = min(lot.lost(factor) * air / max(lot.published, 1) + more, lot.book)
        to.number(f"{what}: {name}", ours, row[name], 1 + 0.015 * ours)


def hold_warning(to, what, warned, told):
    to.same(f"{what}: warned", warned is not None, told is not None)
    if warned is None or told is None:
        return
    probability, days, lots = warned
    sums = (days, sum(lot.book for lot in lots), sum(lot.missing for lot in lots))
    to.same(f"{what}: days, book, missing", sums, (told["count_days"], told["book_g"], told["missing_g"]))
    to.number(f"{what}: probability", probability, told["probability"], 0.05 * probability + 1e-9)


def hold_report(rows, to):
    for row in rows.answer("/api/reports/weight-loss")["rows"]:
        kind = row["strain"], row["packaging"]
        known = Followed(days_of(rows, kind, rows.now, rows.now))
        to.same(f"{kind}: lots that taught it", known.taught, row["lots"])
        passes = {"open": 1.0, "vented": 0.3, "sealed": 0.05}[kind[1]]
        rate = (0.52 + 11.63 * 0.61094 * np.exp(17.625 * 3 / 246.04) * 0.1) * passes
        for name, factor in zip(("low", "likely", "high"), known.belief.of_the_kind()):
            percent = 100 * (1 - np.exp(-factor * rate * 24 / 1000))
            to.number(f"{kind}: {name} a day", percent, row["a_day"][f"{name}_percent"], 0.02 * percent + 0.001)
