"""kill -9 at any moment: at random ones while spooling and while draining, and at system calls (strace).

Kills fall upon recovery from earlier kills as well.
"""
import shutil
import sys
import time
import unittest

from common import Rig, seed
from places import LONG

# The n-th call of each kind: what comes before belongs to loading the program.
CALLS = {"fdatasync": range(1, 7), "fsync": range(1, 5), "write": range(1, 21), "unlinkat": range(1, 5), "flock": range(1, 2),
         "openat": range(60, 100), "pread64": range(1, 13), "sendto": range(5, 60)}
HOURS_EACH = 2


class Kill(unittest.TestCase):
    def setUp(self):
        self.dice = seed()
        self.rig = Rig(hours=150, days=10)
        self.addCleanup(self.rig.close)
        self.rig.begin()
        self.early = 0  # already ended by strace

    def outage(self, around=(), pause=0.1):
        """Killed while spooling, then (around: by strace) while draining."""
        rig = self.rig
        if not rig.collector:
            rig.start(*around)
            rig.wait_until(lambda: "source" in rig.log_text() or self.is_over() or rig.is_read(), 60, "sign of life")
        rig.database("stop")
        rig.advance_slowly(HOURS_EACH, pause)
        time.sleep(self.dice.random() * 0.8)
        self.early += self.is_over()
        rig.kill()
        rig.database("start")

    def is_over(self):
        return self.rig.collector.poll() is not None

    def finish(self):
        rig = self.rig
        rig.start()
        rig.wait_until_read()
        readings = rig.check()
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])
        return readings

    def test_at_random_moments(self):
        rig = self.rig
        kills = 0
        while kills < (200 if LONG else 20):
            self.outage()
            kills += 1
            for _ in range(self.dice.randrange(3)):
                rig.start()
                time.sleep(self.dice.random() * 0.6)
                rig.kill()
                kills += 1
            rig.start()
            time.sleep(0.2 + self.dice.random())
        rig.kill()
        print(f"{kills} kills, {self.finish()} readings equal to the ledger", file=sys.stderr)

    @unittest.skipUnless(shutil.which("strace"), "strace is not installed (deploy/packages.sh test)")
    def test_at_system_calls(self):
        rig = self.rig
        points = [(call, n) for call, numbers in CALLS.items() for n in numbers]
        if not LONG:
            points = [(call, self.dice.choice(numbers)) for call, numbers in CALLS.items()]
        late = 0
        for call, n in points:
            traced = ("strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", f"inject={call}:signal=KILL:when={n}")
            if rig.collector:
                rig.kill()
            self.outage(traced)
            rig.start(*traced)
            until = time.monotonic() + 1
            while not self.is_over() and time.monotonic() < until:
                time.sleep(0.05)
            late += self.is_over()
            rig.kill()
        self.assertGreater(self.early + late, 0)
        print(f"{len(points)} points, {self.early} hit while spooling, {late} while draining, {self.finish()} readings equal"
              " to the ledger", file=sys.stderr)


if __name__ == "__main__":
    unittest.main(verbosity=2)
