"""What a place's air was: seconds known and above the limit, degree-minutes, mean, coldest and warmest, mean kinetic temperature,
coverage, the warmest food, how far probes were apart; over any span, over the whole record and by its hours."""

from air import air_of, food_at
from rows import SECOND, instant, micros

HOUR_S = 3600
# Seconds, °C and degree-minutes apart that are rounding: instants are kept to the millisecond.
WITHIN = {
    "span_s": 1e-3,
    "known_s": 1e-2,
    "coverage": 1e-6,
    "mean_c": 1e-6,
    "min_c": 1e-6,
    "max_c": 1e-6,
    "above_s": 1e-2,
    "above_degree_minutes": 1e-2,
    # A middle rule of 64 parts is good to about a thousandth.
    "mean_kinetic_c": 2e-3,
}
FOOD_WITHIN_C = 1e-3
# Spans that are asked for: hours before now at which they begin, and their length. Two begin and end within hours; two are longer than
# the week beyond which the interface works from hours.
SPANS_H = ((24, 24), (77.3, 5.21), (160.05, 27.9), (168, 168), (290.6, 11.01), (288, 288), (330.45, 300.9))


def questions(rows):
    for place in places(rows):
        for begins, ends in spans(rows):
            yield temperature(place, begins, ends)
        yield record(rows, place)


def places(rows):
    return sorted({p["place"] for p in rows.table("probe")})


def spans(rows):
    for before, length in SPANS_H:
        begins = (rows.now - round(before * HOUR_S * SECOND)) // 1000 * 1000
        yield begins, begins + round(length * HOUR_S * SECOND) // 1000 * 1000


def temperature(place, begins, ends):
    return f"/api/places/{place}/temperature?from={instant(begins)}&until={instant(ends)}"


def record(rows, place):
    first = min((micros(r["at"]) for r in rows.table("reading")), default=rows.now)
    return f"/api/places/{place}/temperature-record?from={rows.day_of(first)}&until={rows.day_of(rows.now)}"


def hold_exposure(to, what, ours, theirs):
    for name, within in WITHIN.items():
        to.number(f"{what} {name}", ours[name], to.field(theirs, name), within)


def compare(rows, to):
    for place in places(rows):
        air = air_of(rows, place)
        for begins, ends in spans(rows):
            answer = rows.answer(temperature(place, begins, ends))
            b, e = air.seconds(begins), air.seconds(ends)
            what = f"{place} {instant(begins)} to {instant(ends)}"
            hold_exposure(to, what, air.exposure(b, e), answer["exposure"])
            to.same(f"{what} faults", air.readings_within(b, e)[1], answer["faults"])
            for point in answer["product"]:
                hold_food(to, what, air, air.seconds(micros(point["at"])), point["c"])
        hold_record(rows, to, place, air)


def hold_food(to, what, air, t, told):
    """A point of the food's series: what the food is at that instant, where it is known."""
    near = [p for p in air.within(t - 1e-3, t + 1e-3) if p.p0 is not None]
    if near:
        to.number(
            f"{what} food at {t} s",
            min((food_at(p, min(max(t, p.t0), p.t1)) for p in near), key=lambda c: abs(c - float(told))),
            told,
            FOOD_WITHIN_C,
        )


def hold_record(rows, to, place, air):
    answer = rows.answer(record(rows, place))
    begins, ends = micros(answer["begins"]), micros(answer["ends"])
    hold_exposure(to, f"{place} record", air.exposure(air.seconds(begins), air.seconds(ends)), answer["exposure"])
    for row in answer["hours"]:
        b = air.seconds(micros(row["hour"]))
        ours, what = air.exposure(b, b + HOUR_S), f"{place} hour {row['hour']}"
        for name in ("known_s", "above_s", "mean_c", "min_c", "max_c"):
            to.number(f"{what} {name}", ours[name], to.field(row, name), WITHIN[name])
        to.number(f"{what} product_max_c", ours["product_max_c"], to.field(row, "product_max_c"), FOOD_WITHIN_C)
        to.number(f"{what} probe_spread_c", air.apart(b, b + HOUR_S), to.field(row, "probe_spread_c"), 1e-6)
        counted = air.readings_within(b, b + HOUR_S)
        to.same(f"{what} readings, faults", counted, (row["readings"], row["faults"]))
