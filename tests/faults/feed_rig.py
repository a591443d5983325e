"""What the tests of the collector as a service share: a private PostgreSQL, the programs, and a small readings feed that
says what a test wants it to say."""
import csv
import datetime
import http.server
import json
import os
import pathlib
import signal
import subprocess
import tempfile
import threading
import time
import unittest
import urllib.parse

from places import BIN
from postgres import PSQL, Server


def now():
    return datetime.datetime.now(datetime.timezone.utc)


def stamp(moment):
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def wait_for(condition, seconds=60, what="condition"):
    """The first true value of condition(), asked every 50 ms."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        value = condition()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"waited {seconds} s in vain for: {what}")


def serve(handler, port=0):
    server = http.server.ThreadingHTTPServer(("127.0.0.1", port), handler)
    server.daemon_threads = True
    server.handle_error = lambda *broken_off: None  # by a collector that was killed
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


class Feed:
    """A readings feed on loopback: holds what a test reports, answers /current and /sample."""

    def __init__(self):
        self.observations, self.newest = [], {}
        self.requests = []  # (monotonic moment, path)
        self.lock = threading.Lock()
        feed = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self):
                feed.requests.append((time.monotonic(), self.path))
                body = json.dumps(feed.answer(self.path)).encode()
                self.send_response(200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *args):
                pass

        self.server = serve(Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"

    def close(self):
        self.server.shutdown()
        self.server.server_close()

    def report(self, item, at=None, **what):
        """value=..., or state=... with code=..."""
        with self.lock:
            row = {"sequence": len(self.observations) + 1, "time": stamp(at or now()), "device": "m1", "item": item, **what}
            self.observations.append(row)
            self.newest[item] = row

    def answer(self, path):
        with self.lock:
            parts = urllib.parse.urlsplit(path)
            query = dict(urllib.parse.parse_qsl(parts.query))
            last = len(self.observations)
            buffer = {"size": 100000, "first": 1 if last else 0, "last": last, "next": last + 1}
            shown = list(self.newest.values())
            if parts.path.endswith("/sample"):
                first = int(query.get("from", 1))
                shown = self.observations[first - 1:first - 1 + int(query.get("count", 100))]
                buffer["next"] = first + len(shown)
            return {"feed": 1, "instance": "i1", "created": stamp(now()), "buffer": buffer, "observations": shown}


class ServiceTest(unittest.TestCase):
    """A database, prepared, for all tests of a class."""

    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="vaneward-faults-")
        cls.addClassCleanup(cls.folder.cleanup)
        cls.dir = pathlib.Path(cls.folder.name)
        os.chmod(cls.dir, 0o755)
        cls.server = Server(cls.dir / "postgres")
        cls.addClassCleanup(cls.server.do, "remove")
        cls.env = cls.server.start()

    @classmethod
    def program(cls, *args, status=0, **changes):
        done = subprocess.run([BIN / "vaneward-collector", *map(str, args)], env=dict(cls.env, **changes), capture_output=True,
                              text=True)
        assert done.returncode == status, f"{args}: status {done.returncode}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
        return done.stdout

    @classmethod
    def sql(cls, text):
        done = subprocess.run([PSQL, "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", text], env=cls.env, check=True,
                              capture_output=True, text=True)
        return [line.split("\t") for line in done.stdout.splitlines()]

    @classmethod
    def number(cls, text):
        return int(cls.sql(text)[0][0])

    @classmethod
    def register(cls, **files):
        """Loads CSV files given as lists of rows, the first one the header."""
        folder = cls.dir / "register"
        folder.mkdir(exist_ok=True)
        for name, rows in files.items():
            with open(folder / f"{name}.csv", "w", newline="", encoding="utf-8") as file:
                csv.writer(file).writerows(rows)
        cls.program("register", folder)

    @classmethod
    def register_small_fleet(cls, url, drives):
        """One site, machine and source; items 'DRIVE/condition' and 'DRIVE/speed'; a period of 1 s."""
        cls.register(
            sites=[["site", "name", "time_zone", "paper"], ["s1", "First works", "UTC", "A4"]],
            machines=[["machine", "site", "name", "location", "controller"], ["m1", "s1", "Mill 1", "Hall 2", "c1"]],
            drive_models=[["drive_model", "reports_speed", "internal_fans"], ["dm1", "yes", "1"]],
            drives=[["drive", "machine", "drive_model", "cabinet_slot"]] + [[d, "m1", "dm1", "A3"] for d in drives],
            parts=[["part", "description"], ["p1", "fan"]],
            fan_models=[["fan_model", "part", "rated_rpm"], ["fm1", "p1", "4000"]],
            fitments=[["drive_model", "position", "fan_model"], ["dm1", "internal-1", "fm1"]],
            fans=[["drive", "position", "fan_model"]] + [[d, "internal-1", "fm1"] for d in drives],
            sources=[["source", "site", "url", "format", "period_s"], ["a", "s1", url, "feed", "1"]],
            bindings=[["source", "device", "item", "role", "drive", "position"]]
            + [["a", "m1", f"{d}/{item}", role, d, position] for d in drives
               for item, role, position in (("speed", "fan_speed", "internal-1"), ("condition", "drive_condition", ""))],
            code_map=[["controller", "native_code", "kind"], ["c1", "W1", "fan_warning"], ["c1", "A1", "fan_alarm"]])

    def start_collector(self, *args, **changes):
        """vaneward-collector run in the background, its messages in self.log; ended with the test."""
        self.log = self.dir / f"{self._testMethodName}.log"
        with open(self.log, "a", encoding="utf-8") as log:
            child = subprocess.Popen([BIN / "vaneward-collector", "run", *map(str, args)], env=dict(self.env, **changes),
                                     stdout=subprocess.DEVNULL, stderr=log)
        self.addCleanup(self.end, child)
        self.child = child
        return child

    def is_at_work(self):
        """The newest collector has read its register, and hears signals."""
        return self.number(f"SELECT count(*) FROM vaneward.collector WHERE collector LIKE '%:{self.child.pid}'")

    @staticmethod
    def end(child, with_signal=signal.SIGKILL):
        if child.poll() is None:
            child.send_signal(signal.SIGCONT)
            child.send_signal(with_signal)
        return child.wait(timeout=30)

    def logged(self, event):
        return [line for line in self.log.read_text(encoding="utf-8").splitlines() if event in line]
