"""Holds days and ISO weeks against Python's datetime and zoneinfo.

Input: {"zones": {zone: {"days": {day: [first second, next day's first second]},
                         "weeks": {monday: [name, first second, next week's first second]}}}}
"""

import json
import sys
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo


def first_second(day: date, zone: ZoneInfo) -> int:
    """The first second at which the zone's own calendar shows the day: midnight, or what follows a skipped one."""
    at = datetime.combine(day, time(), tzinfo=timezone.utc) - timedelta(hours=26)
    low, high = int(at.timestamp()), int(at.timestamp()) + 52 * 3600
    while low < high:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).date() < day:
            low = middle + 1
        else:
            high = middle
    return low


compared = 0
for name, told in json.load(sys.stdin)["zones"].items():
    zone = ZoneInfo(name)
    for text, span in told["days"].items():
        day = date.fromisoformat(text)
        ours = [first_second(day, zone), first_second(day + timedelta(days=1), zone)]
        assert span == ours, (name, text, span, ours)
        compared += 1
    for text, (week, begins, ends) in told["weeks"].items():
        monday = date.fromisoformat(text)
        year, number, weekday = monday.isocalendar()
        assert weekday == 1 and week == f"{year}-W{number:02}", (text, week)
        ours = [first_second(monday, zone), first_second(monday + timedelta(days=7), zone)]
        assert [begins, ends] == ours, (name, week, begins, ends, ours)
        compared += 1
print(compared)
