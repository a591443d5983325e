"""What happens to the database while sources are read: nothing is lost, nothing is stored twice.

Usage: test_database.py BIN_FOLDER [unittest options]; VANEWARD_LONG=1 for the long variants, VANEWARD_SEED=N for the
moments of an earlier run.
"""
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import time
import unittest

from common import seed
from certificates import Authority
from fault_test import FaultTest, wait_until
from places import LONG
from postgres import PSQL
from proxy import Proxy
from stalls import Stalls


class Link(FaultTest):
    """Between the collector and the database."""

    def setUp(self):
        super().setUp()
        self.proxy = Proxy(self.socket_path())
        self.addCleanup(self.proxy.close)

    def test_a_lost_reply_to_commit_stores_once(self):
        for lost in range(4):
            self.advance(6)
            before = self.stored()
            self.proxy.lost.clear()
            self.proxy.mode = "cut"
            done = self.collector("run", "--catch-up", "--no-seal", env=self.through(self.proxy.port), status=None)
            self.assertEqual(done.returncode, 69, done.stderr)
            self.assertTrue(self.proxy.lost.is_set())
            self.assertGreater(self.stored(), before, "the database had committed")
        self.finish_and_compare()

    def test_a_running_collector_goes_on_after_a_lost_reply(self):
        program = self.start_collector(env=self.through(self.proxy.port))
        for lost in range(3):
            self.proxy.lost.clear()
            self.proxy.mode = "cut"
            self.advance(6)
            self.assertTrue(self.proxy.lost.wait(20))
        self.wait_log("database.back")
        self.stop(program)
        self.finish_and_compare()

    def test_sigterm_during_a_held_commit(self):
        for answered in (True, False):
            self.proxy.held.clear()
            self.proxy.mode = "hold"
            self.advance(12)
            program = self.start_collector(env=self.through(self.proxy.port))
            self.assertTrue(self.proxy.held.wait(20))
            stalls, began = Stalls(), time.monotonic()
            program.send_signal(signal.SIGTERM)
            if answered:
                time.sleep(1)
                self.proxy.release()
            self.assertEqual(program.wait(15), 0, self.log())
            took = time.monotonic() - began
            self.assertLess(took, 5 + stalls.end())
            self.proxy.close()
            self.proxy = Proxy(self.socket_path())
        self.finish_and_compare()

    def test_only_the_certificate_of_the_host_is_accepted(self):
        ours, others = Authority(self.dir / "ours", "plant"), Authority(self.dir / "others", "stranger")
        wrong = (("server certificate.*does not match", ours.server("elsewhere", "DNS:elsewhere.invalid")),
                 ("certificate verify failed", ours.server("expired", begin="20200101000000Z", end="20210101000000Z")),
                 ("certificate verify failed", others.server("unknown")))
        self.advance(6)
        before = self.stored()
        encrypted = lambda proxy: dict(self.through(proxy.port), PGSSLMODE="verify-full", PGSSLROOTCERT=str(ours.file))
        for words, certificate in wrong:
            proxy = Proxy(self.socket_path(), certificate)
            self.addCleanup(proxy.close)
            self.assertRegex(self.collector("run", "--once", env=encrypted(proxy), status=69).stderr, words)
        self.assertEqual(self.stored(), before)
        right = Proxy(self.socket_path(), ours.server("right"))
        self.addCleanup(right.close)
        self.collector("run", "--once", env=encrypted(right))
        self.assertGreater(self.stored(), before)
        self.finish_and_compare()

    def test_a_database_that_falls_silent_while_connecting(self):
        self.proxy.mode = "silent"
        began = time.monotonic()
        done = self.collector("health", env=self.through(self.proxy.port), status=69)
        self.assertLess(time.monotonic() - began, 10)
        self.assertIn("in time", done.stderr)
        self.finish_and_compare()


class Server(FaultTest):
    """The server itself."""

    def test_restarts_in_the_middle_of_a_transaction(self):
        """fast: the session is told; immediate: the link breaks; kill: as a crash of the machine's memory."""
        program = self.start_collector("--no-seal")
        for times, way in enumerate(("fast", "immediate", "kill"), 1):
            with self.collector_inside_its_transaction():
                self.restart(way)
            self.wait_log("database.back", times)
        self.stop(program)
        self.finish_and_compare()

    def restart(self, way):
        if way == "kill":
            children = subprocess.run(["pgrep", "-P", str(self.pg.main_process())], capture_output=True, text=True).stdout.split()
            os.kill(self.pg.main_process(), signal.SIGKILL)
            for child in children:  # they end by themselves when they notice; a new server waits for that
                wait_until(lambda: not pathlib.Path(f"/proc/{child}").exists(), 10)
            (self.pg.data() / "postmaster.pid").unlink(missing_ok=True)
        else:
            os.kill(self.pg.main_process(), signal.SIGINT if way == "fast" else signal.SIGQUIT)
            wait_until(lambda: not (self.pg.data() / "postmaster.pid").exists(), 30)
        self.pg.start()

    def test_too_few_descriptors_slow_it_down_and_no_more(self):
        self.advance(24)
        done = self.collector("run", "--catch-up", "--in-flight", "4096", prefix=("prlimit", "--nofile=16"), status=None)
        self.assertGreaterEqual(done.returncode, 0, "ended by a signal")
        self.finish_and_compare()


class Rights(FaultTest):
    """Role, tables and schema: 78 with the cure at the start; waiting while running."""

    def setUp(self):
        super().setUp()
        self.sql("CREATE ROLE gatherer LOGIN; GRANT USAGE ON SCHEMA vaneward TO gatherer;"
                 "GRANT ALL ON ALL TABLES IN SCHEMA vaneward TO gatherer; GRANT ALL ON ALL SEQUENCES IN SCHEMA vaneward TO gatherer")
        self.role = dict(self.env, PGUSER="gatherer")

    FAULTS = (
        ("rights taken away", "REVOKE INSERT ON vaneward.journal, vaneward.condition FROM gatherer",
         "GRANT INSERT ON vaneward.journal, vaneward.condition TO gatherer"),
        ("login taken away", "ALTER ROLE gatherer NOLOGIN; SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'gatherer'",
         "ALTER ROLE gatherer LOGIN"),
        ("no connection left", "ALTER ROLE gatherer CONNECTION LIMIT 0; SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
         " WHERE usename = 'gatherer'", "ALTER ROLE gatherer CONNECTION LIMIT -1"),
        ("a table is missing", "ALTER TABLE vaneward.source_cursor RENAME TO hidden", "ALTER TABLE vaneward.hidden RENAME TO source_cursor"),
        ("an older schema", "CREATE TABLE public.steps AS SELECT * FROM vaneward.schema_version; DELETE FROM vaneward.schema_version"
         " WHERE number = (SELECT max(number) FROM vaneward.schema_version); SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
         " WHERE usename = 'gatherer'", "INSERT INTO vaneward.schema_version SELECT * FROM public.steps ON CONFLICT DO NOTHING;"
         " DROP TABLE public.steps"),
    )

    def test_while_running_the_database_counts_as_away(self):
        for name, break_it, mend in self.FAULTS:
            with self.subTest(name):
                program = self.start_collector("--no-seal", env=self.role)  # anew: who has often tried in vain tries less often
                self.advance(3)
                self.wait_until_read()
                self.sql(break_it)
                self.advance(3)
                self.wait_log("database.away")
                self.assertIsNone(program.poll(), self.log())
                self.sql(mend)
                self.wait_log("database.back")
                self.stop(program)
        self.finish_and_compare()

    def test_at_the_start_it_is_78_and_the_cure(self):
        for name, break_it, mend in self.FAULTS:
            with self.subTest(name):
                self.sql(break_it)
                self.advance(6)
                # A limit of connections passes by itself: that is 69, and the hint names it.
                status = 69 if name == "no connection left" else 78
                done = self.collector("run", "--once", env=self.role, status=status)
                self.assertRegex(done.stderr, "(?i)hint: .*(prepare|granted|check user|limit)", name)
                self.sql(mend)
        self.finish_and_compare()


class Room(FaultTest):
    """Disks of the database that are full."""

    def setUp(self):
        if os.geteuid() != 0 or not shutil.which("mount"):
            self.skipTest("a small disk needs root and mount")
        self.disk = pathlib.Path(f"/tmp/vaneward-disk-{os.getpid()}")
        self.disk.mkdir(exist_ok=True)
        self.mounts = []
        self.addCleanup(self.unmount)
        super().setUp()

    def small_disk(self, folder, size):
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size},mode=755", "tmpfs", folder], capture_output=True, text=True)
        if done.returncode:
            self.skipTest(f"a small disk cannot be mounted: {done.stderr.strip()}")
        self.mounts.append(folder)

    def unmount(self):
        for folder in reversed(self.mounts):
            subprocess.run(["umount", "-l", folder], check=False)
        shutil.rmtree(self.disk, ignore_errors=True)

    def fill(self, folder):
        """Takes all that is left."""
        with open(pathlib.Path(folder) / "ballast", "wb", buffering=0) as file:
            try:
                while file.write(b"\0" * 65536):
                    pass
            except OSError:
                pass


class DataRoom(Room):
    def start_database(self):
        self.small_disk(str(self.disk), "300m")
        self.pg_folder = self.disk / "postgres"
        super().start_database()

    def test_a_full_disk_is_waited_for(self):
        self.fill(self.disk)
        program = self.start_collector("--no-seal")
        self.advance()
        # New pages are needed: a table grows until there is no room.
        self.assertTrue(wait_until(lambda: "database.away" in self.log() or self.stored() > 0, 20))
        time.sleep(3)
        self.assertIsNone(program.poll(), self.log())
        (self.disk / "ballast").unlink()
        wait_until(lambda: "database.away" not in self.log() or "database.back" in self.log(), 30)
        self.stop(program)
        self.finish_and_compare()
        print("full data disk:", "paused and resumed" if "database.back" in self.log() else "there was room in the pages", file=sys.stderr)


class LogRoom(Room):
    pg_options = "-c min_wal_size=32MB -c max_wal_size=32MB"

    def start_database(self):
        super().start_database()
        self.pg.stop()
        log = self.pg.data() / "pg_wal"
        self.small_disk(str(self.disk), "120m")
        owner = log.stat()
        shutil.move(log, self.disk / "pg_wal")
        log.symlink_to(self.disk / "pg_wal")
        subprocess.run(["chown", "-R", f"{owner.st_uid}:{owner.st_gid}", self.disk], check=True)
        self.pg.start()

    def test_a_log_without_room_stops_the_server_and_loses_nothing(self):
        program = self.start_collector("--no-seal")
        self.advance(30)
        self.fill(self.disk)
        grow = [PSQL, "-qAtX", "-c", "CREATE TABLE public.filler AS SELECT repeat('x', 900) FROM generate_series(1, 200000)"]
        self.assertNotEqual(subprocess.run(grow, env=self.env, capture_output=True).returncode, 0)
        self.wait_log("database.away")
        self.advance(30)
        time.sleep(1)
        self.assertIsNone(program.poll(), self.log())
        (self.disk / "ballast").unlink()
        self.pg.start()
        self.wait_log("database.back")
        self.stop(program)
        self.finish_and_compare()


class Failover(FaultTest):
    """A standby takes over; then the old primary comes back."""

    def start_standby(self):
        bins = sorted(pathlib.Path("/usr/lib/postgresql").glob("*/bin"))[-1]
        owner = self.pg.data().stat()
        self.sockets = self.dir / "standby"
        self.sockets.mkdir()
        os.chown(self.sockets, owner.st_uid, owner.st_gid)
        self.as_owner = lambda *args: subprocess.run(["setpriv", f"--reuid={owner.st_uid}", f"--regid={owner.st_gid}", "--clear-groups",
                                                      *map(str, args)] if os.geteuid() == 0 else list(map(str, args)),
                                                     check=True, capture_output=True, cwd="/")
        data = self.sockets / "data"
        self.as_owner(bins / "pg_basebackup", "-h", self.env["PGHOST"], "-U", "vaneward", "-D", data, "-c", "fast", "-R", "-X", "stream", "-N")
        self.pg_ctl = lambda *args: self.as_owner(bins / "pg_ctl", "-D", data, "-w", *args)
        self.pg_ctl("-l", self.sockets / "log", "-o", f"-c listen_addresses='' -c unix_socket_directories={self.sockets}", "start")
        self.addCleanup(lambda: self.pg_ctl("-m", "immediate", "stop"))

    def test_an_old_primary_is_refused(self):
        self.start_standby()
        state = self.dir / "state"
        state.mkdir()
        hosts = f"host={self.env['PGHOST']},{self.sockets} user=vaneward dbname=vaneward"
        program = self.start_collector("--no-seal", "--state", str(state), "--db", hosts, "--metrics", str(state / "metrics"))
        self.advance(20)
        before = self.stored()
        wait_until(lambda: self.stored() > before)
        self.wait_for_standby()
        self.pg.stop()
        self.pg_ctl("promote")
        self.advance(20)
        self.wait_log("database.new_primary")
        self.pg.start()  # and is the first of the hosts
        old = self.stored()
        self.pg_ctl("-m", "fast", "-l", self.sockets / "log", "restart")  # breaks the session
        self.advance(20)
        self.wait_log("database.back", 2)
        self.assertIn("database.old_primary", self.log())
        self.assertEqual((state / "database-primary").read_text().split()[1], "2")
        self.check_health(state, hosts)
        self.stop(program)
        self.assertEqual(self.stored(), old, "the old primary got nothing")
        alone = self.start_collector("--no-seal", "--state", str(state))  # knows none but the old one
        self.wait_log("database.old_primary")
        self.stop(alone)
        self.env["PGHOST"] = str(self.sockets)
        self.finish_and_compare()

    def check_health(self, state, hosts):
        """It tells of the refusal, and reads nothing from the old primary itself."""
        health = lambda *args, **how: self.collector("health", "--state", str(state), *args, **how).stdout
        wrong_of = lambda out, words: out["primary_refused_at"] and [row for row in out["wrong"] if words in row["what"]]
        refused = lambda: wrong_of(json.loads(health("--json", "--db", hosts, status=3)), "a server was refused")
        self.assertTrue(wait_until(refused), health("--db", hosts, status=3))
        self.assertEqual((refused()[0]["about"], refused()[0]["severity"]), ("database", "wrong"))
        self.assertRegex(refused()[0]["what"], r"refused \d+ s ago: the server is an old primary: timeline 1, known is 2")
        self.assertIn("take that server away", health("--db", hosts, status=3))
        self.assertRegex((state / "metrics").read_text(), r"(?m)^vaneward_primaries_refused_total [1-9]")
        alone = json.loads(health("--json", status=69))
        self.assertFalse(alone["database_up"])
        self.assertTrue(wrong_of(alone, "the server is an old primary"))

    def test_restarts_in_the_middle_of_a_failover(self):
        """The new primary is stopped at once while it is promoted and while the collector stores in it, and meanwhile the old one
        comes back. What only the old one had is read again: its cursors went with it."""
        dice = seed()
        self.start_standby()
        old, state = self.env["PGHOST"], self.dir / "state"
        state.mkdir()
        program = self.start_collector("--no-seal", "--state", str(state), "--spool", str(self.dir / "spool"), "--db",
                                       f"host={old},{self.sockets} user=vaneward dbname=vaneward")
        self.advance(10)
        self.wait_until_read()
        with self.collector_inside_its_transaction():
            self.pg.stop()
        self.env["PGHOST"] = str(self.sockets)
        is_standby = lambda: self.sql("SELECT pg_is_in_recovery()") == [["t"]]
        for _ in range(20 if LONG else 3):
            if is_standby():
                self.pg_ctl("-W", "promote")
            time.sleep(dice.uniform(0, 0.1))
            self.restart_standby()
            self.advance(4)
        if is_standby():
            self.pg_ctl("promote")
        self.wait_log("database.new_primary")
        backs = self.log().count("database.back")
        with self.collector_inside_its_transaction():
            self.pg.start()
            self.restart_standby()
        self.wait_log("database.back", backs + 1)
        self.advance(10)
        self.wait_until_read()
        self.stop(program)
        self.assertIn("database.old_primary", self.log())
        self.finish_and_compare()

    def restart_standby(self):
        self.pg_ctl("-m", "immediate", "-l", self.sockets / "log", "restart")

    def test_another_database_is_refused(self):
        state = self.dir / "state"
        state.mkdir()
        kept = state / "database-primary"
        kept.write_text("1234567 1\n")
        self.advance(20)
        before = self.stored()
        done = self.collector("run", "--once", "--state", str(state), status=69)
        self.assertIn("another database system", done.stderr)
        self.assertIn(str(kept), done.stderr, "the hint names the file to remove")
        self.assertEqual(self.stored(), before)
        kept.write_text("nonsense\n")
        self.assertIn("does not hold", self.collector("run", "--once", "--state", str(state), status=78).stderr)
        kept.unlink()
        self.collector("run", "--once", "--state", str(state))
        self.assertRegex(kept.read_text(), r"^\d+ 1\n$")
        self.finish_and_compare()

    def wait_for_standby(self):
        """What the primary has committed has reached the standby."""
        self.assertTrue(wait_until(lambda: self.sql("SELECT 1 FROM pg_stat_replication WHERE replay_lsn = pg_current_wal_lsn()")))


class Kill(FaultTest):
    """The collector itself, ended at any moment."""

    def test_killed_at_random_moments(self):
        rounds = 200 if LONG else 30
        dice = seed()
        for _ in range(rounds):
            self.advance(110 / rounds)
            program = self.start_collector("--catch-up")
            time.sleep(dice.uniform(0.0, 0.25))
            program.kill()
            program.wait()
        self.finish_and_compare()

    def test_killed_at_system_calls(self):
        if not shutil.which("strace"):
            self.skipTest("strace is not installed")
        dice = seed()
        trace = self.dir / "trace"
        self.advance(2)
        done = self.collector("run", "--catch-up", prefix=("strace", "-f", "-qq", "-o", str(trace), "-e", "trace=sendto,recvfrom,write"), status=None)
        if done.returncode:
            self.skipTest(f"strace cannot be used here: {done.stderr[-200:]}")
        for call in ("sendto", "recvfrom", "write"):
            most = trace.read_text().count(f" {call}(")
            every = range(1, most + 1)
            for when in every if LONG else sorted(dice.sample(every, min(6, most))):
                self.advance(110 / (3 * (most if LONG else 6)))
                self.collector("run", "--catch-up", prefix=("strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e",
                               f"inject={call}:signal=KILL:when={when}"), status=None)
        self.finish_and_compare()


class Two(FaultTest):
    """Two collectors on the same sources."""

    def test_both_to_the_end(self):
        for _ in range(6):
            self.advance(20)
            both = [self.start_collector("--catch-up") for _ in range(2)]
            for program in both:
                self.assertIn(program.wait(60), (0, 3), self.log())
        self.finish_and_compare()

    def taken_over_from(self, env, lose, find):
        """One is lost inside its transaction, where it has moved cursors: the other one goes on, and what the first still says is
        too late."""
        soon = {"PGOPTIONS": "-c idle_in_transaction_session_timeout=3s"}
        first = self.start_collector("--no-seal", env=dict(env, **soon))
        with self.collector_inside_its_transaction():
            lose(first)
        other = self.start_collector("--no-seal", env=dict(self.env, **soon))
        self.wait_until_read()
        find(first)
        self.advance(16)
        self.wait_until_read()
        self.stop(other)
        self.stop(first)
        self.finish_and_compare()

    def test_a_frozen_one_is_taken_over_from(self):
        self.taken_over_from(self.env, lambda first: first.send_signal(signal.SIGSTOP), lambda first: first.send_signal(signal.SIGCONT))

    def test_one_without_its_link_is_taken_over_from(self):
        proxy = Proxy(self.socket_path())
        self.addCleanup(proxy.close)
        mode = lambda word: lambda first: setattr(proxy, "mode", word)
        self.taken_over_from(self.through(proxy.port), mode("silent"), mode("pass"))

    def test_both_for_ever(self):
        both = [self.start_collector() for _ in range(2)]
        for _ in range(8 if LONG else 4):
            self.advance(14)
            self.wait_until_read()
        for program in both:
            self.stop(program)
        self.finish_and_compare()


if __name__ == "__main__":
    unittest.main(verbosity=2)
