"""The database goes away under load and comes back: nothing is lost, nothing is doubled, nothing is a gap."""
import signal
import sys
import time
import unittest

from common import Rig

STOP_S = 10  # it leaves what hangs after 5 s; the rest is a busy machine's


class Outage(unittest.TestCase):
    def setUp(self):
        self.rig = Rig()
        self.addCleanup(self.rig.close)

    def test_reading_goes_on_while_the_database_is_away(self):
        rig = self.rig
        rig.begin()
        rig.database("stop")
        rig.advance_slowly(40)
        self.assertTrue(rig.segments(), rig.log_text())
        rig.database("start")
        began = time.monotonic()
        rig.advance_slowly(4)
        rig.wait_until_read()
        print(f"drained after {time.monotonic() - began:.1f} s", file=sys.stderr)
        rig.advance_slowly(4)
        rig.wait_until_read()
        readings = rig.check()
        self.assertGreater(readings, 1000)
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])
        for event in ("database.away", "spool.fills", "database.back", "spool.empty"):
            self.assertEqual(rig.log_text().count(event), 1, event + "\n" + rig.log_text()[-2000:])

    def test_stopped_while_the_database_is_away_it_goes_on_from_the_spool(self):
        rig = self.rig
        rig.begin()
        rig.database("stop")
        rig.advance_slowly(10)
        self.assertLess(rig.stop(), STOP_S)
        self.assertTrue(rig.segments(), rig.log_text())
        rig.advance_slowly(2)
        rig.database("start")
        rig.start()
        rig.wait_until_read()
        rig.check()
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])

    def test_stopped_while_the_database_hangs_it_spools_what_it_has(self):
        rig = self.rig
        rig.begin()
        with rig.held("vaneward.journal"):  # so that it has something in hand when the server freezes
            rig.advance_slowly(6)
            rig.wait_until_held()
            rig.freeze(signal.SIGSTOP)
            self.assertLess(rig.stop(), STOP_S)
            self.assertTrue(rig.segments(), rig.log_text())
            rig.freeze(signal.SIGCONT)
        rig.start()
        rig.wait_until_read()
        rig.check()
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])


if __name__ == "__main__":
    unittest.main(verbosity=2)
