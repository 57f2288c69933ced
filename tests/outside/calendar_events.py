"""Reads a calendar with the icalendar package, and prints its events by day and summary."""

import json
import sys

from icalendar import Calendar

text = sys.stdin.buffer.read()
# RFC 5545 §3.1: lines end in CR LF and have at most 75 octets.
assert all(len(line) <= 75 for line in text.split(b"\r\n")), text
assert b"\n" not in text.replace(b"\r\n", b""), text
calendar = Calendar.from_ical(text)
assert calendar["VERSION"] == "2.0" and calendar["PRODID"].startswith("-//Gillbook//"), calendar
events = calendar.walk("VEVENT")
assert not any(event.errors for event in events), [event.errors for event in events]
assert len({event["UID"] for event in events}) == len(events)
assert all(event.duration.days == 1 for event in events)
assert all("DTSTAMP" in event for event in events)
told = [[event["DTSTART"].dt.isoformat(), event["SUMMARY"], event.get("DESCRIPTION", "")] for event in events]
print(json.dumps(sorted(told)))
