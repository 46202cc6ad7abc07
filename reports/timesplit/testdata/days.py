"""Writes days.csv: local days of 2026 that are not 24 hours long, and how long
they are, by Python's zoneinfo. Run it to check the frozen file:

    python3 days.py | diff days.csv -
"""
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

ZONES = ["America/Chicago", "America/St_Johns", "Asia/Kathmandu", "Australia/Lord_Howe",
         "Europe/Dublin", "Pacific/Auckland"]


def midnight(day, zone):
    return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(timezone.utc)


print("zone,day,minutes")
for zone in ZONES:
    day = date(2026, 1, 1)
    while day.year == 2026:
        minutes = (midnight(day + timedelta(days=1), zone) - midnight(day, zone)) // timedelta(minutes=1)
        if minutes != 1440:
            print(f"{zone},{day},{minutes}")
        day += timedelta(days=1)
