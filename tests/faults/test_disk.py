"""The disk of the spool is low, full or read-only, also while the spool is drained."""
import json
import os
import subprocess
import sys
import unittest

from common import Rig
from disks import fill, remount, small_disk
from places import BIN


class Disk(unittest.TestCase):
    def rig_on(self, disk, **how):
        self.rig = Rig(spool=os.path.join(disk, "spool"), hours=100, days=9, **how)
        self.addCleanup(self.rig.close)
        self.rig.begin()
        return self.rig

    def errors(self, event):
        return [line for line in self.rig.log_text(whole=True).splitlines() if event in line and "error" in line.split(event)[0]]

    def health(self):
        done = subprocess.run([BIN / "vaneward-collector", "health", "--json", "--spool", self.rig.spool], env=self.rig.env,
                              capture_output=True, text=True)
        found = json.loads(done.stdout)
        return found, " | ".join(c["what"] for c in found["wrong"] if c["about"] == "spool")

    def none_is_lost(self):
        self.rig.wait_until_read()
        readings = self.rig.check()
        self.assertEqual(self.rig.gaps("spool") + self.rig.gaps("overrun"), [])
        return readings

    # read-only

    def test_what_was_read_waits_until_the_disk_can_be_written_again(self):
        disk = small_disk(self, size_mb=32)
        rig = self.rig_on(disk)
        remount(disk, "ro")
        rig.wait_for_log("spool.read_only")
        rig.database("stop")
        rig.advance_slowly(4, 0.1)
        rig.wait_for_log("spool.refuses")
        self.assertTrue(self.errors("spool.refuses") and self.errors("spool.read_only"), rig.log_text())
        self.assertIn("read-only", self.health()[1])
        self.assertEqual(rig.segments(), [])
        remount(disk, "rw")
        rig.wait_for_log("spool.takes")
        rig.wait_for_log("spool.writable")
        rig.advance_slowly(4, 0.1)
        rig.kill()  # what was acknowledged has to be on the disk
        rig.database("start")
        rig.start()
        self.none_is_lost()

    def test_a_spool_that_cannot_be_written_is_drained_all_the_same(self):
        disk = small_disk(self, size_mb=32)
        rig = self.rig_on(disk)
        rig.database("stop")
        rig.advance_slowly(8, 0.1)
        rig.wait_until(rig.segments, 30, "segments")
        rig.kill()
        remount(disk, "ro")
        rig.database("start")
        rig.start()
        rig.wait_until(rig.is_read, 60, "end of reading")
        rig.check()
        rig.kill()
        remount(disk, "rw")
        rig.start()
        self.none_is_lost()

    # full

    def test_a_disk_that_fills_up_while_the_spool_is_drained(self):
        disk = small_disk(self, "size=2m")
        rig = self.rig_on(disk)
        rig.database("stop")
        rig.advance_slowly(10, 0.1)
        rig.wait_until(rig.segments, 30, "segments")
        filler = fill(disk)
        rig.database("start")
        rig.advance_slowly(6, 0.1)
        rig.kill()  # and in the middle of it
        rig.start()
        rig.advance_slowly(6, 0.1)
        rig.wait_until_read()
        os.unlink(filler)
        rig.advance_slowly(2, 0.1)
        rig.wait_until_read()
        readings = rig.check()
        rig.check_states("conditions", "condition", lambda row: False)
        print(f"{readings} readings stored, {len(rig.gaps('spool'))} gaps, every state change", file=sys.stderr)

    def test_a_low_disk_is_told_and_a_full_one_takes_the_reserve_first(self):
        disk = small_disk(self, size_mb=32)
        rig = self.rig_on(disk)
        reserve = rig.spool / "reserve"
        self.assertGreater(reserve.stat().st_size, 1 << 20)  # a sixteenth of a small disk
        found, said = self.health()
        self.assertEqual((found["spool_reserve_bytes"], said), (reserve.stat().st_size, ""))
        filler = fill(disk, 0.15)
        rig.wait_for_log("spool.disk_low")
        self.assertIn("of its disk is free", self.health()[1])
        fill(disk, 0.05)
        rig.wait_for_log("spool.disk_short")
        found, said = self.health()
        self.assertIn("plain readings are not kept", said)
        self.assertLess(found["spool_disk_free"], 0.1)
        fill(disk)
        rig.database("stop")
        rig.advance_slowly(6, 0.1)
        rig.wait_for_log("spool.reserve_gone")
        self.assertFalse(reserve.exists())
        os.unlink(filler)
        rig.wait_for_log("spool.disk_well")
        rig.advance_slowly(3, 0.1)
        rig.database("start")
        rig.wait_until_read()
        rig.check()
        rig.check_states("conditions", "condition", lambda row: False)
        self.assertTrue(rig.gaps("spool"))
        rig.wait_until(reserve.exists, 30, "reserve")


if __name__ == "__main__":
    unittest.main(verbosity=2)
