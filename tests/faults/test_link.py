"""A cable that is cut or bad: only the sources behind it fall silent, they come back by themselves, nothing twice.

Needs root, network namespaces and iptables. Usage: test_link.py BIN_FOLDER [unittest options]
"""
import csv
import os
import shutil
import subprocess
import sys
import time
import unittest

from places import BIN, ROOT
from test_http import Plant

SKIPPED = 77
SPACE, OUTSIDE, INSIDE = f"vaneward-{os.getpid()}", f"vw{os.getpid() % 100000}a", f"vw{os.getpid() % 100000}b"
# Four addresses of its own for each run: what a killed run left behind must not answer in its place.
FIRST = os.getpid() % 16384 * 4
HERE, THERE = (f"10.213.{(FIRST + n) // 256}.{(FIRST + n) % 256}" for n in (1, 2))
SERVER = "import sys, time; sys.path.insert(0, sys.argv[1]); import evil; print(evil.Evil(host='0.0.0.0').port, flush=True); time.sleep(600)"


def why_not():
    if os.geteuid() != 0:
        return "only root may make network namespaces"
    for tool in ("ip", "iptables"):
        if not shutil.which(tool):
            return f"{tool} is not installed"
    made = subprocess.run(["ip", "netns", "add", SPACE], capture_output=True, text=True)
    if made.returncode:
        return f"network namespaces cannot be made here: {made.stderr.strip()}"
    rules = inside("iptables", "-L", "-n", check=False)
    if rules.returncode:
        subprocess.run(["ip", "netns", "delete", SPACE])
        return f"iptables does not work here: {rules.stderr.strip()}"
    return None


def inside(*command, check=True):
    return subprocess.run(["ip", "netns", "exec", SPACE, *command], capture_output=True, text=True, check=check)


class Cable(Plant):
    @classmethod
    def setUpClass(cls):
        cls.addClassCleanup(subprocess.run, ["ip", "netns", "delete", SPACE])
        super().setUpClass()
        for command in (f"link add {OUTSIDE} type veth peer name {INSIDE} netns {SPACE}", f"addr add {HERE}/30 dev {OUTSIDE}",
                        f"link set {OUTSIDE} up", f"-n {SPACE} addr add {THERE}/30 dev {INSIDE}", f"-n {SPACE} link set {INSIDE} up"):
            subprocess.run(["ip", *command.split()], check=True)
        cls.server = subprocess.Popen(["ip", "netns", "exec", SPACE, sys.executable, "-c", SERVER, str(ROOT / "tests/faults")],
                                      stdout=subprocess.PIPE, text=True)
        cls.addClassCleanup(cls.server.stdout.close)
        cls.addClassCleanup(cls.server.wait)
        cls.addClassCleanup(cls.server.kill)
        cls.far = f"http://{THERE}:{cls.server.stdout.readline().strip()}/good"

    def next(self, source):
        return int(self.sql(f"SELECT coalesce(max(next_sequence), 0) FROM vaneward.source_cursor WHERE source = '{source}'")[0][0])

    def wait_until(self, true, seconds, what):
        until = time.monotonic() + seconds
        while not true():
            self.assertLess(time.monotonic(), until, f"no {what} within {seconds} s")
            time.sleep(0.2)

    def check_once_each(self, source):
        """The feed began with the test: every number below the cursor is stored, one time."""
        end = self.next(source)
        out = subprocess.run([BIN / "vaneward-reporter", "readings", "--drive", f"d-{source}", "--position", "internal-1"], env=self.env,
                             check=True, capture_output=True, text=True).stdout
        moments = [row["read_at"] for row in csv.DictReader(out.splitlines())]
        self.assertEqual(len(moments), len(set(moments)), "stored twice")
        self.assertEqual(len(moments), end - 1)
        self.assertEqual(self.sql("SELECT count(*) FROM vaneward.gap"), [["0"]])

    def test_a_cut_cable_silences_its_own_sources_only(self):
        self.register({"far": {"url": self.far}, "near": {"url": self.url("good")}}, {"s": f"{THERE}/32 127.0.0.0/8"})
        process = self.start()
        self.wait_until(lambda: self.sql("SELECT count(*) FROM vaneward.source_cursor WHERE next_sequence > 1") == [["2"]], 60, "first reading")
        inside("iptables", "-A", "INPUT", "-j", "DROP")
        try:
            failures = lambda: self.sql("SELECT failures, coalesce(last_error, '') FROM vaneward.source_cursor WHERE source = 'far'")[0]
            self.wait_until(lambda: failures()[0] != "0", 10, "failure")
            self.assertRegex(failures()[1], "too slow|timed out|[Tt]imeout")
            far, near = self.next("far"), self.next("near")
            time.sleep(4)
            self.assertEqual(self.next("far"), far)
            self.assertGreaterEqual(self.next("near"), near + 5)  # two a second
        finally:
            inside("iptables", "-F")
        self.wait_until(lambda: self.next("far") > far + 10, 40, "return of the far source")
        self.stop(process)
        self.check_once_each("far")
        self.check_once_each("near")

    def test_a_bad_cable_loses_and_doubles_nothing(self):
        self.register({"far": {"url": self.far}})
        process = self.start()
        for lost in ("0.05", "0.2"):
            inside("iptables", "-A", "INPUT", "-m", "statistic", "--mode", "random", "--probability", lost, "-j", "DROP")
            try:
                time.sleep(10)
            finally:
                inside("iptables", "-F")
        self.stop(process)
        self.assertGreater(self.next("far"), 10)
        self.check_once_each("far")

    def test_a_slow_link_is_given_up_at_the_deadline_and_loses_and_doubles_nothing(self):
        narrow = lambda verb, rate: inside("tc", "qdisc", verb, "dev", INSIDE, "root", "tbf", "rate", rate, "burst", "1600", "latency", "5s",
                                           check=False)
        if narrow("add", "64kbit").returncode:
            self.skipTest("tc cannot make a link slow here")
        self.addCleanup(inside, "tc", "qdisc", "delete", "dev", INSIDE, "root", check=False)
        self.register({"far": {"url": self.far}})
        process = self.start()
        self.wait_until(lambda: self.next("far") > 10, 60, "reading over a slow link")
        narrow("change", "1kbit")
        failure = lambda: self.sql("SELECT coalesce(last_error, '') FROM vaneward.source_cursor WHERE failures > 0")
        self.wait_until(failure, 60, "failure")
        self.assertRegex(failure()[0][0], "too slow|[Tt]ime.?out|timed out")
        far = self.next("far")
        inside("tc", "qdisc", "delete", "dev", INSIDE, "root")
        self.wait_until(lambda: self.next("far") > far + 10, 60, "return")
        self.stop(process)
        self.check_once_each("far")


if __name__ == "__main__":
    reason = why_not()
    if reason:
        print(f"skipped: {reason}")
        sys.exit(SKIPPED)
    unittest.main(defaultTest=["Cable"])
