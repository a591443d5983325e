"""No secret gets out: a canary in each place where a secret is kept, all commands run, and everything that they leave or show
is searched for it.

Usage: test_secrets.py BIN_FOLDER [unittest options]
"""
import base64
import hashlib
import hmac
import http.server
import pathlib
import signal
import subprocess
import unittest

from feed_rig import Feed, ServiceTest, serve, wait_for
from places import BIN

PASSWORD, TOKEN, KEY, DATABASE = ("canary-%s-4f6b91" % name for name in ("password", "token", "key", "database"))
CANARIES = [PASSWORD, TOKEN, KEY, DATABASE, base64.b64encode(f"reader:{PASSWORD}".encode()).decode()]


class Guarded(Feed):
    """A feed that notes how callers show who they are."""

    def __init__(self):
        super().__init__()
        self.shown = set()
        handler, feed = self.server.RequestHandlerClass, self
        answer = handler.do_GET

        def do_GET(request):
            feed.shown.add(request.headers["Authorization"])
            answer(request)
        handler.do_GET = do_GET


class Secrets(ServiceTest):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.credentials = cls.dir / "credentials"
        cls.credentials.mkdir()
        for name, text in (("basic", f"reader:{PASSWORD}\nallow-http\n"), ("bearer", f"bearer {TOKEN}\nallow-http\n"), ("key", KEY + "\n")):
            (cls.credentials / name).write_text(text)
            (cls.credentials / name).chmod(0o600)
        passwords = cls.dir / "pgpass"
        passwords.write_text(f"*:*:*:*:{DATABASE}\n")
        passwords.chmod(0o600)
        cls.env["PGPASSFILE"] = str(passwords)
        cls.feeds = {"basic": Guarded(), "bearer": Guarded()}
        cls.said = []  # all that commands have printed

    def run_all(self, name, *args, status=0):
        done = subprocess.run([BIN / "vaneward-collector", name, "--credentials", self.credentials, "--verbose", *map(str, args)],
                              env=self.env, capture_output=True, text=True)
        self.said.append((name, done.stdout + done.stderr))
        self.assertIn(done.returncode, status if isinstance(status, tuple) else (status,), done.stderr)

    def start_webhook(self):
        came = []

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                came.append((str(self.headers), body))
                self.send_response(204)
                self.end_headers()

            def log_message(self, *args):
                pass
        server = serve(Handler)
        self.addCleanup(server.server_close)
        self.addCleanup(server.shutdown)
        return came, f"http://127.0.0.1:{server.server_address[1]}/"

    def check_process(self, child):
        """What others may see of it; and that it leaves no core."""
        proc = pathlib.Path(f"/proc/{child.pid}")
        for name in ("cmdline", "environ", "status"):
            self.said.append((name, (proc / name).read_bytes().decode(errors="replace")))
        limit = next(line for line in (proc / "limits").read_text().splitlines() if line.startswith("Max core file size"))
        self.assertEqual(limit.split()[4:6], ["0", "0"])

    def prepare_all(self):
        self.register_small_fleet(self.feeds["basic"].url, ["d1"])
        self.register(sources=[["source", "site", "url", "format", "period_s", "credential"]]
                      + [[name, "s1", feed.url, "feed", "1", name] for name, feed in self.feeds.items()],
                      bindings=[["source", "device", "item", "role", "drive", "position"],
                                ["basic", "m1", "d1/speed", "fan_speed", "d1", "internal-1"],
                                ["basic", "m1", "d1/condition", "drive_condition", "d1", ""]])
        self.sql("DELETE FROM vaneward.binding WHERE source = 'a'; DELETE FROM vaneward.source_cursor WHERE source = 'a';"
                 " DELETE FROM vaneward.source WHERE source = 'a'")
        (self.dir / "readings.csv").write_text("drive,position,read_at,rpm\nd1,internal-1,2026-01-01T00:00:00Z,4000\n")

    def test_no_secret_is_found_in_anything_that_the_collector_shows_or_leaves(self):
        self.prepare_all()
        self.run_all("prepare")
        self.run_all("register", self.dir / "register")
        self.run_all("discover", self.feeds["bearer"].url, "--credential", "bearer", status=(65, 69))
        self.run_all("import", self.dir / "readings.csv")
        self.run_all("work", "--fan", "d1/internal-1", "--action", "cleaned")
        self.run_all("run", "--once", status=(0, 3))
        came, url = self.start_webhook()
        spool, metrics = self.dir / "spool", self.dir / "metrics"
        child = self.start_collector("--verbose", "--credentials", self.credentials, "--webhook", url, "--webhook-key", "key",
                                     "--spool", spool, "--state", self.dir, "--metrics", metrics)
        self.feeds["basic"].report("d1/condition", state="alarm", code="A1")
        wait_for(lambda: came, 30, "an alert")
        self.check_process(child)
        child.send_signal(signal.SIGHUP)
        wait_for(lambda: self.logged("settings.read"), what="the settings again")
        self.server.stop()
        self.feeds["basic"].report("d1/speed", value=4100)
        wait_for(lambda: self.logged("spool.fills"), 40, "something in the spool")
        self.run_all("health", "--spool", spool, "--state", self.dir, status=69)
        left = [path for folder in (spool, self.dir) for path in folder.iterdir() if path.is_file() and path.name != "pgpass"]
        self.assertTrue({"metrics", "collector-state.json"} <= {path.name for path in left})
        self.said += [(str(path), path.read_bytes().decode(errors="replace")) for path in left]
        self.server.start()
        wait_for(lambda: self.logged("spool.empty"), 60, "an empty spool")
        self.run_all("health", "--spool", spool, "--state", self.dir, status=(0, 3))
        self.end(child, signal.SIGTERM)
        dump = subprocess.run(["pg_dump", "--inserts"], env=self.env, check=True, capture_output=True, text=True).stdout
        self.assertIn("INSERT INTO vaneward.source", dump)
        self.said += [("log", self.log.read_text()), ("dump", dump)] + [("webhook", headers + body.decode()) for headers, body in came]
        for what, text in self.said:
            for canary in CANARIES:
                self.assertNotIn(canary, text, what)
        self.check_secrets_were_used(came)

    def check_secrets_were_used(self, came):
        self.assertEqual(self.feeds["basic"].shown, {f"Basic {CANARIES[-1]}"})
        self.assertIn(f"Bearer {TOKEN}", self.feeds["bearer"].shown)
        headers, body = came[0]
        self.assertIn("sha256=" + hmac.new(KEY.encode(), body, hashlib.sha256).hexdigest(), headers)


if __name__ == "__main__":
    unittest.main(verbosity=2)
