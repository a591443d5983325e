"""The base of tests that fail the database under a collector: each test has a server and a fleet of its own, and ends
with the comparison of what is stored with the fleet's own ledger.
"""
import collections
import contextlib
import csv
import datetime
import json
import os
import pathlib
import shutil
import signal
import subprocess
import tempfile
import time
import unittest
import urllib.request

from common import HOUR, micros, rows_of, stamp
from places import BIN
from postgres import PSQL, Server


def wait_until(what, seconds=30, every=0.05):
    """Polls until what() is true; its last value."""
    end = time.monotonic() + seconds
    while not (value := what()) and time.monotonic() < end:
        time.sleep(every)
    return value


class FaultTest(unittest.TestCase):
    pg_options = ""
    pg_folder = None  # another place for the server's folder

    def setUp(self):
        self.dir = pathlib.Path(tempfile.mkdtemp(prefix="vaneward-fault-"))
        self.addCleanup(shutil.rmtree, self.dir, ignore_errors=True)
        os.chmod(self.dir, 0o755)
        self.started = []
        self.start_database()
        self.start_fleet()
        self.addCleanup(self.end_programs)
        self.collector("register", str(self.dir / "register"))
        self.collector("run", "--catch-up")

    # the world

    def start_database(self):
        self.pg = Server(self.pg_folder or self.dir / "postgres", self.pg_options)
        self.addCleanup(self.pg.do, "remove", check=False)
        self.env = self.pg.start()

    def socket_path(self):
        return f"{self.env['PGHOST']}/.s.PGSQL.5432"

    def start_fleet(self):
        self.end = datetime.datetime.now(datetime.timezone.utc).replace(minute=0, second=0, microsecond=0)
        self.now = self.end - 120 * HOUR
        self.fleet = self.start([BIN / "fleet-simulator", "serve", "--small", "--seed", "5", "--days", "10", "--out",
                                 self.dir / "fleet", "--end", stamp(self.end), "--until", stamp(self.now), "--first-read",
                                 stamp(self.now)], stdout=subprocess.PIPE)
        line = self.fleet.stdout.readline()
        self.assertTrue(line.startswith("ready http://127.0.0.1:"), line)
        self.url = line.split()[1]
        self.first = {s["source"]: s for s in self.shown()}
        self.copy_register()

    def copy_register(self):
        """The fleet's register, with a poll period of a second."""
        shutil.copytree(self.dir / "fleet/register", self.dir / "register")
        path = self.dir / "register/sources.csv"
        rows = rows_of(path)
        with open(path, "w", newline="", encoding="utf-8") as file:
            out = csv.DictWriter(file, rows[0].keys())
            out.writeheader()
            out.writerows(dict(row, period_s="1") for row in rows)

    def shown(self):
        return json.load(urllib.request.urlopen(f"{self.url}/control/state"))["sources"]

    def advance(self, hours=None):
        """More of the history becomes visible: some hours of it, or all."""
        self.now = min(self.end, self.now + hours * HOUR) if hours else self.end
        to = "end" if self.now == self.end else stamp(self.now)
        urllib.request.urlopen(urllib.request.Request(f"{self.url}/control/advance?to={to}", method="POST")).read()

    # programs

    def start(self, args, env=None, **options):
        program = subprocess.Popen([str(arg) for arg in args], env=env, text=True, **options)
        self.started.append(program)
        return program

    def end_programs(self):
        for program in self.started:
            if program.poll() is None:
                program.kill()
            program.wait()
            for stream in (program.stdin, program.stdout):
                if stream:
                    stream.close()

    def collector(self, *args, status=0, env=None, prefix=()):
        done = subprocess.run([*prefix, str(BIN / "vaneward-collector"), *args], env=env or self.env, capture_output=True, text=True,
                              timeout=120)
        if status is not None:
            self.assertEqual(done.returncode, status, f"{args}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
        return done

    def start_collector(self, *args, env=None):
        """run in the background; what it logs is read with log()."""
        self.log_path = self.dir / f"log-{len(self.started)}"
        with open(self.log_path, "w", encoding="utf-8") as log:
            return self.start([BIN / "vaneward-collector", "run", *args], env=env or self.env, stderr=log, stdout=subprocess.DEVNULL)

    def log(self):
        return self.log_path.read_text(encoding="utf-8")

    def wait_log(self, words, times=1, seconds=90):
        seen = wait_until(lambda: self.log().count(words) >= times, seconds)
        self.assertTrue(seen, f"'{words}' is not {times} times in the log:\n{self.log()[-3000:]}")

    def stop(self, program):
        program.send_signal(signal.SIGTERM)
        self.assertEqual(program.wait(20), 0, self.log()[-3000:])

    def through(self, port):
        """The environment of a program that reaches the database by a port of the loopback interface."""
        return dict(self.env, PGHOST="127.0.0.1", PGPORT=str(port), PGSSLMODE="disable", PGGSSENCMODE="disable")

    def sql(self, text):
        done = subprocess.run([PSQL, "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", text], env=self.env,
                              capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stderr)
        return [line.split("\t") for line in done.stdout.splitlines()]

    @contextlib.contextmanager
    def collector_inside_its_transaction(self):
        """A running collector has moved cursors and waits with the readings; on leaving it may go on."""
        lock = self.start([PSQL, "-qAtX"], env=self.env, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        lock.stdin.write("BEGIN; LOCK vaneward.journal; SELECT 'locked';\n")
        lock.stdin.flush()
        self.assertEqual(lock.stdout.readline(), "locked\n")
        self.advance(16)
        self.assertTrue(wait_until(lambda: self.sql("SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND"
                                                    " application_name = 'vaneward-collector'")), self.log())
        yield
        lock.kill()

    def wait_until_read(self):
        """All that the sources show, by whichever collector."""
        def is_read():
            cursors = {row[0]: (row[1], int(row[2])) for row in self.sql("SELECT source, instance, next_sequence FROM vaneward.source_cursor")}
            return all(cursors.get(s["source"]) == (s["instance"], s["last"] + 1) for s in self.shown())
        self.assertTrue(wait_until(is_read, 60, 0.2), f"not read to the end:\n{self.log()[-3000:]}")

    def stored(self):
        """How many readings and state changes; grows while a collector works."""
        return int(self.sql("SELECT (SELECT count(*) FROM vaneward.condition WHERE state <> 'listed') + (SELECT coalesce(sum(readings), 0) FROM"
                            " vaneward.journal_waiting) + (SELECT coalesce(sum(readings), 0) FROM vaneward.reading_hour) +"
                            " (SELECT coalesce(sum(readings), 0) FROM vaneward.reading_day)")[0][0])

    # the comparison

    def finish_and_compare(self):
        """All of the history is read to its end; then every observation is stored once, every loss is a recorded gap."""
        self.advance()
        done = self.collector("run", "--catch-up", "--json")
        self.assertEqual(json.loads(done.stdout)["not_read"], [])
        gaps = [(row[0], row[1], int(row[2] or 0), int(row[3] or 0)) for row in self.sql(
            "SELECT source, instance, from_sequence, to_sequence FROM vaneward.gap")]
        in_gap = lambda row: any(row["source"] == source and row["instance"] == instance and first <= int(row["sequence"])
                                 and (not after or int(row["sequence"]) < after) for source, instance, first, after in gaps)
        self.compare("conditions", in_gap, lambda row: (row["source"], row["instance"], row["sequence"], row["state"]),
                     self.sql("SELECT source, instance, sequence, state FROM vaneward.condition WHERE state <> 'listed'"))
        self.compare("events", in_gap, lambda row: (row["source"], row["instance"], row["sequence"], row["value"]),
                     self.sql("SELECT source, instance, sequence, coalesce(value, '') FROM vaneward.device_event"))
        number = lambda text: "" if text == "" else float(text)
        key = lambda row: (row["drive"], row["position"], micros(row["read_at"]), number(row["rpm"]))
        out = subprocess.run([BIN / "vaneward-reporter", "readings"], env=self.env, capture_output=True, text=True)
        self.assertEqual(out.returncode, 0, out.stderr)
        self.compare("readings", in_gap, key, [key(row) for row in csv.DictReader(out.stdout.splitlines())])

    def compare(self, name, in_gap, key, stored):
        """Stored is what the sources held at the first reading and all that came later, but for what lies in gaps; none of it
        twice. A gap hides nothing that a client could read who came at the beginning and at the end alone."""
        must, may, hidden = collections.Counter(), collections.Counter(), []
        for row in rows_of(self.dir / f"fleet/ledger/{name}.csv"):
            if name == "readings" and not row["drive"]:
                continue
            may[key(row)] += 1
            first, readable = self.first[row["source"]], row["readable"] == "yes"
            if in_gap(row):
                hidden += [row] if readable else []
            elif readable or int(row["sequence"]) >= first["first"] or row["instance"] != first["instance"]:
                must[key(row)] += 1
        have = collections.Counter(tuple(row) for row in stored)
        self.assertGreater(sum(must.values()), 10)
        self.assertEqual(must - have, collections.Counter(), f"{name} that are lost")
        self.assertEqual(have - may, collections.Counter(), f"{name} that are stored twice or were never sent")
        self.assertEqual(hidden[:3], [], f"{name} that a gap calls lost")
