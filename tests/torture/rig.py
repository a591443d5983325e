"""What the torture tests share: a private PostgreSQL, the simulated fleet, the programs, and the comparison of what is
stored with the fleet's own ledger."""
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
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]
LONG = os.environ.get("VANEWARD_LONG") == "1"
HANG_S = 10
SKIPPED = 77
US = datetime.timedelta(microseconds=1)
EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)
# Exit statuses that say something; a signal is never one.
SPOKEN = {0, 3, *range(64, 79)}


def skip(reason):
    print(f"skipped: {reason}")
    sys.exit(SKIPPED)


def fleet_times():
    """Options of a fleet whose history ends at the last closed midnight and is first read two days before."""
    end = (datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(minutes=10)).replace(
        hour=0, minute=0, second=0, microsecond=0)
    first = end - datetime.timedelta(days=2)
    return ["--end", end.strftime("%Y-%m-%dT%H:%M:%SZ"), "--first-read", first.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "--until", first.strftime("%Y-%m-%dT%H:%M:%SZ"), "--days", "8"]


def seed_of(argument):
    """The same sample each time, unless another seed is named: a new find then comes from a change, not from chance."""
    seed = int(argument or os.environ.get("VANEWARD_SEED") or 1)
    print(f"seed {seed}{' (whole)' if LONG else ''}", flush=True)
    return random.Random(seed)


def micros(text):
    text = re.sub(r"([+-]\d\d)$", r"\1:00", text.replace("Z", "+00:00").replace(" ", "T"))
    text = re.sub(r"\.(\d+)", lambda m: "." + m.group(1).ljust(6, "0")[:6], text)
    return (datetime.datetime.fromisoformat(text) - EPOCH) // US


class Died(Exception):
    pass


class Rig:
    def __init__(self, bin_folder, fleet_options):
        self.bin = pathlib.Path(bin_folder).resolve()
        self.dir = pathlib.Path(tempfile.mkdtemp(prefix="vaneward-torture-"))
        self.dir.chmod(0o755)
        self.fleet = None
        self.server = str(ROOT / "deploy/private-postgres.sh")
        out = subprocess.run([self.server, "start", self.dir / "postgres"], check=True, capture_output=True, text=True).stdout
        self.env = dict(os.environ, LC_ALL="C.UTF-8", TZ="UTC", **dict(pair.split("=", 1) for pair in out.split()))
        self.fleet = subprocess.Popen([self.bin / "fleet-simulator", "serve", "--out", self.dir / "fleet", "--small", *fleet_options],
                                      stdout=subprocess.PIPE, text=True)
        line = self.fleet.stdout.readline()
        assert line.startswith("ready http://127.0.0.1:"), line
        self.url = line.split()[1]
        self.program("collector", "prepare")

    def close(self):
        if self.fleet:
            self.fleet.terminate()
            self.fleet.wait()
            self.fleet.stdout.close()
        subprocess.run([self.server, "remove", self.dir / "postgres"], check=False)
        shutil.rmtree(self.dir, ignore_errors=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def control(self, what):
        return urllib.request.urlopen(urllib.request.Request(f"{self.url}/control/{what}", method="POST")).read()

    def argv(self, name, *args):
        return [str(self.bin / f"vaneward-{name}"), *map(str, args)]

    def program(self, name, *args):
        """Undisturbed; must succeed."""
        done = subprocess.run(self.argv(name, *args), env=self.env, capture_output=True, text=True)
        assert done.returncode == 0, f"{name} {args}: status {done.returncode}\n{done.stdout[-2000:]}\n{done.stderr[-3000:]}"
        return done.stdout

    def register(self):
        self.program("collector", "register", self.dir / "fleet/register")

    def disturbed(self, argv, patience=HANG_S, **env):
        """Status and standard error of a run that may fail in any way; a hang is ended by SIGABRT, so that it says where."""
        child = subprocess.Popen(argv, env=dict(self.env, **env), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
                                 errors="replace", start_new_session=True)
        try:
            _, said = child.communicate(timeout=patience)
            return child.returncode, said, False
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, signal.SIGABRT)
            try:
                _, said = child.communicate(timeout=5)
            except subprocess.TimeoutExpired:
                os.killpg(child.pid, signal.SIGKILL)
                _, said = child.communicate()
            return child.returncode, said, True

    def sql(self, text):
        done = subprocess.run(["psql", "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", text], env=self.env, check=True,
                              capture_output=True, text=True)
        return [line.split("\t") for line in done.stdout.splitlines()]

    def tables(self):
        """All but partitions and the record of the schema."""
        return [row[0] for row in self.sql(
            "SELECT relname FROM pg_class WHERE relnamespace = 'vaneward'::regnamespace AND relkind IN ('r', 'p')"
            " AND NOT relispartition AND relname <> 'schema_version' ORDER BY 1")]

    def keep(self):
        """Remembers what is stored, for 'restore'."""
        self.sql("CREATE SCHEMA kept;" + ";".join(f"CREATE TABLE kept.{t} AS TABLE vaneward.{t}" for t in self.tables()))

    def restore(self):
        names = self.tables()
        self.sql("SET session_replication_role = replica; BEGIN; TRUNCATE " + ", ".join(f"vaneward.{t}" for t in names) + ";" +
                 ";".join(f"INSERT INTO vaneward.{t} OVERRIDING SYSTEM VALUE TABLE kept.{t}" for t in names) + "; COMMIT")

    def forget_register(self):
        self.sql("TRUNCATE vaneward.site, vaneward.part, vaneward.drive_model, vaneward.fan_model CASCADE")

    def catch_up(self):
        return json.loads(self.program("collector", "run", "--catch-up", "--json"))

    def ledger(self, name):
        with open(self.dir / f"fleet/ledger/{name}.csv", newline="", encoding="utf-8") as file:
            return [row for row in csv.DictReader(file) if row.get("readable", "yes") == "yes"]

    def read_first_part(self):
        """The ledger's client reads twice; what comes after its first reading is what the tests disturb."""
        self.register()
        self.catch_up()
        self.control("advance?to=end")
        self.keep()

    def stored_readings(self):
        return sorted((row["drive"], row["position"], micros(row["read_at"]), float(row["rpm"] or -1))
                      for row in csv.DictReader(self.program("reporter", "readings").splitlines()))

    def check_against_ledger(self):
        """Every reading and condition once, and nothing else."""
        want = sorted((row["drive"], row["position"], micros(row["read_at"]), float(row["rpm"] or -1))
                      for row in self.ledger("readings") if row["drive"])
        have = self.stored_readings()
        if have != want:
            lost, more = len(set(want) - set(have)), len(set(have) - set(want))
            raise AssertionError(f"readings: {len(have)} stored, {len(want)} in the ledger ({lost} lost, {more} foreign)")
        want = sorted((row["source"], int(row["sequence"]), row["item"], row["state"]) for row in self.ledger("conditions"))
        have = sorted((row[0], int(row[1]), row[2], row[3]) for row in
                      self.sql("SELECT source, sequence, item, state FROM vaneward.condition WHERE state <> 'listed'"))
        if have != want:
            raise AssertionError(f"conditions: {len(have)} stored, {len(want)} in the ledger")
        return len(self.ledger("readings"))


# Frames that do not tell in whose code a dying program stood.
PLUMBING = ("libc.so", "libfailing_malloc", "ld-linux", "[0x", "linux-vdso", "libgcc")
KNOWN_TO_CRASH = ("libhpdf", "libpq")


def library_of_death(said):
    """The outside library that is known to crash for want of memory and did, with the function, such as
    'libhpdf.so.2.3.0 HPDF_Page_ShowText'; None: it was not that."""
    _, found, frames = said.partition("died here:\n")
    for frame in frames.splitlines() if found else ():
        name, _, place = frame.partition("(")
        name = name.rsplit("/", 1)[-1]
        if frame.startswith(("/", "linux")) and not name.startswith(PLUMBING):
            return f"{name} {place.split('+')[0] or '(unnamed)'}" if name.startswith(KNOWN_TO_CRASH) else None
    return None
