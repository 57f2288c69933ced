"""How much water goods lose, learned from the counts: Bayes' rule worked out again on another grid, and at each count what it was to expect
and whether it warned. A lot's loss is a factor, scattered about that of its strain and packaging, on what the published rate gives; the scale's
errors are added, and one lot in fifty is off by anything."""

from collections import defaultdict
from math import log
from statistics import NormalDist

import numpy as np
from rows import SECOND, micros

DAYS = 180
SCATTERS = np.array([0.05, 0.1, 0.2, 0.35])
LOGS = np.linspace(log(0.01), log(10), 1500)
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
        self.book, self.counted = row["book_g"], row["counted_g"]
        self.missing = self.book - self.counted
        self.weighed = self.missing != 0
        self.explained = row["found_reason"] is not None
        self.published, self.gross = row["published_g"], row["published_gross_g"]
        self.low, self.high = row["published_low_g"], row["published_high_g"]
        self.air = (self.high - self.low) / (4 * self.published) if self.published else 0.0
        self.scale = tolerance(max(self.book, self.counted)) ** 2 / 6
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


class Belief:
    """How likely each factor is with each scatter."""

    def __init__(self):
        self.factors = np.exp(LOGS)
        self.logs = np.repeat((-0.5 * (LOGS - log(0.5)) ** 2)[:, None], len(SCATTERS), axis=1)

    def copy(self):
        other = Belief()
        other.logs = self.logs.copy()
        return other

    def learn(self, lot):
        if lot.published <= 0:
            return
        lost = lot.held(self.factors)[:, None]
        variance = lost**2 * (SCATTERS**2 + lot.air**2) + lot.scale
        normal = np.exp(-((lot.missing - lost) ** 2) / (2 * variance)) / np.sqrt(2 * np.pi * variance)
        self.logs += np.log(0.98 * normal + 0.02 / (2 * max(lot.book, 1)))

    def weights(self):
        weights = np.exp(self.logs - self.logs.max())
        return weights / weights.sum()

    def of_a_lot(self):
        """The 5th, 50th and 95th percentile of a lot's own factor."""
        weights = self.weights()

        def below(f):
            return float((weights * phi((f / self.factors[:, None] - 1) / SCATTERS)).sum())

        return [reached(below, share, 0.0, 30.0) for share in (0.05, 0.5, 0.95)]

    def of_the_kind(self):
        """The same of the kind's own factor."""
        share = np.concatenate([[0.0], self.weights().sum(axis=1).cumsum()])
        step = LOGS[1] - LOGS[0]
        return [float(np.exp(np.interp(s, share, np.append(LOGS - step / 2, LOGS[-1] + step / 2)))) for s in (0.05, 0.5, 0.95)]

    def chance(self, lots):
        """That lots are missing together so much or more."""
        weights = self.weights()
        mean, variance = np.zeros(len(LOGS)), np.full(weights.shape, 1e-300)
        for lot in lots:
            lost = lot.held(self.factors)
            mean += lost
            variance += lost[:, None] ** 2 * (SCATTERS**2 + lot.air**2) + lot.scale
        missing = sum(lot.missing for lot in lots)
        return float((weights * phi((mean[:, None] - missing) / np.sqrt(variance))).sum())


def reached(rising, share, low, high):
    for _ in range(60):
        middle = (low + high) / 2
        if rising(middle) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def followed(rounds):
    """What was believed after rounds of lots, and of how many of the last, if any, too much was missing."""
    belief, last, unlikely, taught = Belief(), [], None, 0
    for lots in rounds:
        weighed = [lot for lot in lots if lot.weighed]
        last = [*last, (belief.copy(), weighed)][-3:]
        told = []
        for begins in range(len(last)):
            together = [lot for _, part in last[begins:] for lot in part]
            told.append((last[begins][0].chance(together), len(last) - begins, together))
        unlikely = min(told, key=lambda t: t[0], default=None)
        if unlikely and unlikely[0] >= 1e-4:
            unlikely = None
        if unlikely is None:
            for lot in weighed:
                if not lot.explained:
                    belief.learn(lot)
                    taught += lot.published > 0
    return belief, unlikely, taught


def rounds_of(rows, kind, until, recorded, but=None):
    """Counts of a kind up to an instant, as the book knew them at another, but for one, in order of time; no older than they teach."""
    dead = rows.dead_as_of(recorded)
    anew = [
        (micros(r["recorded_at"]), micros(r["learned_from"]))
        for r in rows.table("loss_relearning")
        if (r["strain"], r["packaging"]) == kind and micros(r["recorded_at"]) <= recorded
    ]
    begins = max([until - DAYS * 86_400 * SECOND] + [max(anew)[1]] if anew else [until - DAYS * 86_400 * SECOND])
    found = defaultdict(list)
    for row in rows.table("stock_count"):
        act, lot = rows.acts[row["act_id"]], rows.lots[row["lot"]]
        at, known = micros(act["happened_at"]), micros(act["recorded_at"])
        if (lot["strain"], lot["packaging"], lot["form"]) == (*kind, "fresh") and row["act_id"] not in dead:
            if begins <= at <= until and known <= recorded and row["act_id"] != but:
                found[at, known, row["act_id"]].append((row["lot"], Lot(row)))
    return [[lot for _, lot in sorted(found[key], key=lambda part: part[0])] for key in sorted(found)]


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
            before = rounds_of(rows, kind, at, recorded, act_id)
            belief = followed(before)[0]
            for row in mine:
                hold_expected(to, f"count of {row['lot']}, {act['happened_at']}", belief.of_a_lot(), Lot(row), row)
            mine.sort(key=lambda row: row["lot"])
            warned = followed([*before, [Lot(row) for row in mine]])[1]
            hold_warning(to, f"count of {act['happened_at']}: {kind}", warned, told.get(kind))
    hold_report(rows, to)


def hold_expected(to, what, factors, lot, row):
    airs = (lot.low, lot.published, lot.high)
    for name, factor, air in zip(("low_g", "likely_g", "high_g"), factors, airs):
        ours = min(lot.lost(factor) * air / max(lot.published, 1), lot.book)
        to.number(f"{what}: {name}", ours, row[name], 1 + 0.01 * ours)


def hold_warning(to, what, warned, told):
    to.same(f"{what}: warned", warned is not None, told is not None)
    if warned is None or told is None:
        return
    chance, counts, lots = warned
    sums = (counts, sum(lot.book for lot in lots), sum(lot.missing for lot in lots))
    to.same(f"{what}: counts, book, missing", sums, (told["counts"], told["book_g"], told["missing_g"]))
    to.number(f"{what}: chance", chance, told["chance"], 0.05 * chance + 1e-12)


def hold_report(rows, to):
    for row in rows.answer("/api/reports/weight-loss")["rows"]:
        kind = row["strain"], row["packaging"]
        belief, _, taught = followed(rounds_of(rows, kind, rows.now, rows.now))
        to.same(f"{kind}: lots that taught it", taught, row["lots"])
        passes = {"open": 1.0, "vented": 0.3, "sealed": 0.05}[kind[1]]
        rate = (0.52 + 11.63 * 0.61094 * np.exp(17.625 * 3 / 246.04) * 0.1) * passes
        for name, factor in zip(("low", "likely", "high"), belief.of_the_kind()):
            percent = 100 * (1 - np.exp(-factor * rate * 24 / 1000))
            to.number(f"{kind}: {name} a day", percent, row["a_day"][f"{name}_percent"], 0.01 * percent + 0.001)
