"""Sealing beside collection: it keeps no source waiting, and what ends it or the run loses nothing.

Usage: test_sealer.py BIN_FOLDER [unittest options]
"""
import os
import pathlib
import signal
import subprocess
import unittest

from fault_test import FaultTest, wait_until
from places import BIN  # takes the folder off the arguments
from postgres import PSQL

assert BIN


class Sealer(FaultTest):
    def setUp(self):
        super().setUp()
        self.advance(30)
        self.collector("run", "--catch-up", "--no-seal")
        self.lock = self.start([PSQL, "-qAtX"], env=self.env, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.lock.stdin.write("BEGIN; LOCK vaneward.reading_hour, vaneward.reading_day IN SHARE MODE; SELECT 'locked';\n")
        self.lock.stdin.flush()
        self.assertEqual(self.lock.stdout.readline(), "locked\n")

    def release(self):
        self.lock.kill()
        self.lock.wait()

    @staticmethod
    def is_alive(pid):
        try:
            return pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1][0] not in "ZX"
        except (FileNotFoundError, ProcessLookupError):
            return False

    def sealer_of(self, run, but=None):
        """The process id of the one at work, once it stands before the lock."""
        def found():
            children = pathlib.Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text().split()
            alive = [int(pid) for pid in children if self.is_alive(pid) and int(pid) != but]
            waits = self.sql("SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND"
                             " application_name = 'vaneward-collector'")
            return alive[0] if alive and waits else None
        pid = wait_until(found, 90)
        self.assertTrue(pid, f"no sealer:\n{self.log()[-3000:]}")
        return pid

    def end_its_session(self):
        """The server would not notice before it has the lock; until then nobody else may seal."""
        self.sql("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE wait_event_type = 'Lock'"
                 " AND application_name = 'vaneward-collector'")

    def waits_for_sealing(self):
        return int(self.sql("SELECT coalesce(sum(readings), 0) FROM vaneward.journal_waiting WHERE newest_at < now() - interval '1 day'")[0][0])

    def test_sources_are_read_meanwhile_and_a_killed_one_is_started_again(self):
        run = self.start_collector()
        first = self.sealer_of(run)
        before = self.stored()
        self.advance(5)
        self.wait_until_read()
        self.assertGreater(self.stored(), before)
        self.assertTrue(self.is_alive(first), self.log())
        os.kill(first, signal.SIGKILL)
        self.end_its_session()
        self.wait_log("seal.failed")
        self.sealer_of(run, but=first)
        self.release()
        self.wait_log("seal.done")
        self.stop(run)
        self.finish_and_compare()
        self.assertEqual(self.waits_for_sealing(), 0)

    def test_it_ends_with_its_run(self):
        for how, status in ((signal.SIGTERM, 0), (signal.SIGKILL, -signal.SIGKILL)):
            run = self.start_collector()
            sealer = self.sealer_of(run)
            run.send_signal(how)
            self.assertEqual(run.wait(20), status, self.log())
            self.assertTrue(wait_until(lambda: not self.is_alive(sealer)), f"after signal {how}")
            self.end_its_session()
        self.release()
        run = self.start_collector()
        self.wait_log("seal.done")
        self.stop(run)
        self.finish_and_compare()


if __name__ == "__main__":
    unittest.main()
