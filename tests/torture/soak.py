"""A collector runs among restarts, faults and database stops, by chance from a printed seed; at the end everything that the
sources ever showed is stored exactly once, and memory and descriptors have not grown.

40 s by default, an hour with VANEWARD_LONG=1. What the sources showed is gathered by a reader of this test's own.
Usage: soak.py BIN_FOLDER [SEED [SECONDS]]
"""
import collections
import csv
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import time
import urllib.request
import xml.etree.ElementTree as tree

import rig

CALM_SHARE = 0.4  # of the time, at the end, in which the collector is not killed: there its growth is measured
MOST_DESCRIPTORS = 8  # more than at first
MOST_KIB_AN_HOUR = 1024


class Witness:
    """Reads the sources by their sequence, and remembers what is bound."""

    def __init__(self, r):
        self.r = r
        folder = r.dir / "fleet/register"
        self.sources = list(csv.DictReader(open(folder / "sources.csv", newline="", encoding="utf-8")))
        self.bound = {(row["source"], row["item"]): row for row in csv.DictReader(open(folder / "bindings.csv", newline="", encoding="utf-8"))}
        self.next, self.end = {}, {}
        self.readings, self.conditions = [], []
        self.lost = 0

    def get(self, url):
        try:
            return urllib.request.urlopen(url, timeout=10).read()
        except urllib.error.HTTPError as e:
            return e.read()

    def cursors(self):
        return {source: int(nxt) for source, nxt in self.r.sql("SELECT source, next_sequence FROM vaneward.source_cursor")}

    def begin(self):
        """At what the collector has stored already."""
        self.next = self.cursors()

    def finish(self):
        """Where the collector has ended."""
        self.end = self.cursors()
        self.read()

    def read(self):
        for s in self.sources:
            for _ in range(1000):
                if not (self.page_of_feed(s) if s["format"] == "feed" else self.page_of_mtconnect(s)):
                    break

    def page_of_feed(self, s):
        page = json.loads(self.get(f"{s['url']}/sample?from={self.next[s['source']]}&count=100"))
        if "error" in page:
            assert page["error"]["code"] == "out_of_range" and page["buffer"]["first"] > self.next[s["source"]], page["error"]
            self.lost += page["buffer"]["first"] - self.next[s["source"]]
            self.next[s["source"]] = page["buffer"]["first"]
            return True
        for o in page["observations"]:
            self.take(s, o["item"], o["sequence"], o["time"], o.get("value"), o.get("state"))
        return self.move(s, page["buffer"]["next"], page["buffer"]["last"])

    def page_of_mtconnect(self, s):
        root = tree.fromstring(self.get(f"{s['url']}/sample?from={self.next[s['source']]}&count=100").lstrip())
        header = next(e for e in root.iter() if e.tag.endswith("Header"))
        if root.tag.endswith("MTConnectError"):
            state = tree.fromstring(self.get(f"{s['url']}/current").lstrip())
            first = int(next(e for e in state.iter() if e.tag.endswith("Header")).get("firstSequence"))
            if first <= self.next[s["source"]]:
                return False
            self.lost += first - self.next[s["source"]]
            self.next[s["source"]] = first
            return True
        for e in root.iter():
            if e.get("sequence"):
                name = e.tag.rsplit("}", 1)[-1]
                state = {"Normal": "normal", "Warning": "warning", "Fault": "alarm", "Unavailable": "unavailable"}.get(name)
                self.take(s, e.get("dataItemId"), int(e.get("sequence")), e.get("timestamp"), e.text, state)
        return self.move(s, int(header.get("nextSequence")), int(header.get("lastSequence")))

    def move(self, s, nxt, last):
        self.next[s["source"]] = nxt
        return nxt <= last

    def take(self, s, item, sequence, at, value, state):
        row = self.bound.get((s["source"], item))
        if sequence >= self.end.get(s["source"], sequence + 1):
            return
        if row and row["role"] == "fan_speed":
            rpm = -1.0 if value in (None, "UNAVAILABLE") else float(value)
            self.readings.append((row["drive"], row["position"], rig.micros(at), rpm))
        elif row and row["role"].endswith("condition") and state:
            self.conditions.append((s["source"], sequence, item, state))


class Collector:
    def __init__(self, r):
        self.r, self.log = r, open(r.dir / "collector.log", "ab")
        self.start()

    def start(self):
        self.child = subprocess.Popen(self.r.argv("collector", "run"), env=self.r.env, stdout=self.log, stderr=self.log)

    def is_listening(self):
        """A process that has only just begun would die of SIGTERM as any other."""
        caught = re.search(r"SigCgt:\s+(\w+)", pathlib.Path(f"/proc/{self.child.pid}/status").read_text())
        return caught and int(caught[1], 16) >> (signal.SIGTERM - 1) & 1

    def stop(self):
        until = time.monotonic() + 30
        while not self.is_listening() and self.child.poll() is None and time.monotonic() < until:
            time.sleep(0.05)
        self.child.send_signal(signal.SIGTERM)

    def again(self, how):
        self.stop() if how == signal.SIGTERM else self.child.send_signal(how)
        status = self.child.wait(timeout=30)
        assert status == (0 if how == signal.SIGTERM else -how), f"ended with {status}"
        self.start()

    def measure(self):
        """KiB resident, descriptors."""
        status = pathlib.Path(f"/proc/{self.child.pid}/status").read_text()
        return int(re.search(r"VmRSS:\s+(\d+)", status)[1]), len(os.listdir(f"/proc/{self.child.pid}/fd"))


class Soak:
    def __init__(self, r, dice, seconds):
        self.r, self.dice, self.seconds = r, dice, seconds
        self.done, self.faulty = [], set()
        drives = [row["drive"] for row in csv.DictReader(open(r.dir / "fleet/register/drives.csv", newline="", encoding="utf-8"))]
        self.drives = drives

    def database(self, mode):
        folder = (self.r.dir / "postgres/where").read_text().strip()
        postmaster = int(pathlib.Path(folder, "data/postmaster.pid").read_text().split()[0])
        os.kill(postmaster, {"fast": signal.SIGINT, "immediate": signal.SIGQUIT}[mode])
        time.sleep(self.dice.uniform(0.5, 4))
        subprocess.run([self.r.server, "start", self.r.dir / "postgres"], check=True, capture_output=True)

    def control(self, what, drive):
        try:
            self.r.control(f"{what}?drive={drive}")
        except urllib.error.HTTPError:
            return
        (self.faulty.add if what == "fault" else self.faulty.discard)(drive)

    def event(self, collector, calm):
        kinds = ["fault", "fault", "clear"] + ([] if calm else ["kill", "stop", "database fast", "database immediate"])
        kind = self.dice.choice(kinds)
        self.done.append(kind)
        if kind == "fault":
            self.control("fault", self.dice.choice(self.drives))
        elif kind == "clear" and self.faulty:
            self.control("clear", self.dice.choice(sorted(self.faulty)))
        elif kind == "kill":
            collector.again(signal.SIGKILL)
        elif kind == "stop":
            collector.again(signal.SIGTERM)
        elif kind.startswith("database"):
            self.database(kind.split()[1])

    def run(self, witness):
        collector = Collector(self.r)
        began, measured, next_event, next_look = time.monotonic(), [], 3.0, 0.0
        calm_from = self.seconds * (1 - CALM_SHARE)
        try:
            while (now := time.monotonic() - began) < self.seconds:
                if collector.child.poll() is not None:
                    raise AssertionError(f"the collector ended by itself with {collector.child.returncode}")
                if now >= next_event:
                    self.event(collector, now > calm_from)
                    next_event = now + self.dice.uniform(1, 4 if not rig.LONG else 20)
                if now >= next_look:
                    witness.read()
                    next_look = now + 20
                if now > calm_from + (self.seconds - calm_from) / 4:
                    measured.append((now, *collector.measure()))
                time.sleep(0.25)
            collector.stop()
            status = collector.child.wait(timeout=30)
            assert status == 0, f"the collector ended with {status}"
        finally:
            if collector.child.poll() is None:
                collector.child.kill()
                collector.child.wait()
        return measured


def growth(measured):
    """KiB an hour by least squares."""
    n = len(measured)
    mean_t, mean_k = sum(m[0] for m in measured) / n, sum(m[1] for m in measured) / n
    spread = sum((m[0] - mean_t) ** 2 for m in measured)
    return 3600 * sum((m[0] - mean_t) * (m[1] - mean_k) for m in measured) / spread


LOST = "SELECT coalesce(sum(to_sequence - from_sequence), 0) FROM vaneward.gap WHERE to_sequence IS NOT NULL"


class Stored:
    def __init__(self, r):
        self.readings = collections.Counter(r.stored_readings())
        self.conditions = collections.Counter(
            (s, int(n), item, state) for s, n, item, state in r.sql("SELECT source, sequence, item, state FROM vaneward.condition WHERE state <> 'listed'"))
        self.lost = int(r.sql(LOST)[0][0])


def compare(before, after, witness):
    for what in ("readings", "conditions"):
        have, want = getattr(after, what) - getattr(before, what), collections.Counter(getattr(witness, what))
        for name, rows in (("lost", want - have), ("foreign", have - want)):
            for row in sorted(rows.elements())[:10]:
                print(f"{name}: {row}")
        assert have == want, f"{what}: {have.total()} stored, {want.total()} shown; lost {(want - have).total()}, foreign {(have - want).total()}"
        print(f"{want.total()} {what}, each stored once")
    lost = after.lost - before.lost
    assert lost == witness.lost, f"{lost} lost by the recorded gaps, {witness.lost} by the witness"


def main():
    dice = rig.seed_of(sys.argv[2] if len(sys.argv) > 2 else None)
    seconds = int(sys.argv[3]) if len(sys.argv) > 3 else 3600 if rig.LONG else 40
    with rig.Rig(sys.argv[1], ["--seed", "5", "--days", "8", "--live"]) as r:
        r.register()
        r.sql("UPDATE vaneward.source SET period_s = 1")
        r.catch_up()
        witness, before = Witness(r), Stored(r)
        witness.begin()
        soak = Soak(r, dice, seconds)
        try:
            measured = soak.run(witness)
        except AssertionError:
            print("events:", ", ".join(soak.done))
            print((r.dir / "collector.log").read_text(errors="replace")[-3000:])
            raise
        r.catch_up()
        witness.finish()
        compare(before, Stored(r), witness)
        rise, descriptors = growth(measured), [m[2] for m in measured]
        print(f"{seconds} s, {len(soak.done)} events: " + ", ".join(f"{soak.done.count(k)} {k}" for k in sorted(set(soak.done))))
        print(f"memory {measured[0][1]} to {measured[-1][1]} KiB "
              f"({rise:+.0f} KiB an hour), descriptors {min(descriptors)} to {max(descriptors)}")
        assert max(descriptors) - min(descriptors) <= MOST_DESCRIPTORS, f"descriptors: {descriptors}"
        assert not rig.LONG or rise < MOST_KIB_AN_HOUR, f"memory grows by {rise:.0f} KiB an hour"
    return 0


if __name__ == "__main__":
    sys.exit(main())
