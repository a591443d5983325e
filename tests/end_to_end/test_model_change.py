"""An agent that is not as it was: its model changes (a bound item that becomes another one is stopped until a person loads its
binding again), it loses its machine, it refuses the usual types of answer. Usage: test_model_change.py BIN_FOLDER
"""
import http.server
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import threading
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else ROOT / "build/bin"

REGISTER = {
    "sites": "site,name,time_zone\nS,Site,Europe/Berlin\n",
    "machines": "machine,site,name,controller\nM,S,Mill,c\n",
    "drive_models": "drive_model,reports_speed,internal_fans\nDM,yes,1\n",
    "fan_models": "fan_model,rated_rpm\nFM,4000\n",
    "fitments": "drive_model,position,fan_model\nDM,internal-1,FM\n",
    "drives": "drive,machine,drive_model\nD,M,DM\n",
    "fans": "drive,position,fan_model\nD,internal-1,FM\n",
}
CODES = "controller,native_code,kind\nc,W1,fan_warning\nc,S3,heat_sink_fan_alarm\n"
BINDINGS = "source,device,item,role,drive,position\nA,u1,n,fan_speed,D,internal-1\n"


class Agent(http.server.BaseHTTPRequestHandler):
    kind = ("ROTARY_VELOCITY", "REVOLUTION/MINUTE")
    axis = "X"  # that the item stands under
    changed, first, last, asked = "2026-01-01T00:00:00Z", 1, 0, []
    conditions, active = {}, {}  # by sequence: state and code, all and those that /current tells
    links = {}  # observations that are not a speed but the agent's connection to the machine
    choosy = False  # answers only who takes anything

    def log_message(self, *_):
        pass

    def do_GET(self):
        Agent.asked.append(self.path.split("?")[0])
        if self.choosy and "*/*" not in self.headers["Accept"]:
            self.send_response(406)
            self.send_header("Content-Length", "0")
            self.end_headers()
            return
        header = (f'<Header creationTime="2026-11-25T16:00:00Z" instanceId="7" bufferSize="100" firstSequence="{self.first}" lastSequence="{self.last}"'
                  f' nextSequence="{self.last + 1}" deviceModelChangeTime="{self.changed}"/>')
        if self.path.startswith("/probe"):
            body = (f'<MTConnectDevices>{header}<Devices><Device uuid="u1"><Components><Linear id="l" name="{self.axis}"><DataItems><DataItem id="n" category="SAMPLE" type="{self.kind[0]}"'
                    f' units="{self.kind[1]}"/></DataItems></Linear></Components></Device></Devices></MTConnectDevices>')
        else:
            first = int(self.path.split("from=")[1].split("&")[0]) if "from=" in self.path else 1
            told = self.conditions
            if self.path.startswith("/current"):
                first, told = self.last, self.active
            elif first < self.first:
                first = self.first
            rows = "".join(f'<X dataItemId="n" sequence="{k}" timestamp="2026-11-25T15:00:{k:02}Z">{4000 + k}</X>' for k in range(first, self.last + 1)
                           if k not in self.links and k not in self.conditions)
            states = "".join(f'<{state} dataItemId="c" type="SYSTEM" nativeCode="{code}" sequence="{k}" timestamp="2026-11-25T15:00:{k:02}Z"/>'
                             for k, (state, code) in told.items() if told is self.active or first <= k <= self.last)
            links = "".join(f'<ConnectionStatus dataItemId="link" sequence="{k}" timestamp="2026-11-25T15:00:{k:02}Z">{word}</ConnectionStatus>'
                            for k, word in self.links.items() if first <= k <= self.last)
            body = (f'<MTConnectStreams>{header}<Streams><DeviceStream uuid="u1"><ComponentStream><Samples>{rows}</Samples><Condition>{states}</Condition></ComponentStream>'
                    f'</DeviceStream><DeviceStream uuid="agent"><ComponentStream><Events>{links}</Events></ComponentStream></DeviceStream></Streams></MTConnectStreams>')
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body.encode())


class AgentTest(unittest.TestCase):
    bindings = BINDINGS

    def setUp(self):
        Agent.first, Agent.last, Agent.links, Agent.choosy, Agent.asked = 1, 0, {}, False, []
        Agent.conditions, Agent.active, Agent.axis = {}, {}, "X"
        folder = tempfile.TemporaryDirectory(prefix="vaneward-model-")
        self.addCleanup(folder.cleanup)
        self.dir = pathlib.Path(folder.name)
        self.dir.chmod(0o755)
        server = str(ROOT / "deploy/private-postgres.sh")
        self.addCleanup(subprocess.run, [server, "remove", self.dir / "postgres"], check=True)
        out = subprocess.run([server, "start", self.dir / "postgres"], check=True, capture_output=True, text=True).stdout
        self.env = dict(os.environ, LC_ALL="C.UTF-8", TZ="UTC", **dict(pair.split("=", 1) for pair in out.split()))
        agent = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Agent)
        threading.Thread(target=agent.serve_forever, daemon=True).start()
        self.addCleanup(agent.server_close)
        self.addCleanup(agent.shutdown)
        self.url = f"http://127.0.0.1:{agent.server_port}"
        register = self.dir / "register"
        register.mkdir()
        for name, text in REGISTER.items():
            (register / f"{name}.csv").write_text(text)
        (register / "sources.csv").write_text(f"source,site,url,format\nA,S,{self.url},mtconnect\n")
        (register / "bindings.csv").write_text(self.bindings)
        self.collector("prepare")
        self.collector("register", register)

    def collector(self, *args):
        done = subprocess.run([BIN / "vaneward-collector", *args], env=self.env, capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        return done.stderr

    def sql(self, text):
        return subprocess.run(["psql", "-qAtX", "-c", text], env=self.env, check=True, capture_output=True, text=True).stdout.strip()

    def read(self):
        Agent.last += 1
        said = self.collector("run", "--once")
        return said, self.sql(
            "SELECT (SELECT coalesce(sum(readings), 0) FROM vaneward.journal_waiting) + (SELECT coalesce(sum(readings), 0) FROM vaneward.reading_hour)"
            " + (SELECT coalesce(sum(readings), 0) FROM vaneward.reading_day), (SELECT count(*) FROM vaneward.set_aside)")


class ModelChange(AgentTest):
    def test_a_changed_item_is_stopped_until_its_binding_is_loaded_again(self):
        self.assertEqual(self.read()[1], "1|0")
        self.assertEqual(self.sql("SELECT item, item_type, units, stopped IS NULL FROM vaneward.bound_item"),
                         "n|ROTARY_VELOCITY|REVOLUTION/MINUTE|t")
        self.assertEqual(self.read()[1], "2|0")

        Agent.kind, Agent.changed = ("TEMPERATURE", "CELSIUS"), "2026-01-02T00:00:00Z"
        said, stored = self.read()
        self.assertEqual(stored, "2|1")
        self.assertIn("binding.stopped", said)
        why = "it was ROTARY_VELOCITY in REVOLUTION/MINUTE and is now TEMPERATURE in CELSIUS: load its binding again if it is still right"
        self.assertEqual(self.sql("SELECT reason FROM vaneward.set_aside"), why)
        self.assertEqual(self.sql("SELECT stopped FROM vaneward.bound_item"), why)

        # Going back does not undo it; loading the binding does.
        Agent.kind, Agent.changed = ("ROTARY_VELOCITY", "REVOLUTION/MINUTE"), "2026-01-03T00:00:00Z"
        self.assertEqual(self.read()[1], "2|2")
        self.collector("register", self.dir / "register/bindings.csv")
        self.assertEqual(self.sql("SELECT count(*) FROM vaneward.bound_item"), "0")
        self.assertEqual(self.read()[1], "3|2")
        self.assertIn("/probe", Agent.asked)


    def test_an_item_that_moved_to_another_fan_is_stopped(self):
        self.assertEqual(self.read()[1], "1|0")
        self.assertEqual(self.sql("SELECT place, name FROM vaneward.bound_item"), "Linear[X]|")
        Agent.axis, Agent.changed = "Y", "2026-01-04T00:00:00Z"
        said, stored = self.read()
        self.assertEqual(stored, "1|1")
        self.assertIn("binding.stopped", said)
        self.assertEqual(self.sql("SELECT stopped FROM vaneward.bound_item"),
                         "it was '' of Linear[X] and is now '' of Linear[Y]: load its binding again if it is still right")
        self.collector("register", self.dir / "register/bindings.csv")
        self.assertEqual(self.read()[1], "2|1")


class Conditions(AgentTest):
    bindings = BINDINGS + "A,u1,c,drive_condition,D,\n"

    def setUp(self):
        super().setUp()
        (self.dir / "register/code_map.csv").write_text(CODES)
        self.collector("register", self.dir / "register/code_map.csv")

    def episodes(self):
        return self.sql("SELECT fault, outcome, ended_at IS NOT NULL, end_seen FROM vaneward.episode WHERE known_until IS NULL ORDER BY fault")

    def test_what_cleared_in_a_gap_while_another_is_active_ends_unseen(self):
        Agent.conditions = {2: ("Warning", "W1"), 3: ("Fault", "S3")}
        Agent.active, Agent.last = dict(Agent.conditions), 4
        self.read()
        self.assertEqual(self.episodes(), "fan|open|f|f\nheat_sink_fan|open|f|f")
        # The normal of W1 was overwritten in the agent's buffer.
        Agent.active, Agent.first, Agent.last = {3: ("Fault", "S3")}, 20, 30
        self.read()
        self.assertEqual(self.sql("SELECT reason FROM vaneward.gap"), "overrun")
        self.assertEqual(self.episodes(), "fan|cleared by itself|t|f\nheat_sink_fan|open|f|f")
        # The end of the other is seen.
        Agent.conditions[32], Agent.active = ("Normal", "S3"), {32: ("Normal", "S3")}
        Agent.last = 33
        self.read()
        self.assertEqual(self.episodes(), "fan|cleared by itself|t|f\nheat_sink_fan|unannounced|t|t")

    def test_a_source_set_back_keeps_what_is_new(self):
        Agent.conditions = {3: ("Warning", "W1")}
        Agent.active, Agent.last = dict(Agent.conditions), 9
        self.read()
        self.assertEqual(self.episodes(), "fan|open|f|f")
        Agent.conditions, Agent.active, Agent.last = {3: ("Normal", "W1")}, {3: ("Normal", "W1")}, 4
        said, _ = self.read()
        self.assertIn("source.rewound", said)
        self.assertEqual(self.sql("SELECT reason FROM vaneward.gap"), "restart")
        self.assertEqual(self.sql("SELECT state, instance = '7', instance LIKE '7; set back %' FROM vaneward.condition WHERE sequence = 3 ORDER BY state"),
                         "normal|f|t\nwarning|t|f")
        self.assertEqual(self.episodes(), "fan|cleared by itself|t|t")
        # It is read on, in the same life, by a collector that starts anew.
        readings = int(self.read()[1].split("|")[0])
        self.assertEqual(int(self.read()[1].split("|")[0]), readings + 1)
        self.assertEqual(self.sql("SELECT count(*) FROM vaneward.gap"), "1")


class Links(AgentTest):
    bindings = BINDINGS + "A,agent,link,availability,,\n"

    def wrong(self):
        done = subprocess.run([BIN / "vaneward-collector", "health", "--json"], env=self.env, capture_output=True, text=True)
        return [w["what"] for w in json.loads(done.stdout)["wrong"] if w["source"] == "A" and "behind it" in w["what"]]

    def link_down(self):
        return self.sql("SELECT vaneward.link_down('S', 'A', now())")

    def test_a_machine_behind_an_agent_that_answers_is_told_apart(self):
        Agent.links = {2: "ESTABLISHED", 3: "CLOSED", 5: "UNAVAILABLE", 6: "ESTABLISHED"}
        self.read()
        self.assertEqual(self.wrong(), [])
        self.read()
        self.assertEqual(self.wrong(), [])
        for word, since in (("CLOSED", 3), ("CLOSED", 3), ("UNAVAILABLE", 5)):
            self.read()
            said = f"link of agent says {word} since 2026-11-25T15:00:{since:02}Z"
            self.assertEqual(self.link_down(), said)
            self.assertEqual(self.wrong(), ["it is reached, but the machine behind it is not: " + said])
        self.read()
        self.assertEqual(self.link_down(), "")
        self.assertEqual(self.wrong(), [])

    def test_an_agent_that_refuses_the_usual_types_is_asked_for_any(self):
        Agent.choosy = True
        self.assertEqual(self.read()[1], "1|0")
        out = subprocess.run([BIN / "vaneward-collector", "discover", self.url], env=self.env, check=True, capture_output=True, text=True).stdout
        self.assertTrue(out.startswith("source,device,item,role"), out)


if __name__ == "__main__":
    unittest.main(verbosity=1)
