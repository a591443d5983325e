"""Hostile and broken servers: nothing of them is stored, the reason is told, the others are read all the same.

Usage: test_http.py BIN_FOLDER [unittest options]
"""
import json
import os
import pathlib
import re
import resource
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import unittest

import certificates
from evil import BlackHole, Evil, refused_port
from places import BIN, LONG
from postgres import PSQL, Server

CANARY = "canary-7f3d19c4e2"
BODY_LIMIT_KB = 16 * 1024
ONE_BY_ONE = ("--in-flight", "1")  # large answers keep the one thread of a slow machine busy


class Plant(unittest.TestCase):
    """A private database; each test loads a register of its own into a new schema."""

    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="vaneward-http-")
        cls.addClassCleanup(cls.folder.cleanup)
        cls.dir = pathlib.Path(cls.folder.name)
        os.chmod(cls.dir, 0o755)
        cls.server = Server(cls.dir / "postgres")
        cls.addClassCleanup(cls.server.do, "remove")
        cls.env = cls.server.start()
        cls.env.pop("CREDENTIALS_DIRECTORY", None)
        cls.evil = Evil()
        cls.secrets = cls.dir / "credentials"
        cls.secrets.mkdir()

    def program(self, *args, status=0, around=()):
        done = subprocess.run([*around, BIN / "vaneward-collector", *args], env=self.env, capture_output=True, text=True, timeout=120)
        self.assertEqual(done.returncode, status, f"{args}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
        return done.stdout

    def sql(self, text):
        done = subprocess.run([PSQL, "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", text], env=self.env, check=True,
                              capture_output=True, text=True)
        return [line.split("\t") for line in done.stdout.splitlines()]

    def url(self, path, host="127.0.0.1"):
        return f"http://{host}:{self.evil.port}/{path}"

    def register(self, sources, networks=None):
        """sources: {key: {column: value}}; each has one fan, so that whatever it says would be stored."""
        self.sql("DROP SCHEMA IF EXISTS vaneward CASCADE")
        self.program("prepare")
        files = self.dir / "register"
        shutil.rmtree(files, ignore_errors=True)
        files.mkdir()
        sites = dict({"s": ""}, **(networks or {}))
        write = lambda name, lines: (files / f"{name}.csv").write_text("\n".join(lines) + "\n")
        write("sites", ["site,networks"] + [f"{site},{n}" for site, n in sites.items()])
        write("machines", ["machine,site"] + [f"m-{k},{s.get('site', 's')}" for k, s in sources.items()])
        write("drives", ["drive,machine"] + [f"d-{k},m-{k}" for k in sources])
        write("fans", ["drive,position"] + [f"d-{k},internal-1" for k in sources])
        columns = ["url", "credential", "ca_file", "pinned_key"]
        write("sources", ["source,site,format,period_s," + ",".join(columns)] +
              [f"{k},{s.get('site', 's')},feed,1," + ",".join(str(s.get(c, "")) for c in columns) for k, s in sources.items()])
        write("bindings", ["source,device,item,role,drive,position"] + [f"{k},d,i,fan_speed,d-{k},internal-1" for k in sources])
        self.program("register", str(files))

    def once(self, status=3, around=(), args=()):
        """{source: why} of the sources that were not read in one run."""
        out = self.program("run", "--once", "--json", "--no-seal", "--credentials", str(self.secrets), *args, status=status,
                           around=around)
        return {row["source"]: row["why"] for row in json.loads(out)["not_read"]}

    def check(self, expected, good=("good",), around=(), args=()):
        """Exactly these fail, each with its reason, and leave nothing but a counted failure."""
        why = self.once(3 if expected else 0, around, args)
        for source, reason in expected.items():
            self.assertIn(source, why, f"{source} was read")
            self.assertRegex(why[source], reason, source)
        self.assertEqual(set(why), set(expected))
        state = {row[0]: row[1:] for row in self.sql(
            "SELECT source, failures, last_contact_at IS NULL, next_sequence FROM vaneward.source_cursor")}
        for source in expected:
            self.assertEqual(state[source][:2], ["3", "t"], f"{source}: {state[source]}")  # three tries in a run that ends
        for source in good:
            self.assertEqual(state[source][:2], ["0", "f"], source)
        stored = {row[0] for row in self.sql("SELECT source FROM vaneward.gap UNION SELECT source FROM vaneward.set_aside")}
        self.assertFalse(stored & set(expected))

    def start(self, *args, around=()):
        self.log = open(self.dir / "log", "w+")
        self.addCleanup(self.log.close)
        process = subprocess.Popen([*around, BIN / "vaneward-collector", "run", "--no-seal", "--verbose", "--credentials", str(self.secrets), *args],
                                   env=self.env, stdout=self.log, stderr=self.log)
        self.addCleanup(lambda: process.poll() is None and (process.kill(), process.wait()))
        return process

    def stop(self, process):
        """A process that has only just begun would die of SIGTERM as any other."""
        caught = lambda: int(re.search(r"SigCgt:\s+(\w+)", pathlib.Path(f"/proc/{process.pid}/status").read_text())[1], 16)
        self.wait_for(lambda: caught() >> (signal.SIGTERM - 1) & 1, "handler of SIGTERM")
        process.send_signal(signal.SIGTERM)
        self.assertEqual(process.wait(timeout=30), 0)

    def wait_for(self, true, what, seconds=60):
        until = time.monotonic() + seconds
        while not true():
            self.assertLess(time.monotonic(), until, f"no {what} within {seconds} s")
            time.sleep(0.1)

    def credential(self, name, text, mode=0o600):
        path = self.secrets / name
        path.unlink(missing_ok=True)
        path.write_text(text)
        path.chmod(mode)


class BrokenServers(Plant):
    REASONS = {
        "reset": "reset by peer|Recv failure",
        "cut": "outstanding read data remaining|transfer closed",
        "lengths": "two lengths",
        "http09": "HTTP/0.9",
        "nul": "[Nn]ul byte in header",
        "hang": "too slow|timed out",
        "slow_header": "too slow|timed out",
        "slow_body": "too slow|timed out",
        "chunked": "larger than 16777216 bytes",
        "endless": "larger than 16777216 bytes",
        "bomb": "packed",
        "header_flood": "header of the answer is larger",
        "hundreds": "header of the answer is larger",
        "to_file": "redirects elsewhere",
        "to_gopher": "redirects elsewhere",
        "to_self": "redirects elsewhere",
        "to_good": "redirects elsewhere",
    }

    FLOODS = ("chunked", "endless", "bomb", "header_flood", "hundreds")

    def check_all(self, names, **more):
        sources = {name: {"url": self.url(name)} for name in names}
        sources["good"] = {"url": self.url("good")}
        self.register(dict(sources, **{name: {"url": url} for name, (url, _) in more.items()}))
        self.check(dict({name: self.REASONS[name] for name in names}, **{name: why for name, (_, why) in more.items()}))

    def test_each_fails_with_its_reason_and_the_others_are_read(self):
        before = len(self.evil.asked)
        self.check_all([name for name in self.REASONS if name not in self.FLOODS],
                       refused=(f"http://127.0.0.1:{refused_port()}", "Connection refused|connect to"))
        followed = [path for _, path in self.evil.asked[before:] if path.startswith("/good/current")]
        self.assertEqual(len(followed), 1)  # the redirection to it was not followed

    def test_floods_are_cut_off_and_the_others_are_read(self):
        self.check_all(self.FLOODS)

    def test_a_limit_is_taken_and_one_more_is_refused(self):
        taken = ("body_less", "body_limit", "chunks_limit", "header_less", "header_limit")
        refused = {"body_more": "larger than 16777216 bytes", "chunks_more": "larger than 16777216 bytes",
                   "header_more": "header of the answer is larger than 65536 bytes"}
        self.register({name: {"url": self.url(name)} for name in (*taken, *refused)})
        self.check(refused, good=taken, args=ONE_BY_ONE)

    def test_bodies_that_would_fill_the_memory_are_refused_and_the_others_are_read(self):
        """What a value takes in memory is a hundred times what it takes on the way."""
        hostile = {"dense": "more than 1000000 values"}
        if LONG:
            hostile["numbers"] = "more than 1000000 values"
        self.register({"good": {"url": self.url("good")}})
        usual = self.peak_kb(0)
        for name, reason in hostile.items():
            self.register({name: {"url": self.url(name)}, "good": {"url": self.url("good")}})
            self.check({name: reason}, args=ONE_BY_ONE)
            peak = self.peak_kb(3)
            print(f"{name}: {peak - usual} kB above the usual {usual} kB", file=sys.stderr)
            self.assertLess(peak - usual, 2 * BODY_LIMIT_KB)

    def test_memory_stays_below_twice_the_limit(self):
        self.register({"good": {"url": self.url("good")}})
        usual = self.peak_kb(0)
        for name in self.FLOODS if LONG else ("endless", "bomb"):
            self.register({name: {"url": self.url(name)}})
            peak = self.peak_kb(3)
            print(f"{name}: {peak - usual} kB above the usual {usual} kB", file=sys.stderr)
            self.assertLess(peak - usual, 2 * BODY_LIMIT_KB, f"{name}: {peak} kB, usual {usual} kB")

    def peak_kb(self, status):
        """By way of a small process: what is counted for a child begins with the size of its parent."""
        count = ("import os, subprocess, sys; child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL);"
                 "_, code, usage = os.wait4(child.pid, 0); print(os.waitstatus_to_exitcode(code), usage.ru_maxrss)")
        done = subprocess.run([sys.executable, "-S", "-c", count, str(BIN / "vaneward-collector"), "run", "--once", "--no-seal",
                               *ONE_BY_ONE], env=self.env, check=True, capture_output=True, text=True)
        returned, peak = map(int, done.stdout.split())
        self.assertEqual(returned, status)
        return peak


class Addresses(Plant):
    def test_what_lies_elsewhere_is_refused_whatever_it_is_called(self):
        port = self.evil.port
        sources = {
            "good": {"url": self.url("good")},
            "hex": {"url": self.url("good", "0x7f.1")},
            "number": {"url": self.url("good", "2130706433")},
            "octal": {"url": self.url("good", "0177.0.0.1")},
            "mapped": {"url": self.url("good", "[::ffff:127.0.0.1]")},
            "nowhere": {"url": self.url("good", "0.0.0.0")},
            "metadata": {"url": "http://169.254.169.254/latest"},
            "metadata-number": {"url": "http://2852039166/latest"},
            "link": {"url": f"http://[fe80::1]:{port}/"},
            "outside": {"url": self.url("good"), "site": "ten"},
            "listed": {"url": self.url("good", "0x7f.1"), "site": "own"},
        }
        expected = {name: "must not be reached: it is a loopback address" for name in ("hex", "number", "octal", "mapped")}
        expected.update({"nowhere": "unspecified", "metadata": "link-local", "metadata-number": "link-local", "link": "link-local",
                         "outside": "not in the networks of the site"})
        for host in ("ip6-localhost", "ip6-loopback"):
            if "::1" in {a[4][0] for a in addresses(host)}:
                sources["name"] = {"url": self.url("good", host)}
                expected["name"] = "must not be reached: it is a loopback address"
        self.register(sources, {"ten": "10.0.0.0/8", "own": "127.0.0.0/8 10.0.0.0/8"})
        self.check(expected, good=("good", "listed"))

    def test_a_name_that_leads_to_this_machine_is_refused(self):
        hosts = self.dir / "hosts"
        hosts.write_text("127.0.0.1 localhost press-7.example\n::ffff:127.0.0.1 press-8.example\n169.254.169.254 press-9.example\n")
        with_hosts = ("unshare", "-m", "sh", "-c", f'mount --bind {hosts} /etc/hosts && exec "$@"', "sh")
        if subprocess.run([*with_hosts, "true"], capture_output=True).returncode:
            self.skipTest("a hosts file of its own cannot be given to a program here")
        self.register({name: {"url": self.url("good", f"{name}.example")} for name in ("press-7", "press-8", "press-9")}
                      | {"good": {"url": self.url("good", "localhost")}})
        self.check({"press-7": "is a loopback address, which the url does not name", "press-8": "is a loopback address",
                    "press-9": "is a link-local address"}, around=with_hosts)

    def test_a_kept_connection_is_no_way_round(self):
        self.register({"good": {"url": self.url("good"), "site": "own"}, "outside": {"url": self.url("good"), "site": "ten"}},
                      {"ten": "10.0.0.0/8", "own": "127.0.0.0/8"})
        asked = len(self.evil.asked)
        process = self.start()
        self.wait_for(lambda: len(self.evil.asked) >= asked + 5, "five answers of the good one")
        self.wait_for(lambda: self.sql("SELECT 1 FROM vaneward.source_cursor WHERE source = 'outside' AND failures > 1"), "two refusals")
        self.stop(process)
        rows = dict(self.sql("SELECT source, last_contact_at IS NULL FROM vaneward.source_cursor"))
        self.assertEqual(rows, {"good": "f", "outside": "t"})

    def test_addresses_that_are_none_are_refused(self):
        self.register({"good": {"url": self.url("good")}})
        self.sql("INSERT INTO vaneward.source (site, source, url, format, period_s) VALUES"
                 " ('s', 'file', 'file:///etc/passwd', 'feed', 1), ('s', 'user', 'http://a:b@127.0.0.1/', 'feed', 1),"
                 " ('s', 'blank', E'http://127.0.0.1/\\r\\nX: y', 'feed', 1)")
        self.check({"file": "must begin with http", "user": "user name or password", "blank": "control characters"})

    def test_polling_keeps_its_connections(self):
        self.register({f"good{k}": {"url": self.url(f"good{k}", f"127.0.0.{k + 1}")} for k in range(5)}, None) \
            if self.all_loopback() else self.skipTest("127.0.0.2 does not lead to this machine")
        process = self.start()
        sources = lambda: {path.split("/")[1] for _, path in self.evil.asked if "/sample" in path}
        self.wait_for(lambda: len(sources()) == 5, "a second answer of each")
        connections, asked = self.evil.accepted, len(self.evil.asked)
        self.wait_for(lambda: len(self.evil.asked) > asked + 20, "twenty more")
        self.assertEqual(self.evil.accepted, connections)
        self.stop(process)

    def all_loopback(self):
        everywhere = Evil(host="0.0.0.0")
        try:
            socket.create_connection(("127.0.0.2", everywhere.port), 1).close()
        except OSError:
            return False
        type(self).evil = everywhere
        return True


def addresses(host):
    try:
        return socket.getaddrinfo(host, 80)
    except OSError:
        return []


class Certificates(Plant):
    @classmethod
    def setUpClass(cls):
        if not shutil.which("openssl"):
            raise unittest.SkipTest("openssl is not installed")
        super().setUpClass()
        cls.ca = certificates.Authority(cls.dir / "ca", "Plant authority")
        cls.other = certificates.Authority(cls.dir / "other", "Another authority")
        year = time.gmtime().tm_year
        cls.end = f"{year + 1}-12-01 00:00:00+00"
        cls.servers = {
            "good": cls.ca.server("good", end=f"{year + 1}1201000000Z"),
            "expired": cls.ca.server("expired", begin="20200101000000Z", end="20210101000000Z"),
            "early": cls.ca.server("early", begin="20900101000000Z"),
            "host": cls.ca.server("host", alternative="DNS:other.example"),
            "unknown": cls.other.server("unknown"),
            "old": certificates.only_tls_1_1(cls.ca.server("old")),
        }
        cls.ports = {name: Evil(context).port for name, context in cls.servers.items()}

    def source(self, server, **more):
        return dict({"url": f"https://127.0.0.1:{self.ports[server]}/good", "ca_file": self.ca.file}, **more)

    def test_each_refusal_names_its_reason(self):
        sources = {name: self.source(name) for name in self.servers}
        sources["system"] = self.source("good", ca_file="")
        sources["pinned"] = self.source("good", pinned_key=self.ca.pin("good"))
        sources["other-pin"] = self.source("good", pinned_key=self.ca.pin("host"))
        sources["no-file"] = self.source("good", ca_file="/nowhere/ca.pem")
        sources["clear"] = {"url": f"http://127.0.0.1:{self.ports['good']}/good"}
        self.register(sources)
        self.check({"expired": "certificate has expired; the clock of this machine says .*timedatectl",
                    "early": "not yet valid; the clock of this machine says",
                    "host": "does not match|no alternative certificate subject name", "unknown": "unable to get local issuer|self.signed",
                    "system": "unable to get local issuer|self.signed", "old": "TLS 1.2 or newer could not be agreed",
                    "other-pin": "does not match pinned", "no-file": "cannot read its ca_file '/nowhere/ca.pem'",
                    "clear": "."}, good=("good", "pinned"))
        self.assertEqual(self.sql("SELECT certificate_expires_at AT TIME ZONE 'UTC' FROM vaneward.source_cursor WHERE source = 'good'"),
                         [[self.end[:19]]])

    def test_a_clock_two_years_ahead_is_told_from_a_bad_certificate(self):
        if not shutil.which("faketime"):
            self.skipTest("faketime is not installed")
        self.register({"good": self.source("good")})
        self.check({"good": f"expired; the clock of this machine says {time.gmtime().tm_year + 2}"}, good=(), 
                   around=("env", "ASAN_OPTIONS=verify_asan_link_order=0", "faketime", "-f", "+2y"))


class Credentials(Plant):
    def test_what_is_wrong_with_one_is_told_and_the_others_go_on(self):
        self.evil.secrets |= {b"Basic cmVhZGVyOmNhbmFyeS03ZjNkMTljNGUy", b"Bearer abc.def"}  # base64 of reader:CANARY
        self.credential("basic", f"reader:{CANARY}\nallow-http\n")
        self.credential("bearer", "bearer abc.def\nallow-http\n")
        self.credential("wrong", f"reader:not-{CANARY}\nallow-http\n")
        self.credential("tls-only", f"reader:{CANARY}\n")
        self.credential("open", f"reader:{CANARY}\nallow-http\n", 0o640)
        self.credential("empty", "\n")
        (self.secrets / "link").unlink(missing_ok=True)
        (self.secrets / "link").symlink_to(self.secrets / "basic")
        names = ("basic", "bearer", "wrong", "tls-only", "open", "empty", "link", "missing")
        sources = {name: {"url": self.url("secret"), "credential": name} for name in names}
        sources["good"] = {"url": self.url("good")}
        self.register(sources)
        self.check({"wrong": "HTTP status 401", "tls-only": "credential 'tls-only': it is sent over https only",
                    "open": "credential 'open' in '.*': others may use it", "empty": "first line is empty", "link": "symbolic link",
                    "missing": f"credential 'missing' is missing: .*{self.secrets}"}, good=("good", "basic", "bearer"))

    def test_a_secret_is_seen_nowhere(self):
        self.evil.secrets |= {b"Basic cmVhZGVyOmNhbmFyeS03ZjNkMTljNGUy"}
        self.credential("basic", f"reader:{CANARY}\nallow-http\n")
        self.credential("tls-only", f"reader:{CANARY}\n")
        self.credential("open", f"reader:{CANARY}\n", 0o644)
        self.credential("odd", f"{CANARY}\n")
        self.register({name: {"url": self.url("secret"), "credential": name} for name in ("basic", "tls-only", "open", "odd")})
        process = self.start()
        time.sleep(4)
        seen = [pathlib.Path(f"/proc/{process.pid}/{name}").read_bytes() for name in ("cmdline", "environ")]
        self.stop(process)
        self.log.seek(0)
        seen.append(self.log.read().encode())
        seen += [self.program("health", *more, status=3).encode() for more in ((), ("--json",))]
        dump = subprocess.run(["pg_dump"], env=self.env, capture_output=True)
        self.assertEqual(dump.returncode, 0, dump.stderr)
        seen.append(dump.stdout)
        self.assertEqual(self.sql("SELECT count(*) FROM vaneward.source_cursor WHERE last_contact_at IS NOT NULL"), [["1"]])
        self.assertIn(b"source.", seen[2])
        for text in seen:
            for secret in (CANARY.encode(), b"cmVhZGVyOmNhbmFyeS03"):
                self.assertNotIn(secret, text)


class Scarce(Plant):
    """Too little of something slows the reading down or ends it with a word; it never crashes, and a restart goes on."""

    def read(self):
        return int(self.sql("SELECT count(*) FROM vaneward.source_cursor WHERE last_contact_at IS NOT NULL")[0][0])

    def wait_for_read(self, count, seconds=60):
        until = time.monotonic() + seconds
        while self.read() < count:
            self.assertLess(time.monotonic(), until, f"{self.read()} of {count} sources read")
            time.sleep(0.2)

    def go_on(self, sources):
        process = self.start()
        self.wait_for_read(sources)
        self.stop(process)
        twice = self.sql("SELECT count(*) FROM vaneward.gap")
        self.assertEqual(twice, [["0"]])

    def test_32_descriptors_are_shared_by_40_sources(self):
        if not shutil.which("prlimit"):
            self.skipTest("prlimit is not installed")
        self.register({f"good{k}": {"url": self.url(f"good{k}")} for k in range(40)})
        process = self.start(around=("prlimit", "--nofile=32"))
        self.wait_for_read(20)
        self.assertIsNone(process.poll())
        self.assertLessEqual(len(os.listdir(f"/proc/{process.pid}/fd")), 32)
        self.stop(process)
        self.go_on(40)

    def test_without_memory_it_ends_with_a_word_and_goes_on_when_there_is_some(self):
        if not shutil.which("prlimit"):
            self.skipTest("prlimit is not installed")
        if b"__asan_init" in (BIN / "vaneward-collector").read_bytes():
            self.skipTest("a sanitized build needs all addresses")
        self.register({"body_limit": {"url": self.url("body_limit")}})
        process = subprocess.Popen(["prlimit", "--as=120000000", BIN / "vaneward-collector", "run", "--once", "--no-seal"], env=self.env,
                                   stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        _, said = process.communicate(timeout=60)
        self.assertIn(process.returncode, (0, 3, 71), said)
        self.register({f"good{k}": {"url": self.url(f"good{k}")} for k in range(3)})
        self.go_on(3)


class RegisterFile(Plant):
    """A file of 1 GiB is read, one of more is not even begun, and a pipe is left when it has given more."""
    LIMIT = 1 << 30

    def load(self, size, memory):
        path = self.dir / "sites.csv"
        with open(path, "wb") as file:
            file.truncate(size)
        self.addCleanup(path.unlink, missing_ok=True)
        before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
        done = subprocess.run(["prlimit", f"--as={memory}", BIN / "vaneward-collector", "register", path], env=self.env,
                              capture_output=True, text=True)
        return done, resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before

    def test_more_is_refused_unread(self):
        if not shutil.which("prlimit") or b"__asan_init" in (BIN / "vaneward-collector").read_bytes():
            self.skipTest("needs prlimit, and a build that is not sanitized")
        self.register({"good": {"url": self.url("good")}})
        done, seconds = self.load(self.LIMIT + 1, self.LIMIT // 4)
        self.assertEqual(done.returncode, 65, done.stderr)
        self.assertIn("it is larger than 1 GiB", done.stdout + done.stderr)
        self.assertLess(seconds, 1)
        done, _ = self.load(self.LIMIT, self.LIMIT // 4)  # is begun, and this memory does not do
        self.assertEqual(done.returncode, 71, done.stderr)

    @unittest.skipUnless(LONG, "needs 3 GiB of memory (VANEWARD_LONG=1)")
    def test_the_limit_is_read(self):
        done, _ = self.load(self.LIMIT, 4 * self.LIMIT)
        self.assertEqual(done.returncode, 65, done.stderr)
        self.assertNotIn("larger than 1 GiB", done.stdout + done.stderr)
        self.assertIn("sites.csv:1:", done.stdout + done.stderr)


class ManyDead(Plant):
    def test_many_dead_sources_do_not_slow_ten(self):
        live, dead = 10, 1000 if LONG else 200
        hole, refused = BlackHole(), refused_port()
        sources = {f"live-{k}": {"url": self.url(f"good{k}")} for k in range(live)}
        for k in range(dead):
            port = hole.port if k % 2 else refused
            sources[f"dead-{k}"] = {"url": f"http://127.0.0.1:{port}/"}
        self.register(sources)
        begin = len(self.evil.asked)
        process = self.start()
        time.sleep(60 if LONG else 25)
        self.stop(process)
        asked = {}
        for at, path in self.evil.asked[begin:]:
            if "/sample" in path:
                asked.setdefault(path.split("/")[1], []).append(at)
        errors = [abs(b - a - 1) for times in asked.values() for a, b in zip(times[2:], times[3:])]
        mean, worst = statistics.mean(errors), max(errors)
        print(f"\n{len(errors)} periods of {live} live sources beside {dead} dead ones: mean error {mean * 100:.1f} %, "
              f"worst {worst * 100:.0f} %", file=sys.stderr)
        self.assertEqual(len(asked), live)
        self.assertGreater(len(errors), live * (40 if LONG else 12))
        self.assertLess(mean, 0.1)


if __name__ == "__main__":
    unittest.main()
