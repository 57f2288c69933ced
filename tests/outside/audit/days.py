"""The temperature record by day of the farm, which may be of 23 or 25 hours and begin within an hour of UTC."""

from datetime import date, timedelta

from air import air_of
from exposure import FOOD_WITHIN_C, hold_exposure, places, record
from rows import micros


def questions(rows):
    for place in places(rows):
        yield record(rows, place)


def compare(rows, to):
    for place in places(rows):
        air, answer = air_of(rows, place), rows.answer(record(rows, place))
        ends = micros(answer["ends"])
        for row in answer["days"]:
            day = date.fromisoformat(row["day"])
            b, e = air.seconds(rows.midnight(day)), air.seconds(min(rows.midnight(day + timedelta(days=1)), ends))
            ours = air.exposure(b, e)
            hold_exposure(to, f"{place} {day}", ours, row["exposure"])
            to.number(
                f"{place} {day} product_max_c", ours["product_max_c"], to.field(row, "product_max_c"), FOOD_WITHIN_C
            )
            to.number(f"{place} {day} probe_spread_c", air.apart(b, e), to.field(row, "probe_spread_c"), 1e-6)
