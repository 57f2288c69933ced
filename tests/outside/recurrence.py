"""Days of recurrence rules by python-dateutil, at nine in the morning where the clocks change."""

import json
import sys
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

NEW_YORK = ZoneInfo("America/New_York")


def at_nine(text):
    return datetime.combine(date.fromisoformat(text), time(9), NEW_YORK)


cases = json.load(sys.stdin)
for case in cases:
    rule = rrulestr(case["rule"], dtstart=at_nine(case["begins"]))
    found = []
    for at in rule.xafter(at_nine(case["first"]) - timedelta(days=1), inc=True):
        assert at.hour == 9, (case, at)
        if at.date() > date.fromisoformat(case["last"]):
            break
        if at.date() >= date.fromisoformat(case["first"]):
            found.append(at.date().isoformat())
    assert found == case["days"], (case, found)
print(len(cases))
