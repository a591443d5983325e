"""The database is away for hours of the fleet's life, at a faked rate: the spool grows in a straight line and stays below
its cap; then state changes are stored first, and the rest faster than it came.
"""
import sys
import time
import unittest

from common import Rig
from places import LONG

# Twelve times so many steps, each of so many minutes of the fleet's life and of so many seconds: in full an hour at 60 times
# the usual rate.
STEPS, MINUTES, SECONDS = (300, 1, 1.0) if LONG else (5, 6, 0.3)
HOURS = 12 * STEPS * MINUTES // 60
CAP_MB = 64


class Hour(unittest.TestCase):
    def setUp(self):
        self.rig = Rig(days=11 if LONG else 8, hours=70, spool_mb=CAP_MB)
        self.addCleanup(self.rig.close)

    def spool_bytes(self):
        return sum(path.stat().st_size for path in self.rig.segments())

    def outage(self):
        """Bytes in the spool after each twelfth of the outage."""
        rig, grown = self.rig, []
        rig.database("stop")
        rig.wait_for_log("database.away")
        for _ in range(12):
            rig.advance_slowly(STEPS, SECONDS, MINUTES / 60)
            grown.append(self.spool_bytes())
        return grown

    def states_come_first(self):
        """While no reading can be stored, all state changes that lie in the spool are."""
        rig = self.rig
        held = lambda: {tuple(row) for row in rig.sql("SELECT source, instance, sequence::text, item FROM vaneward.condition WHERE state <> 'listed'")}
        shown = {(s["source"], s["instance"]): s["last"] for s in rig.shown()}
        want = {tuple(row[c] for c in ("source", "instance", "sequence", "item")) for row in rig.ledger("conditions")
                if int(row["sequence"]) <= shown.get((row["source"], row["instance"]), 0)}
        with rig.held("vaneward.journal"):
            rig.wait_until(lambda: want <= held(), 60, "state changes")
            self.assertTrue(rig.segments())
            return len(want)

    def test_an_hour_without_the_database(self):
        rig = self.rig
        rig.begin()
        began = time.monotonic()
        grown = self.outage()
        rig.wait_until(lambda: self.spool_bytes() >= grown[-1], 5, "segments")
        away_s = time.monotonic() - began
        self.assertLess(grown[-1], CAP_MB << 20)
        first, second, whole = grown[5] - grown[0], grown[11] - grown[6], grown[11]
        self.assertTrue(0.5 < second / first < 2, f"not a straight line: {grown}")
        self.assertNotIn("spool.full", rig.log_text())
        rig.database("start")
        states = self.states_come_first()
        began = time.monotonic()
        rig.wait_until_read(120)
        drained_s = time.monotonic() - began
        readings = rig.check()
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])
        real = HOURS * 3600
        print(f"{HOURS} h of the fleet in {away_s:.0f} s: {whole} bytes spooled (rises {first}, then {second}); {states} state changes first;"
              f" drained in {drained_s:.1f} s, {real / drained_s:.0f} times faster than real time,"
              f" {away_s / drained_s:.1f} times faster than they came; {readings} readings equal to the ledger", file=sys.stderr)
        self.assertGreater(real / drained_s, 5)


if __name__ == "__main__":
    unittest.main(verbosity=2)
