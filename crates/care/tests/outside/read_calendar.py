"""Prints what the package icalendar (PyPI) finds in a feed: its name, then uid, date, interval, summary and description of each event.

Run by `ICALENDAR_PYTHON=venv/bin/python cargo test -p care --test proof`; needs `pip install icalendar==7.3.2`.
"""

import sys

import icalendar

with open(sys.argv[1], "rb") as feed:
    calendar = icalendar.Calendar.from_ical(feed.read())
# The package knows NAME (RFC 7986) as any property and leaves its escapes.
print(icalendar.parser.unescape_char(str(calendar["NAME"])))
for event in calendar.walk("VEVENT"):
    assert not event.errors, event.errors
    (interval,) = event["RRULE"]["INTERVAL"]
    assert event.walk("VALARM"), "each has its reminder"
    print(event["UID"], event["DTSTART"].dt, interval, event["SUMMARY"], event["DESCRIPTION"], sep="|")
