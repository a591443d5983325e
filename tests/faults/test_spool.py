"""The spool itself at fault: no room, no inodes, a disk that does not sync, damaged, cut and swapped segments."""
import os
import re
import shutil
import sys
import unittest

from common import Rig, seed
from disks import small_disk


class SpoolFault(unittest.TestCase):
    def rig_with(self, **how):
        self.rig = Rig(**how)
        self.addCleanup(self.rig.close)
        self.rig.begin()
        return self.rig

    def spooled(self, steps=16):
        """An outage that ends with a kill: what was read lies in the spool, in segments that no program has open."""
        rig = self.rig_with()
        rig.database("stop")
        rig.advance_slowly(steps, 0.15)
        size = lambda kind: sum(path.stat().st_size for path in rig.spool.glob(f"{kind}-*.seg"))
        rig.wait_until(lambda: size("steps") > 1000 and size("readings") > 1000, 30, "filled spool")
        rig.kill()
        return rig

    def recover(self):
        rig = self.rig
        rig.database("start")
        rig.start()
        rig.wait_until_read()
        return rig.check()

    # damage

    def test_damaged_bytes_cost_their_records_only(self):
        dice = seed()
        rig = self.spooled()
        for path in rig.segments():
            data = bytearray(path.read_bytes())
            for _ in range(3):
                data[dice.randrange(len(data))] ^= dice.randrange(1, 256)
            path.write_bytes(data)
        self.recover()
        self.assertTrue(rig.gaps("spool"))
        self.assertIn("spool.damaged", rig.log_text())
        print(f"{len(rig.gaps('spool'))} gaps, all else equal to the ledger", file=sys.stderr)

    def test_cut_segments_cost_their_ends_only(self):
        dice = seed()
        rig = self.spooled()
        for path in rig.segments():
            os.truncate(path, dice.randrange(path.stat().st_size // 2, path.stat().st_size))
        self.recover()

    def test_a_lost_file_of_steps_is_read_again_from_the_sources(self):
        rig = self.spooled()
        for path in rig.spool.glob("steps-*.seg"):
            path.unlink()
        self.recover()
        self.assertEqual(rig.gaps("spool"), [])

    def test_a_lost_file_of_readings_is_a_gap_and_state_changes_are_there(self):
        rig = self.spooled()
        for path in rig.spool.glob("readings-*.seg"):
            path.unlink()
        self.recover()
        rig.check_states("conditions", "condition", lambda row: False)
        self.assertTrue(rig.gaps("spool"))

    def test_swapped_segments_change_nothing(self):
        rig = self.spooled()
        steps, readings = (next(rig.spool.glob(f"{kind}-*.seg")) for kind in ("steps", "readings"))
        number = lambda path: int(re.search(r"\d+", path.name)[0])
        swapped = [(steps, f"steps-{number(readings):010d}.seg"), (readings, f"readings-{number(steps):010d}.seg")]
        for path, name in swapped:
            path.rename(rig.spool / name)
        self.recover()
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])

    # a disk that fails

    @unittest.skipUnless(shutil.which("strace"), "strace is not installed (deploy/packages.sh test)")
    def test_what_was_not_synced_is_not_acknowledged(self):
        rig = self.rig_with()
        rig.kill()
        for error, when in (("EIO", "1+2"), ("EIO", "2+3"), ("ENOSPC", "1+3")):
            rig.start("strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fdatasync", "-e",
                      f"inject=fdatasync:error={error}:when={when}")
            rig.wait_until(rig.is_read, 90, "end of reading")
            rig.database("stop")
            rig.advance_slowly(5, 0.3)
            rig.wait_until(rig.segments, 30, "segments")
            rig.kill()
            rig.database("start")
        rig.start()
        rig.wait_until_read()
        rig.check()
        self.assertEqual(rig.gaps("overrun"), [])

    @unittest.skipUnless(shutil.which("strace"), "strace is not installed (deploy/packages.sh test)")
    def test_while_nothing_can_be_written_what_was_read_waits(self):
        rig = self.rig_with()
        rig.kill()
        rig.start("strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fdatasync", "-e", "inject=fdatasync:error=EIO")
        rig.wait_until(rig.is_read, 90, "end of reading")
        rig.database("stop")
        rig.advance_slowly(4, 0.3)
        rig.wait_for_log("spool.refuses")
        self.assertEqual(rig.log_text().count("spool.refuses"), 1)
        rig.database("start")
        rig.wait_until_read()
        rig.check()
        self.assertEqual(rig.gaps("spool") + rig.gaps("overrun"), [])

    # no room

    def on_a_small_disk(self, options):
        return self.rig_with(spool=small_disk(self, options), spool_mb=1, hours=160, days=10)

    def fill(self, rig, sign):
        """Readings come until the log says that it is enough, and some more."""
        rig.database("stop")
        for _ in range(150):
            rig.advance_slowly(1, 0.12)
            if sign(rig.log_text()):
                break
        rig.advance_slowly(8, 0.12)
        self.assertEqual(rig.collector.poll(), None, rig.log_text())
        rig.database("start")
        rig.wait_until_read()
        readings = rig.check()
        self.assertEqual(rig.log_text().count("database.back"), 1)
        return readings

    def test_on_a_full_disk_the_oldest_readings_go_and_state_changes_stay(self):
        rig = self.on_a_small_disk("size=48k")
        readings = self.fill(rig, lambda log: "spool.full" in log)
        rig.check_states("conditions", "condition", lambda row: False)
        self.assertTrue(rig.gaps("spool"), rig.log_text())
        self.assertIn("spool.full", rig.log_text())
        print(f"{readings} readings stored, {len(rig.gaps('spool'))} gaps, every state change", file=sys.stderr)

    def test_without_inodes_it_goes_on(self):
        rig = self.on_a_small_disk("size=1m,nr_inodes=4")
        self.fill(rig, lambda log: "spool.full" in log or "spool.refuses" in log)
        rig.check_states("conditions", "condition", lambda row: False)


if __name__ == "__main__":
    unittest.main(verbosity=2)
