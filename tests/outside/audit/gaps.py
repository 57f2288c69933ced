"""Stretches of a span without known air, also of spans of more than a week."""

from air import air_of
from exposure import places, spans, temperature
from rows import instant, micros

WITHIN_S = 0.1


def questions(rows):
    for place in places(rows):
        for begins, ends in spans(rows):
            yield temperature(place, begins, ends)


def compare(rows, to):
    for place in places(rows):
        air = air_of(rows, place)
        for begins, ends in spans(rows):
            ours = air.gaps(air.seconds(begins), air.seconds(ends))
            theirs = [
                (air.seconds(micros(g["from"])), air.seconds(micros(g["until"])))
                for g in rows.answer(temperature(place, begins, ends))["gaps"]
            ]
            what = f"{place} {instant(begins)} to {instant(ends)}"
            to.same(f"{what} number of gaps", len(ours), len(theirs))
            to.number(f"{what} seconds of gaps", sum(e - b for b, e in ours), sum(e - b for b, e in theirs), WITHIN_S)
            for (b, e), (told_b, told_e) in zip(ours, theirs):
                to.number(f"{what} gap at {b} s", b, told_b, WITHIN_S)
                to.number(f"{what} gap until {e} s", e, told_e, WITHIN_S)
