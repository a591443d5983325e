"""The disk of the spool is low, full or read-only, also while the spool is drained; it is left by a loss of power."""
import csv
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import time
import unittest

import postgres
from common import Rig, seed
from disks import fill, mounted, remount, small_disk
from feed_rig import Feed, ServiceTest, wait_for
from places import BIN, LONG


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


class PowerLoss(ServiceTest):
    """The disk as it is at a random moment, copied and mounted anew: what was acknowledged before is there."""
    sources, copies = 12, 40 if LONG else 4

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.feed = Feed()
        cls.addClassCleanup(cls.feed.close)
        drives = [f"d{k}" for k in range(cls.sources)]
        cls.register_small_fleet(cls.feed.url, drives)
        cls.register(
            sources=[["source", "site", "url", "format", "period_s"]]
            + [[f"s{k}", "s1", f"{cls.feed.url}/{k}", "feed", "1"] for k in range(cls.sources)],
            bindings=[["source", "device", "item", "role", "drive", "position"]]
            + [[f"s{k}", "m1", "speed", "fan_speed", f"d{k}", "internal-1"] for k in range(cls.sources)])
        cls.sql("DELETE FROM vaneward.binding WHERE source = 'a'; DELETE FROM vaneward.source WHERE source = 'a'")

    def acknowledged(self):
        """Who asks for what follows has what is before on its disk: by source, the sequence that was asked for last."""
        asked = {}
        for _, path in list(self.feed.requests):
            if found := re.match(r"/(\d+)/sample\?from=(\d+)", path):
                asked[f"s{found[1]}"] = int(found[2])
        return asked

    def recover(self, spool, number):
        """The readings of each source that are stored from this spool, while no source answers."""
        folder = self.dir / f"postgres-{number}"
        folder.mkdir()
        subprocess.run(["cp", "-a", self.server.data(), folder / "data"], check=True)
        (folder / "where").write_text(f"{folder}\n")
        env = postgres.environment(postgres.do("start", folder))
        try:
            child = self.start_collector("--no-seal", "--spool", spool, **env)
            wait_for(lambda: not list(spool.glob("*.seg")), what="an empty spool")
            self.end(child, signal.SIGTERM)
            out = subprocess.run([BIN / "vaneward-reporter", "readings"], env=env, check=True, capture_output=True, text=True).stdout
        finally:
            postgres.do("remove", folder)
        stored = {f"s{k}": [] for k in range(self.sources)}
        for row in csv.DictReader(out.splitlines()):
            stored[row["drive"].replace("d", "s")].append(int(float(row["rpm"])))
        return stored

    def copy(self, image, number):
        """Nobody else writes while the copy is made, so that it is of one moment; what lies in memory is not written first."""
        copy = self.dir / f"copy-{number}"
        self.child.send_signal(signal.SIGSTOP)
        acknowledged = self.acknowledged()
        subprocess.run(["cp", "--sparse=always", image, copy], check=True)
        self.child.send_signal(signal.SIGCONT)
        return copy, acknowledged

    def test_what_was_acknowledged_is_there_after_any_moment(self):
        dice = seed()
        disk = pathlib.Path(small_disk(self, size_mb=24))
        self.feed.report("speed", value=1)
        self.start_collector("--no-seal", "--spool", disk / "spool", "--spool-reserve-mb", "0")
        wait_for(lambda: len(self.acknowledged()) == self.sources, what="a first answer of each")
        self.server.stop()
        self.feed.report("speed", value=2)
        wait_for(lambda: list((disk / "spool").glob("readings-*.seg")), what="a spooled batch")
        copies = []
        for number in range(self.copies):
            until = time.monotonic() + dice.uniform(0.8, 1.8)
            while time.monotonic() < until:
                self.feed.report("speed", value=len(self.feed.observations) + 1)  # its sequence
                time.sleep(0.02)
            copies.append(self.copy(disk.parent / "image", number))
        self.end(self.child)
        self.feed.answer = lambda path: {}
        for number, (copy, acknowledged) in enumerate(copies):
            self.check(mounted(self, copy) / "spool", number, acknowledged)

    def check(self, spool, number, acknowledged):
        stored = self.recover(spool, number)
        for source, after in acknowledged.items():
            self.assertEqual(stored[source][:after - 1], list(range(1, after)), f"{source} in copy {number}")
            self.assertEqual(len(stored[source]), len(set(stored[source])), source)
        print(f"copy {number}: {sum(acknowledged.values()) - len(acknowledged)} acknowledged,"
              f" {sum(map(len, stored.values()))} stored", file=sys.stderr)


if __name__ == "__main__":
    unittest.main(verbosity=2)
