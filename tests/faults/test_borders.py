"""Days on which clocks change, leap seconds, the end of a year and week 53, in four zones: what goes in comes out, and sums
of days are sums of readings.

Usage: test_borders.py BIN_FOLDER [unittest options]
"""
import collections
import csv
import datetime
import subprocess
import unittest
import zoneinfo

from feed_rig import ServiceTest
from places import BIN

STEP = datetime.timedelta(minutes=20)
UTC = datetime.timezone.utc
# zone: {local day: its hours}; Kolkata lies half an hour off, Adelaide too, and changes its clocks.
DAYS = {
    "Europe/Berlin": {"2021-03-28": 23, "2021-10-31": 25, "2020-12-31": 24, "2021-01-01": 24, "2021-01-03": 24},
    "America/New_York": {"2021-03-14": 23, "2021-11-07": 25, "2020-12-31": 24, "2021-01-01": 24},
    "Australia/Adelaide": {"2021-10-03": 23, "2021-04-04": 25, "2020-12-31": 24, "2021-01-01": 24},
    "Asia/Kolkata": {"2021-03-28": 24, "2020-12-31": 24, "2021-01-01": 24, "2021-01-03": 24},
}
LEAP = {"2016-12-31T23:59:60Z": "2017-01-01T00:00:00Z", "2016-12-31T23:59:60.5Z": "2017-01-01T00:00:00.5Z",
        "2016-12-31T23:59:59.5Z": "2016-12-31T23:59:59.5Z"}


def moment(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00").replace(".5+", ".500000+"))


def moments_of(day, zone):
    """Every 20 minutes from one local midnight to the next."""
    at, place = datetime.datetime.fromisoformat(day), zoneinfo.ZoneInfo(zone)
    begin, end = at.replace(tzinfo=place).astimezone(UTC), (at + datetime.timedelta(days=1)).replace(tzinfo=place).astimezone(UTC)
    while begin < end:
        yield begin
        begin += STEP


class Borders(ServiceTest):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.sites = {zone: f"s{n}" for n, zone in enumerate(DAYS)}
        drives = [f"d-{site}" for site in cls.sites.values()]
        cls.register(
            sites=[["site", "time_zone"]] + [[site, zone] for zone, site in cls.sites.items()],
            machines=[["machine", "site"]] + [[f"m-{site}", site] for site in cls.sites.values()],
            drives=[["drive", "machine"]] + [[f"d-{site}", f"m-{site}"] for site in cls.sites.values()],
            fans=[["drive", "position"]] + [[drive, "internal-1"] for drive in drives])
        cls.sent = {}
        path = cls.dir / "readings.csv"
        with open(path, "w", newline="", encoding="utf-8") as file:
            out = csv.writer(file)
            out.writerow(["drive", "position", "read_at", "rpm"])
            for zone, site in cls.sites.items():
                rows = [(at.astimezone(zoneinfo.ZoneInfo(zone)).isoformat(), at) for day in DAYS[zone] for at in moments_of(day, zone)]
                rows += [(text, moment(means)) for text, means in LEAP.items()]
                cls.sent[zone] = sorted(at for _, at in rows)
                out.writerows([f"d-{site}", "internal-1", text, 3000] for text, _ in rows)
        cls.program("import", path)
        cls.program("run", "--catch-up")

    def stored(self, zone):
        """Moments of readings as the reporter gives them."""
        text = self.reporter("readings", "--drive", f"d-{self.sites[zone]}", "--position", "internal-1")
        return [datetime.datetime.fromisoformat(row["read_at"].replace("Z", "+00:00")) for row in csv.DictReader(text.splitlines())]

    def reporter(self, *args):
        return subprocess.run([BIN / "vaneward-reporter", *args], env=self.env, check=True, capture_output=True, text=True).stdout

    def test_what_goes_in_comes_out(self):
        for zone in DAYS:
            self.assertEqual(sorted(self.stored(zone)), self.sent[zone], zone)

    def test_a_local_day_has_the_readings_of_its_hours(self):
        for zone, days in DAYS.items():
            counted = collections.Counter(at.astimezone(zoneinfo.ZoneInfo(zone)).date().isoformat() for at in self.stored(zone))
            in_sql = dict(self.sql(f"SELECT d, count(*) FROM (SELECT (at AT TIME ZONE '{zone}')::date AS d FROM unnest(ARRAY["
                                   + ",".join(f"'{at.isoformat()}'::timestamptz" for at in self.stored(zone)) + "]) at) x GROUP BY d"))
            for day, hours in days.items():
                self.assertEqual((counted[day], int(in_sql[day])), (3 * hours,) * 2, f"{zone} {day}")

    def test_sums_of_days_are_sums_of_readings(self):
        for zone, site in self.sites.items():
            raw = collections.Counter(at.astimezone(UTC).date().isoformat() for at in self.stored(zone))
            days = {row[0]: int(row[1]) for row in self.sql(
                f"SELECT day, readings FROM vaneward.fan_day WHERE site = '{site}' AND known_until IS NULL")}
            self.assertEqual(days, dict(raw), zone)

    def test_week_53_ends_with_its_sunday(self):
        weeks = {row[0]: row[1] for row in self.sql("SELECT day, to_char(day, 'IYYY-IW') FROM vaneward.fan_day")}
        self.assertEqual((weeks["2020-12-31"], weeks["2021-01-01"], weeks["2021-01-03"]), ("2020-53",) * 3)


if __name__ == "__main__":
    unittest.main(verbosity=2)
