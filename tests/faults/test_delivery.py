"""Observations that come twice, in any order, late, or with the time of another day; a source that begins anew.

Whatever a source or the way to it does to the delivery, the tables are those of an undisturbed one. Both formats: the
small fleet has sources of each. Usage: test_delivery.py BIN_FOLDER [unittest options]
"""
import collections
import csv
import datetime
import json
import signal
import subprocess
import unittest

from common import Rig, micros, rows_of
from feed_rig import Feed, ServiceTest, wait_for
from places import BIN

DAY_US = 24 * 3600 * 1000000
# What a delivery may not change: everything but moments of receipt and numbers of our own.
TABLES = {
    "condition": "SELECT source, instance, sequence, occurred_at, device, item, item_type, state, native_code, condition_id, severity,"
                 " qualifier, message, machine, drive, axis FROM vaneward.condition WHERE state <> 'listed'",
    "device_event": "SELECT source, instance, sequence, occurred_at, device, item, role, value FROM vaneward.device_event",
    "episode": "SELECT drive, fault, began_at, alarm_at, ended_at, outcome, end_seen, reports FROM vaneward.episode"
               " WHERE known_until IS NULL",
    "fan_day": "SELECT site, fan_no, day, readings, unavailable_readings, zero_readings, covered_s, rpm_median, rpm_mean, rpm_min,"
               " rpm_max, rpm_spread, rpm_last, last_at FROM vaneward.fan_day WHERE known_until IS NULL",
    "source_cursor": "SELECT source, instance, next_sequence FROM vaneward.source_cursor",
}


def readings(rig):
    return [row for row in csv.DictReader(rig.program("readings", name="reporter").splitlines())]


def key(row):
    return row["drive"], row["position"], micros(row["read_at"]), float(row["rpm"] or -1)


def seal(rig):
    """Closed hours and days into blocks and summaries."""
    rig.program("run", "--catch-up")


class AnyDelivery(unittest.TestCase):
    def tables(self, trouble, end):
        rig = Rig(hours=36, trouble=trouble, end=end)
        try:
            rig.begin()
            for _ in range(3):  # what a source forgets, or loses in a restart, is the same in each run
                rig.advance(12)
                rig.wait_until_read(120)
            rig.stop()
            self.assertGreater(rig.check(), 1000)
            self.assertEqual([row[0] for row in rig.sql("SELECT reason FROM vaneward.set_aside")], [])
            seal(rig)
            self.assertGreater(int(rig.sql("SELECT count(*) FROM vaneward.fan_day")[0][0]), 50)
            tables = {name: sorted(rig.sql(text)) for name, text in TABLES.items()}
            tables["readings"] = sorted(map(key, readings(rig)))
            return tables
        finally:
            rig.close()

    def test_repeats_any_order_and_late_answers_give_the_same_tables(self):
        end = datetime.datetime.now(datetime.timezone.utc).replace(minute=0, second=0, microsecond=0)
        usual, disturbed = self.tables(None, end), self.tables("repeats,order,late", end)
        for name, rows in usual.items():
            self.assertEqual(len(rows), len(disturbed[name]), name)
            self.assertEqual(rows, disturbed[name], name)


class Stamps(unittest.TestCase):
    def test_late_ones_are_stored_and_what_cannot_be_is_set_aside(self):
        rig = Rig(hours=48, trouble="stamps")
        self.addCleanup(rig.close)
        rig.begin()
        rig.wait_until_read()
        rig.stop()
        seal(rig)
        days = int(rig.sql("SELECT count(*) FROM vaneward.fan_day")[0][0])
        self.assertGreater(days, 50)
        for _ in range(8):
            rig.advance(6)
            rig.program("run", "--catch-up", "--no-seal")
        seal(rig)
        self.check_raw(rig)
        self.check_days(rig)
        self.assertGreater(int(rig.sql("SELECT count(*) FROM vaneward.fan_day WHERE known_until IS NOT NULL")[0][0]), 10)

    def check_raw(self, rig):
        """The ledger's rows are either stored, or more than a day ahead of their receipt and set aside with that reason."""
        aside = {}
        for source, instance, sequence, ahead in rig.sql(
                "SELECT source, instance, sequence, reason = 'its time lies more than a day ahead' FROM vaneward.set_aside"):
            self.assertEqual(ahead, "t")
            aside[source, instance, sequence] = aside.get((source, instance, sequence), 0) + 1
        self.assertEqual(set(aside.values()), {1})
        now = datetime.datetime.now(datetime.timezone.utc).timestamp() * 1e6
        in_gap = rig.gap_test()
        must, ahead, late = collections.Counter(), set(), 0
        for row in rig.ledger("readings"):
            number = (row["source"], row["instance"], row["sequence"])
            if number in aside:
                self.assertGreater(micros(row["read_at"]), now - 300e6 + DAY_US)
                ahead.add(number)
            elif row["drive"] and not in_gap(row):
                must[key(row)] += 1
                late += int(row["sequence"]) % 19 == 0
                self.assertLess(micros(row["read_at"]), now + DAY_US)
        have = collections.Counter(map(key, readings(rig)))
        self.assertEqual(must - have, collections.Counter())
        self.assertEqual(have - must, collections.Counter())
        self.assertEqual(ahead, set(aside))
        self.assertGreater(len(ahead), 10)
        self.assertGreater(late, 100)
        health = subprocess.run([BIN / "vaneward-collector", "health", "--json"], env=rig.env, capture_output=True, text=True)
        counted = sum(sum(source["refusals_24h"].values()) for source in json.loads(health.stdout)["sources"])
        self.assertEqual(counted, len(aside))

    def check_days(self, rig):
        """The newest version of each closed day counts exactly what lies in it."""
        fans = {(row[0], row[1]): row[2] for row in rig.sql("SELECT drive, position, site || '/' || fan_no FROM vaneward.fan")}
        raw = collections.Counter()
        for row in readings(rig):
            raw[fans[row["drive"], row["position"]], row["read_at"][:10]] += 1
        summed = {(row[0], row[1]): int(row[2]) for row in rig.sql(
            "SELECT site || '/' || fan_no, day, readings FROM vaneward.fan_day WHERE known_until IS NULL")}
        last_closed = max(day for _, day in summed)
        differ = {day: (raw[day], summed.get(day)) for day in raw if day[1] <= last_closed and raw[day] != summed.get(day)}
        self.assertEqual(differ, {})
        self.assertLessEqual(set(summed), set(raw))


class Restart(unittest.TestCase):
    """A source whose numbers begin again at 1 under another instance, nine hours before the end of the history."""

    def follow(self, is_away):
        rig = Rig(hours=24)
        self.addCleanup(rig.close)
        rig.begin()
        before = {s["source"]: s["instance"] for s in rig.shown()}
        rig.advance_slowly(12)
        rig.wait_until_read()
        if is_away:
            rig.stop()
        rig.advance_slowly(5)  # over the restart
        if is_away:
            rig.start()
        rig.advance_slowly(7)
        rig.wait_until_read()
        rig.stop()
        seal(rig)
        after = {s["source"]: s["instance"] for s in rig.shown()}
        self.rig, self.again = rig, [source for source in after if after[source] != before[source]]
        self.assertEqual(len(self.again), 1)

    def check_stored(self):
        """All that was shown, once; no speed of 0 that the source did not say; no fault that was none."""
        rig = self.rig
        rig.check()
        self.assertEqual({(gap[0], "restart") for gap in rig.gaps("restart")}, {(self.again[0], "restart")})
        self.assertEqual(rig.gaps("overrun"), [])
        zeros = lambda rows: sum(row["rpm"] not in ("", None) and float(row["rpm"]) == 0 for row in rows)
        self.assertLessEqual(zeros(readings(rig)), zeros(row for row in rig.ledger("readings") if row["drive"]))
        self.assertEqual(rig.sql("SELECT count(*) FROM vaneward.fan_day WHERE rpm_min < 0 OR covered_s < 0 OR readings < 0"), [["0"]])
        drives = {row["drive"] for row in rows_of(rig.dir / "fleet/truth/episodes.csv")}
        seen = {row[0] for row in rig.sql("SELECT DISTINCT drive FROM vaneward.episode WHERE known_until IS NULL")}
        self.assertLessEqual(seen, drives)
        moments = {(row["drive"], micros(row["began_at"])) for row in rows_of(rig.dir / "fleet/truth/episodes.csv")}
        began = {(row[0], micros(row[1])) for row in rig.sql(
            "SELECT DISTINCT e.drive, began_at FROM vaneward.episode e JOIN vaneward.binding b USING (site, drive)"
            f" WHERE known_until IS NULL AND b.source = '{self.again[0]}' AND began_at > (SELECT min(recorded_at) - interval '1 day'"
            " FROM vaneward.gap)")}
        self.assertLessEqual(began, moments, "an episode that began with the restart")

    def test_a_restart_in_mid_life_stops_no_fan_and_loses_nothing(self):
        self.follow(is_away=False)
        self.check_stored()

    def test_a_restart_while_nobody_read_is_a_gap_and_read_from_its_beginning(self):
        self.follow(is_away=True)
        self.check_stored()


class Return(ServiceTest):
    """One address behind which two publishers take each other's place; then one of them is restored from a backup."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.front, cls.feeds = Feed(), {"i1": Feed(), "i2": Feed()}
        for feed in (cls.front, *cls.feeds.values()):
            cls.addClassCleanup(feed.close)
        cls.register_small_fleet(cls.front.url, ["d1"])
        cls.rpm = 3000

    def show(self, instance):
        """From now on the address leads to this one, which has gone on reporting; all of it counts."""
        for state in ("warning", "normal"):
            self.feeds[instance].report("d1/condition", state=state, code="W1")
        for _ in range(3):
            self.rpm += 1
            self.feeds[instance].report("d1/speed", value=self.rpm)
        self.front.answer = lambda path: dict(self.feeds[instance].answer(path), instance=instance)
        self.said += self.feeds[instance].observations[-5:]

    def restore(self, instance, sequence):
        """What it said after this is forgotten, and its numbers are given to other observations."""
        feed = self.feeds[instance]
        kept = feed.observations[:sequence]
        feed.observations, feed.newest = list(kept), {row["item"]: row for row in kept}
        self.said += kept  # that they are the same ones, nothing tells

    def check(self):
        said = [row for row in self.said if row["item"] == "d1/speed"]
        out = csv.DictReader(self.output("readings", "--drive", "d1", "--position", "internal-1").splitlines())
        self.assertEqual(sorted(float(row["rpm"]) for row in out), sorted(row["value"] for row in said))
        stored = self.number("SELECT count(*) FROM vaneward.condition WHERE state <> 'listed'")
        self.assertEqual(stored, len(self.said) - len(said))

    def output(self, *args):
        return subprocess.run([BIN / "vaneward-reporter", *args], env=self.env, check=True, capture_output=True, text=True).stdout

    def test_each_observation_is_stored_once_whoever_is_there(self):
        self.said = []
        for instance in ("i1", "i2", "i1", "i2"):
            self.show(instance)
            self.program("run", "--catch-up", "--no-seal")  # knows from the database what was there before
            self.check()
        child = self.start_collector("--no-seal")
        for instance in ("i1", "i2", "i1", "i2"):
            self.show(instance)
            self.wait_until_stored(instance)
            self.check()
        self.end(child, signal.SIGTERM)
        self.assertEqual(self.sql("SELECT DISTINCT reason FROM vaneward.gap"), [["restart"]])
        self.restore("i1", 4)
        self.show("i1")
        self.program("run", "--catch-up", "--no-seal")
        self.check()
        self.assertEqual(self.number("SELECT count(*) FROM vaneward.source_cursor WHERE instance LIKE 'i1; set back %'"), 1)

    def wait_until_stored(self, instance):
        wait_for(lambda: self.number("SELECT count(*) FROM vaneward.source_cursor WHERE instance = '%s' AND next_sequence = %d"
                                     % (instance, len(self.feeds[instance].observations) + 1)), what=f"all of {instance}")


if __name__ == "__main__":
    unittest.main(verbosity=2)
