"""A running collector under faults: the simulated fleet over real HTTP, a private PostgreSQL, a spool folder.

Whatever happened on the way, in the end every observation that the fleet showed is stored exactly once, or lies in a
gap that is recorded.
"""
import collections
import contextlib
import csv
import datetime
import json
import os
import pathlib
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request

from places import BIN
from postgres import PSQL, Server

SKIPPED = 77
HOUR = datetime.timedelta(hours=1)
US = datetime.timedelta(microseconds=1)


def seed():
    """The seed of this run's dice, printed so that the run can be repeated with VANEWARD_SEED."""
    value = int(os.environ.get("VANEWARD_SEED") or random.SystemRandom().randrange(1 << 31))
    print(f"seed {value} (VANEWARD_SEED={value} repeats it)", file=sys.stderr)
    return random.Random(value)


def skip(why):
    print(f"skipped: {why}")
    sys.exit(SKIPPED)


def stamp(moment):
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def micros(text):
    """ISO 8601 to microseconds since 1970; exact."""
    text = re.sub(r"([+-]\d\d)$", r"\1:00", text.replace("Z", "+00:00").replace(" ", "T"))
    text = re.sub(r"\.(\d+)", lambda m: "." + m.group(1).ljust(6, "0")[:6], text)
    return (datetime.datetime.fromisoformat(text) - datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)) // US


def rows_of(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


class Rig:
    """A small fleet that shows its history hour by hour, a database that comes and goes, and one collector."""

    def __init__(self, days=8, hours=72, fleet_seed=7, spool=None, spool_mb=None, trouble=None, end=None):
        self.folder = tempfile.mkdtemp(prefix="vaneward-faults-")
        os.chmod(self.folder, 0o755)
        self.dir = pathlib.Path(self.folder)
        self.spool = pathlib.Path(spool) if spool else self.dir / "spool"
        self.spool_mb = spool_mb
        self.log = open(self.dir / "collector.log", "w+b")
        self.collector = None
        self.end = end or datetime.datetime.now(datetime.timezone.utc).replace(minute=0, second=0, microsecond=0)
        self.trouble = ["--trouble", trouble] if trouble else []
        self.now = self.end - hours * HOUR
        self.server = Server(self.dir / "postgres")
        self.database("start")
        self.start_fleet(days, fleet_seed)
        sources = self.dir / "fleet/register/sources.csv"
        sources.write_text(re.sub(r",10,$", ",1,", sources.read_text(), flags=re.M))
        self.program("register", str(self.dir / "fleet/register"))
        self.first = {s["source"]: s for s in self.shown()}

    def database(self, verb):
        if verb == "start":
            self.env = self.server.start()
        else:
            self.server.do(verb)

    def freeze(self, how):
        """SIGSTOP or SIGCONT for the whole server; the main process first, so that it makes no further ones."""
        main = self.server.main_process()
        os.kill(main, how)
        if how == signal.SIGSTOP:
            stopped = lambda: pathlib.Path(f"/proc/{main}/stat").read_text().rsplit(") ", 1)[1].startswith("T")
            self.wait_until(stopped, 30, "frozen server")
        for child in pathlib.Path(f"/proc/{main}/task/{main}/children").read_text().split():
            try:
                os.kill(int(child), how)
            except ProcessLookupError:
                pass  # it was ending

    @contextlib.contextmanager
    def held(self, table):
        """The table is locked; within, wait_until_held() waits until the collector stands before it."""
        hold = subprocess.Popen([PSQL, "-qAtX"], env=self.env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        try:
            hold.stdin.write(f"BEGIN; LOCK TABLE {table}; SELECT 'held';\n")
            hold.stdin.flush()
            assert hold.stdout.readline() == "held\n"
            yield
        finally:
            hold.kill()
            hold.communicate()

    def wait_until_held(self, seconds=60):
        self.wait_until(lambda: self.sql("SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND"
                                         " application_name = 'vaneward-collector'"), seconds, "wait for a lock")

    def start_fleet(self, days, fleet_seed):
        self.fleet = subprocess.Popen(
            [BIN / "fleet-simulator", "serve", "--out", self.dir / "fleet", "--small", "--seed", str(fleet_seed),
             "--days", str(days), "--end", stamp(self.end), "--until", stamp(self.now), "--first-read", stamp(self.now),
             *self.trouble],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        line = self.fleet.stdout.readline()
        assert line.startswith("ready http://127.0.0.1:"), line
        self.url = line.split()[1]

    def close(self):
        if self.collector:
            self.kill()
        if self.fleet:
            self.fleet.terminate()
            self.fleet.wait()
            self.fleet.stdout.close()
        self.log.close()
        try:
            self.database("remove")
        except subprocess.CalledProcessError as e:  # told, but not in place of what a test found
            print(f"cannot remove '{self.folder}': {e.stderr}", file=sys.stderr)
        else:
            shutil.rmtree(self.folder, ignore_errors=True)

    def program(self, *args, name="collector"):
        done = subprocess.run([BIN / f"vaneward-{name}", *args], env=self.env, capture_output=True, text=True)
        assert done.returncode == 0, f"{name} {args}: status {done.returncode}\n{done.stderr[-3000:]}"
        return done.stdout

    def sql(self, text):
        done = subprocess.run([PSQL, "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", text], env=self.env, check=True,
                              capture_output=True, text=True)
        return [line.split("\t") for line in done.stdout.splitlines()]

    # the fleet

    def shown(self):
        return json.load(urllib.request.urlopen(f"{self.url}/control/state"))["sources"]

    def advance(self, hours=1):
        self.now = min(self.now + hours * HOUR, self.end)
        where = f"{self.url}/control/advance?to={stamp(self.now)}"
        urllib.request.urlopen(urllib.request.Request(where, method="POST")).read()

    def advance_slowly(self, steps, pause=0.25, hours=1):
        for _ in range(steps):
            self.advance(hours)
            time.sleep(pause)

    # the collector

    def start(self, *around):
        """With a command around it, such as strace; that command's group is what kill() ends."""
        self.log.seek(0, os.SEEK_END)
        self.log_from = self.log.tell()
        size = ["--spool-max-mb", str(self.spool_mb)] if self.spool_mb else []
        self.collector = subprocess.Popen(
            [*around, BIN / "vaneward-collector", "run", "--no-seal", "--verbose", "--spool", self.spool, *size],
            env=self.env, stdout=subprocess.DEVNULL, stderr=self.log, start_new_session=True)

    def begin(self):
        """What the sources hold is read; from here on a loss would be ours."""
        self.start()
        self.wait_until(self.is_read, 90, "first reading")

    def kill(self):
        try:
            os.killpg(self.collector.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        self.collector.wait()
        self.collector = None

    def stop(self):
        """As a service manager does; how long it took, in seconds."""
        began = time.monotonic()
        self.collector.terminate()
        status = self.collector.wait(timeout=30)
        self.collector = None
        assert status == 0, f"status {status}\n{self.log_text()}"
        return time.monotonic() - began

    def log_text(self, whole=False):
        self.log.flush()
        return pathlib.Path(self.log.name).read_bytes()[0 if whole else self.log_from:].decode()

    def wait_for_log(self, word, seconds=60):
        self.wait_until(lambda: word in self.log_text(), seconds, f"'{word}' in the log")

    def wait_until(self, true, seconds, what):
        until = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < until, f"no {what} within {seconds} s; the log:\n{self.log_text()[-3000:]}"
            time.sleep(0.05)

    def segments(self):
        return sorted(self.spool.glob("*.seg")) if self.spool.exists() else []

    def is_read(self):
        cursors = {row[0]: (row[1], int(row[2])) for row in self.sql(
            "SELECT source, instance, next_sequence FROM vaneward.source_cursor")}
        return all(cursors.get(s["source"]) == (s["instance"], s["last"] + 1) for s in self.shown())

    def wait_until_read(self, seconds=120):
        self.wait_until(self.is_read, seconds, "end of reading")
        self.wait_until(lambda: not [p for p in self.segments() if not p.name.startswith("refused")], seconds, "empty spool")

    # what is stored, against the fleet's own ledger

    def gaps(self, reason=None):
        rows = self.sql("SELECT source, instance, coalesce(from_sequence, 0), coalesce(to_sequence, 9223372036854775807), reason"
                        " FROM vaneward.gap")
        return [(row[0], row[1], int(row[2]), int(row[3])) for row in rows if reason in (None, row[4])]

    def ledger(self, name):
        """What was shown since the first reading, and what the source still held then."""
        for row in rows_of(self.dir / f"fleet/ledger/{name}.csv"):
            first = self.first[row["source"]]
            at = micros(row["read_at"] if name == "readings" else row["occurred_at"])
            if self.now < self.end and at > self.now.timestamp() * 1e6:
                continue
            same = row["instance"] == first["instance"]
            if row["readable"] == "yes" or int(row["sequence"]) >= first["first"] or not same:
                yield row

    def gap_test(self):
        """Whether a row of the ledger lies in a recorded gap."""
        gaps = collections.defaultdict(list)
        for source, instance, begin, end in self.gaps():
            gaps[source, instance].append((begin, end))
        return lambda row: any(b <= int(row["sequence"]) < e for b, e in gaps[row["source"], row["instance"]])

    def check(self):
        """Number of readings stored. Fails when one is missing outside of gaps, or stored twice, or not the ledger's."""
        in_gap = self.gap_test()
        self.check_states("conditions", "condition", in_gap)
        self.check_states("events", "device_event", in_gap)
        must, may = collections.Counter(), collections.Counter()
        for row in self.ledger("readings"):
            if row["drive"]:
                key = (row["drive"], row["position"], micros(row["read_at"]), float(row["rpm"] or -1))
                (may if in_gap(row) else must)[key] += 1
        have = collections.Counter()
        for row in csv.DictReader(self.program("readings", name="reporter").splitlines()):
            have[row["drive"], row["position"], micros(row["read_at"]), float(row["rpm"] or -1)] += 1
        missing = must - have
        assert not missing, f"{sum(missing.values())} readings are missing, such as {list(missing)[:3]}"
        extra = have - must - may
        assert not extra, f"{sum(extra.values())} readings are stored twice or from nowhere, such as {list(extra)[:3]}"
        return sum(have.values())

    def check_states(self, name, table, in_gap, spare=True):
        reports = " WHERE state <> 'listed'" if table == "condition" else ""  # what a source lists after a gap is none
        have = collections.Counter(tuple(row) for row in self.sql(
            f"SELECT source, instance, sequence, item FROM vaneward.{table}{reports}"))
        rows = [(tuple(row[c] for c in ("source", "instance", "sequence", "item")), row) for row in self.ledger(name)]
        missing = [key for key, row in rows if key not in have and not (spare and in_gap(row))]
        assert not missing, f"{len(missing)} {name} are missing, such as {missing[:3]}"
        extra = have - collections.Counter(key for key, _ in rows)
        assert not extra, f"{name} stored twice or from nowhere: {list(extra)[:3]}"
