"""What the command health says is true under faults, can be read by programs, and helps.

Usage: test_health.py BIN_FOLDER [unittest options]
"""
import datetime
import json
import re
import signal
import socket
import time
import unittest
import urllib.error
import urllib.request

import certificates
import feed_rig
from feed_rig import Feed, ServiceTest, now, wait_for
from places import ROOT

try:
    import jsonschema
except ImportError:
    jsonschema = None

SOON = (now() + datetime.timedelta(days=9)).strftime("%Y%m%d%H%M%SZ")


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


class Health(ServiceTest):
    """One source for each fault, and 'a', which is well."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.feeds = {name: Feed() for name in ("a", "clock", "refused", "gaps", "soon", "expired")}
        authority = certificates.Authority(cls.dir / "ca", "Authority of the test")
        for name, end in (("soon", SOON), ("expired", "20200101000000Z")):
            server = cls.feeds[name].server
            begin = "20190101000000Z" if name == "expired" else None
            server.socket = authority.server(name, begin=begin, end=end).wrap_socket(server.socket, server_side=True)
        for feed in cls.feeds.values():
            cls.addClassCleanup(feed.close)
        urls = {name: feed.url.replace("http:", "https:") if name in ("soon", "expired") else feed.url
                for name, feed in cls.feeds.items()}
        urls["dead"] = f"http://127.0.0.1:{free_port()}"
        urls["secret"] = urls["a"]
        drives = [f"d-{name}" for name in urls]
        cls.register_small_fleet(urls["a"], drives)
        cls.register(
            sources=[["source", "site", "url", "format", "period_s", "ca_file", "credential"]]
            + [[name, "s1", url, "feed", "1", authority.file if url.startswith("https") else "",
                "missing" if name == "secret" else ""] for name, url in urls.items()],
            bindings=[["source", "device", "item", "role", "drive", "position"]]
            + [[name, "m1", f"{name}/speed", "fan_speed", f"d-{name}", "internal-1"] for name in urls])
        cls.sql("DELETE FROM vaneward.binding WHERE item LIKE 'd-%'")
        cls.state = cls.dir / "state"
        cls.state.mkdir()
        cls.spool = cls.dir / "spool"
        for name, feed in cls.feeds.items():
            feed.report(f"{name}/speed", value=4000)

    def begin(self, *args):
        (self.state / "collector-state.json").unlink(missing_ok=True)
        return self.start_collector("--no-seal", "--spool", self.spool, "--state", self.state, *args)

    def health(self, status=3, *args, **changes):
        out = json.loads(self.program("health", "--json", "--spool", self.spool, "--state", self.state, *args, status=status, **changes))
        if jsonschema:
            schema = json.loads((ROOT / "collector/health.schema.json").read_text())
            jsonschema.validate(out, schema, cls=jsonschema.Draft202012Validator)
            self.assertEqual(set(out), set(schema["properties"]))
            for source in out["sources"]:
                self.assertEqual(set(source), set(schema["properties"]["sources"]["items"]["properties"]))
        return out

    def said(self, out, about):
        return [row for row in out["wrong"] if row["about"] == about]

    def wait_until_said(self, about, words, seconds=40, status=3):
        """The complaint, once health makes it."""
        self.last = {"wrong": []}

        def look():
            self.last = self.health(status)
            return next((row for row in self.said(self.last, about) if words in row["what"]), None)
        try:
            return wait_for(look, seconds, f"'{words}' of {about}")
        except AssertionError as e:
            raise AssertionError(f"{e}; health says {json.dumps(self.last['wrong'], indent=1)}\n{self.log.read_text()[-2000:]}") from e

    def break_sources(self):
        feeds = self.feeds
        answer = feeds["clock"].answer
        ahead = datetime.timedelta(minutes=10)
        feeds["clock"].answer = lambda path: dict(answer(path), created=feed_rig.stamp(now() + ahead))
        self.addCleanup(setattr, feeds["clock"], "answer", answer)
        feeds["refused"].report("refused/speed", value=-5)
        feeds["refused"].report("refused/speed", value=-7)

    def overrun(self):
        """The feed 'gaps' forgets what was not read yet."""
        feed = self.feeds["gaps"]
        for n in range(20):
            feed.report("gaps/speed", value=4000 + n)
        answer = feed.answer

        def short(path):
            first = len(feed.observations) - 2
            out = answer(path if "from=" in path else f"{path}&from={first}")
            out["buffer"].update(first=first, size=3)
            out["observations"] = [row for row in out["observations"] if row["sequence"] >= first]
            return out
        feed.answer = short

    def test_each_fault_is_told_with_the_command_that_helps_and_a_sound_source_is_not(self):
        child = self.begin()
        wait_for(lambda: self.number("SELECT count(*) FROM vaneward.source_cursor WHERE source IN ('gaps', 'clock') AND next_sequence = 2") == 2,
                 what="a first reading")
        self.break_sources()
        self.end(child, signal.SIGTERM)
        self.overrun()
        self.begin()
        for about, words, help_words in (
                ("dead", "failed polls in a row, the last:", "discover http://127.0.0.1:"),
                ("clock", "min ahead of ours", "timedatectl"),
                ("refused", "2 observations set aside", "vaneward.set_aside"),
                ("gaps", " in the last 24 hours", "vaneward.gap"),
                ("soon", "its certificate expires in 8 days", "renew"),
                ("expired", "its certificate is refused", "openssl s_client -connect 127.0.0.1:"),
                ("secret", "credential 'missing' is missing", "credentials")):
            complaint = self.wait_until_said(about, words)
            self.assertIn(help_words, complaint["help"], about)
        out = self.health()
        self.assertEqual(self.said(out, "a"), [])
        sources = {row["source"]: row for row in out["sources"]}
        self.assertEqual(sources["refused"]["refusals_24h"], {"... is a speed below ...": 2})
        self.assertGreater(sources["clock"]["clock_offset_ms"], 590000)
        self.assertLess(sources["a"]["age_s"], 30)
        self.assertEqual((sources["a"]["lag"], sources["a"]["gaps_24h"], sources["dead"]["last_contact_at"]), (0, 0, None))
        text = self.program("health", "--sources", "--spool", self.spool, "--state", self.state, status=3)
        print(text, flush=True)
        self.assertRegex(text, r"(?m)^dead +s1 +never +\? +\?")
        severities = [row["severity"] for row in out["wrong"]]
        self.assertEqual(severities, sorted(severities, key=["losing", "wrong", "notice"].index))

    def test_while_the_database_is_away_the_collector_speaks(self):
        self.begin()
        wait_for(lambda: (self.state / "collector-state.json").exists(), what="the state")
        self.addCleanup(self.server.start)
        wait_for(lambda: self.number("SELECT count(*) FROM vaneward.source_cursor WHERE source = 'a' AND next_sequence IS NOT NULL"), what="a reading")
        self.server.stop()
        self.feeds["a"].report("a/speed", value=3900)
        complaint = self.wait_until_said("collector", "cannot use the database", status=69)
        self.assertIn("pg_isready", complaint["help"])
        self.wait_until_said("spool", "wait for the database", status=69)
        out = self.health(69)
        self.assertEqual((out["database_up"], out["sources_from"]), (False, "collector"))
        self.assertGreater(out["spool_bytes"], 0)
        self.assertTrue(self.said(out, "database") and self.said(out, "dead"))
        a = next(row for row in out["sources"] if row["source"] == "a")
        self.assertEqual((a["failures"], a["gaps_24h"], a["refusals_24h"]), (0, None, None))
        text = self.program("health", "--spool", self.spool, "--state", self.state, status=69)
        print(text, flush=True)
        self.assertRegex(text, r"8 sources, as collector \S+ knew them \d+ s ago")

    def test_a_collector_that_died_is_missed_also_without_the_database(self):
        child = self.begin()
        state = self.state / "collector-state.json"
        wait_for(state.exists, what="the state")
        self.end(child)  # killed: its state stays
        text = state.read_text()
        state.write_text(re.sub(r'"at":"[^"]*"', f'"at":"{feed_rig.stamp(now() - datetime.timedelta(minutes=20))}"', text))
        out = self.health(69, PGHOST="/nowhere")
        self.assertIn("none runs", self.said(out, "collector")[0]["what"])
        self.assertIn("20 min ago", self.said(out, "collector")[0]["what"])
        self.assertIn("systemctl restart", self.said(out, "collector")[0]["help"])
        for damage in ("", "{", "[]", '{"collector":"x","at":"2026-01-01T00:00:00Z","sources":[{},7,{"site":"s"}]}'):
            state.write_text(damage)
            self.assertEqual(self.health(69, PGHOST="/nowhere")["sources"], [])
        state.unlink()
        self.assertIsNone(self.health(69, PGHOST="/nowhere")["sources_from"])

    def test_the_state_goes_with_a_collector_that_ends_well(self):
        child = self.begin()
        state = self.state / "collector-state.json"
        wait_for(state.exists, what="the state")
        self.assertEqual(self.end(child, signal.SIGTERM), 0)
        self.assertFalse(state.exists())

    def metrics(self, port, path="/metrics", method="GET"):
        return urllib.request.urlopen(urllib.request.Request(f"http://127.0.0.1:{port}{path}", method=method), timeout=10)

    def test_metrics_on_the_loopback_port_are_the_same_as_in_the_file(self):
        port, path = free_port(), self.dir / "metrics"
        self.begin("--metrics-port", port, "--metrics", path)
        wait_for(path.exists, what="the file")
        names = lambda text: re.findall(r"^# TYPE (\S+ \S+)$", text, re.M)
        answer = wait_for(lambda: self.metrics(port), what="an answer")
        self.assertEqual(answer.headers["Content-Type"], "application/openmetrics-text; version=1.0.0; charset=utf-8")
        text = answer.read().decode()
        self.assertTrue(text.endswith("# EOF\n"))
        self.assertEqual(names(text), names(path.read_text()))
        self.assertIn('vaneward_source_period_seconds{site="s1",source="a"} 1\n', text)
        self.assertGreaterEqual(text.count('{site="s1",source="dead"} '), 4)
        for wrong, status in (("/", 404), ("/metrics/x", 404)):
            with self.assertRaises(urllib.error.HTTPError) as raised:
                self.metrics(port, wrong)
            self.assertEqual(raised.exception.code, status)
        with self.assertRaises(urllib.error.HTTPError) as raised:
            self.metrics(port, method="POST")
        self.assertEqual(raised.exception.code, 405)
        self.assertEqual(self.program("run", "--once", "--metrics-port", port, status=78), "")

    def test_callers_that_say_nothing_or_do_not_read_hold_nothing_up(self):
        port = free_port()
        self.begin("--metrics-port", port)
        wait_for(lambda: self.logged("") is not None and self.can_connect(port), what="the port")
        slow = [socket.create_connection(("127.0.0.1", port)) for _ in range(12)]
        for caller in slow:
            self.addCleanup(caller.close)
        slow[0].sendall(b"GET /metrics HTTP/1.1\r\n\r\n")
        slow[1].sendall(b"x" * 20000)
        feed, asked = self.feeds["a"], len(self.feeds["a"].requests)
        began = time.monotonic()
        wait_for(lambda: len(feed.requests) >= asked + 6, 30, "polls beside them")
        print(f"six polls with a period of 1 s beside slow callers: {time.monotonic() - began:.1f} s", flush=True)
        wait_for(lambda: self.metrics(port).read().endswith(b"# EOF\n"), 40, "an answer behind them")

    @staticmethod
    def can_connect(port):
        try:
            socket.create_connection(("127.0.0.1", port)).close()
            return True
        except OSError:
            return False


if __name__ == "__main__":
    unittest.main(verbosity=2)
