"""From register to PDF: the simulated fleet over real HTTP, a private PostgreSQL, both programs as people run them.

What is stored is compared with the fleet's own ledger, number by number; the packs are read back with poppler.
Usage: test_main_job.py BIN_FOLDER [unittest options]
"""
import csv
import datetime
import hashlib
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time
import unittest
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else ROOT / "build/bin"
# The fleet's history ends at the last midnight that the sealer counts as closed.
END = (datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(minutes=10)).replace(hour=0, minute=0, second=0, microsecond=0)
FIRST_READ = END - datetime.timedelta(days=30)
SEED = 7
US = datetime.timedelta(microseconds=1)


def stamp(moment):
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def micros(text):
    """ISO 8601 to microseconds since 1970; exact."""
    text = text.replace("Z", "+00:00").replace(" ", "T")
    text = re.sub(r"([+-]\d\d)$", r"\1:00", text)
    text = re.sub(r"\.(\d+)", lambda m: "." + m.group(1).ljust(6, "0")[:6], text)
    return (datetime.datetime.fromisoformat(text) - datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)) // US


def rows_of(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


class MainJob(unittest.TestCase):
    """One fleet, read once in two steps; each test looks at one side of the result."""

    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="vaneward-e2e-")
        cls.addClassCleanup(cls.folder.cleanup)
        cls.dir = pathlib.Path(cls.folder.name)
        os.chmod(cls.dir, 0o755)
        cls.start_database()
        cls.start_fleet()
        cls.run_program("collector", "prepare")
        cls.run_program("collector", "register", str(cls.dir / "fleet/register"))
        cls.first = json.loads(cls.run_program("collector", "run", "--catch-up", "--json"))
        cls.advance("end")
        cls.second = json.loads(cls.run_program("collector", "run", "--catch-up", "--json"))

    @classmethod
    def start_database(cls):
        server = str(ROOT / "deploy/private-postgres.sh")
        folder = str(cls.dir / "postgres")
        cls.addClassCleanup(subprocess.run, [server, "remove", folder], check=True)
        out = subprocess.run([server, "start", folder], check=True, capture_output=True, text=True).stdout
        cls.env = dict(os.environ, LC_ALL="C.UTF-8", TZ="UTC", **dict(pair.split("=", 1) for pair in out.split()))

    @classmethod
    def start_fleet(cls):
        cls.fleet = subprocess.Popen(
            [BIN / "fleet-simulator", "serve", "--out", cls.dir / "fleet", "--seed", str(SEED), "--end", stamp(END),
             "--until", stamp(FIRST_READ)], stdout=subprocess.PIPE, text=True)
        cls.addClassCleanup(cls.fleet.stdout.close)
        cls.addClassCleanup(cls.fleet.wait)
        cls.addClassCleanup(cls.fleet.terminate)
        line = cls.fleet.stdout.readline()
        assert line.startswith("ready http://127.0.0.1:"), line
        cls.url = line.split()[1]

    @classmethod
    def advance(cls, to):
        urllib.request.urlopen(urllib.request.Request(f"{cls.url}/control/advance?to={to}", method="POST")).read()

    @classmethod
    def run_program(cls, name, *args, status=0):
        done = subprocess.run([BIN / f"vaneward-{name}", *args], env=cls.env, capture_output=True, text=True)
        assert done.returncode == status, f"{name} {args}: status {done.returncode}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
        return done.stdout if status == 0 else done.stderr

    @classmethod
    def sql(cls, text):
        done = subprocess.run(["psql", "-qAtX", "-F", "\t", "-v", "ON_ERROR_STOP=1", "-c", text], env=cls.env, check=True,
                              capture_output=True, text=True)
        return [line.split("\t") for line in done.stdout.splitlines()]

    def reporter_json(self, *args):
        return json.loads(self.run_program("reporter", *args, "--json", "--as-of", self.as_of()))

    @classmethod
    def as_of(cls):
        """A moment after all has been received, the same for all tests."""
        if not hasattr(cls, "moment"):
            cls.moment = cls.sql("SELECT to_char(now() + interval '1 second', 'YYYY-MM-DD\"T\"HH24:MI:SS\"Z\"')")[0][0]
        return cls.moment

    def ledger(self, name):
        return [row for row in rows_of(self.dir / f"fleet/ledger/{name}.csv") if row.get("readable", "yes") == "yes"]

    # what is stored, against the ledger

    def test_every_reading_is_stored_exactly_once(self):
        expected = {}
        for row in self.ledger("readings"):
            if row["drive"]:
                expected.setdefault((row["drive"], row["position"]), []).append((micros(row["read_at"]), row["rpm"]))
        stored, total = {}, 0
        for row in csv.DictReader(self.run_program("reporter", "readings").splitlines()):
            stored.setdefault((row["drive"], row["position"]), []).append((micros(row["read_at"]), row["rpm"]))
        for fan, pairs in stored.items():
            want = sorted((at, -1.0 if rpm == "" else float(rpm)) for at, rpm in expected.pop(fan, []))
            have = sorted((at, -1.0 if rpm == "" else float(rpm)) for at, rpm in pairs)
            self.assertEqual(have, want, f"readings of {fan}")
            total += len(have)
        self.assertEqual(expected, {}, "readings of fans that the register does not have")
        self.assertGreater(total, 400000)
        self.assertEqual(self.first["readings"] + self.second["readings"], total)
        print(f"readings stored and equal to the ledger: {total}", file=sys.stderr)

    def test_every_condition_is_stored_exactly_once(self):
        words = lambda row: (row["source"], row["instance"], row["sequence"], row["device"], row["item"], row["state"],
                             row["native_code"], micros(row["occurred_at"]))
        want = sorted(words(row) for row in self.ledger("conditions"))
        have = sorted((*row[:6], row[6], micros(row[7])) for row in self.sql(
            "SELECT source, instance, sequence, device, item, state, coalesce(native_code, ''), occurred_at"
            " FROM vaneward.condition WHERE state <> 'listed'"))  # what a source lists after a gap is no report
        self.assertEqual(have, want)
        self.assertGreater(len(want), 500)
        print(f"conditions stored and equal to the ledger: {len(want)}", file=sys.stderr)

    def test_power_and_availability_are_stored_exactly_once(self):
        want = sorted((row["source"], row["instance"], row["sequence"], row["item"], row["value"]) for row in self.ledger("events"))
        have = sorted(tuple(row) for row in self.sql(
            "SELECT source, instance, sequence, item, coalesce(value, '') FROM vaneward.device_event"))
        self.assertEqual(have, want)
        self.assertGreater(len(want), 100)

    def test_what_was_lost_is_a_recorded_gap(self):
        want = sorted((row["source"], row["instance"], row["from_sequence"], row["to_sequence"], row["reason"])
                      for row in self.ledger("gaps"))
        have = sorted(tuple(row) for row in self.sql(
            "SELECT source, instance, coalesce(from_sequence::text, ''), coalesce(to_sequence::text, ''), reason FROM vaneward.gap"))
        self.assertEqual(have, want)
        self.assertEqual({row[4] for row in have}, {"overrun", "restart"})

    def test_nothing_was_set_aside(self):
        self.assertEqual(self.sql("SELECT count(*) FROM vaneward.set_aside"), [["0"]])

    def test_reading_again_stores_nothing(self):
        counts = ("SELECT (SELECT count(*) FROM vaneward.condition), (SELECT sum(readings) FROM vaneward.reading_day),"
                  " (SELECT count(*) FROM vaneward.gap), (SELECT coalesce(sum(readings), 0) FROM vaneward.journal_waiting)")
        before = self.sql(counts)
        again = json.loads(self.run_program("collector", "run", "--catch-up", "--json"))
        self.assertEqual((again["readings"], again["conditions"], again["gaps"]), (0, 0, 0))
        self.assertEqual(self.sql(counts), before)

    def test_closed_days_are_sealed(self):
        closed = sum(micros(row["read_at"]) < micros(stamp(END)) for row in self.ledger("readings") if row["drive"])
        self.assertEqual(self.sql("SELECT sum(readings) FROM vaneward.reading_day"), [[str(closed)]])
        self.assertEqual(self.sql("SELECT sum(readings) FROM vaneward.fan_day WHERE known_until IS NULL"), [[str(closed)]])

    # what is derived

    def test_a_daily_summary_is_the_time_weighted_median(self):
        fans = self.sql("SELECT site, fan_no, drive, position FROM vaneward.fan WHERE EXISTS (SELECT FROM vaneward.fan_day d"
                        " WHERE d.site = fan.site AND d.fan_no = fan.fan_no) ORDER BY drive, position LIMIT 8")
        checked = 0
        for site, fan_no, drive, position in fans:
            out = self.run_program("reporter", "readings", "--drive", drive, "--position", position)
            days = {}
            for row in csv.DictReader(out.splitlines()):
                at = micros(row["read_at"])
                days.setdefault(at // 86400000000, []).append((at, None if row["rpm"] == "" else float(row["rpm"])))
            for day, readings, median in self.sql(
                    f"SELECT day - date '1970-01-01', readings, rpm_median FROM vaneward.fan_day WHERE site = '{site}'"
                    f" AND fan_no = {fan_no} AND known_until IS NULL ORDER BY day"):
                raw = days.pop(int(day))
                self.assertEqual(int(readings), len(raw))
                weighted = []
                ends = [at for at, _ in raw[1:]] + [(int(day) + 1) * 86400000000]
                for (at, rpm), end in zip(raw, ends):
                    if rpm:
                        weighted.append((rpm, end - at))
                if not weighted:
                    self.assertEqual(median, "")
                    continue
                weighted.sort()
                half, seen = sum(w for _, w in weighted) / 2, 0
                low = high = None
                for rpm, weight in weighted:
                    seen += weight
                    if low is None and seen >= half:
                        low = rpm
                    if high is None and seen > half:
                        high = rpm
                self.assertAlmostEqual(float(median), (low + high) / 2, places=6, msg=f"{drive} {position} day {day}")
                checked += 1
        self.assertGreater(checked, 1000)

    def test_episodes_are_those_that_happened(self):
        blank = lambda text: "" if text == "" else micros(text)
        want = sorted((row["drive"], row["fault"], micros(row["began_at"]), blank(row["alarm_at"]), blank(row["ended_at"]),
                       row["outcome"]) for row in rows_of(self.dir / "fleet/truth/episodes.csv") if row.get("readable", "yes") == "yes")
        have = sorted((row[0], row[1], micros(row[2]), blank(row[3]), blank(row[4]), row[5]) for row in self.sql(
            "SELECT drive, fault, began_at, coalesce(alarm_at::text, ''), coalesce(ended_at::text, ''), outcome"
            " FROM vaneward.episode WHERE known_until IS NULL"))
        self.assertEqual(have, want)
        self.assertEqual({row[5] for row in have} - {"open"}, {"cleared by itself", "ended in alarm", "unannounced"})
        print(f"episodes equal to the truth: {len(have)}", file=sys.stderr)

    # what the reporter says

    def test_the_ranking_finds_the_fans_on_their_way(self):
        ranking = self.reporter_json("rank", "--horizon", "30")
        truth = rows_of(self.dir / "fleet/truth/fans.csv")
        soon = {row["drive"] for row in truth if row["days_to_warning"] and float(row["days_to_warning"]) <= 30}
        late = {row["drive"] for row in truth} - {row["drive"] for row in truth if row["days_to_warning"]}
        probability = {row["drive"]: row["probability"] for row in ranking["drives"]}
        pairs = [(probability[a] > probability[b]) + 0.5 * (probability[a] == probability[b])
                 for a in soon & probability.keys() for b in late & probability.keys()]
        self.assertGreaterEqual(len(soon), 4)
        self.assertGreater(sum(pairs) / len(pairs), 0.9)
        print(f"area under the curve at 30 days: {sum(pairs) / len(pairs):.3f} ({len(soon)} drives on their way)", file=sys.stderr)
        costs = [row["expected_cost"] for row in ranking["drives"] if row["expected_cost"] is not None]
        self.assertEqual(costs, sorted(costs, reverse=True))
        for row in ranking["drives"]:
            self.assertTrue(0 <= row["probability"] <= 1)
            low, high = row["probability_interval"]
            self.assertTrue(low <= row["probability"] <= high, row)
            self.assertTrue(row["reasons"], row["drive"])

    def test_the_track_record_replays_the_past(self):
        record = self.reporter_json("track-record")
        replayed = {row["days"]: row for row in record["replayed"]["horizons"]}
        self.assertEqual((record["replayed"]["by"], record["stored"]), ("date", False))
        self.assertGreater(replayed[30]["forecasts"], 2000)
        self.assertGreater(replayed[30]["faults"], 20)
        methods = replayed[30]["methods"]
        self.assertGreater(methods["combined"]["skill"], methods["age only"]["skill"])
        self.assertGreater(methods["combined"]["area"], 0.6)
        print(f"Brier skill at 30 days in the replay: {methods['combined']['skill']:.3f}", file=sys.stderr)

    def test_every_drive_is_ranked_or_unknown_with_a_reason(self):
        ranking = self.reporter_json("rank")
        named = [row["drive"] for row in ranking["drives"]] + [row["drive"] for row in ranking["unknown"]]
        drives = [row[0] for row in self.sql("SELECT drive FROM vaneward.drive")]
        self.assertEqual(sorted(named), sorted(drives))
        self.assertTrue(all(row["why"] for row in ranking["unknown"]))

    def test_demand_of_the_fleet_is_that_of_its_sites(self):
        items = self.reporter_json("demand", "--horizon", "90")["items"]
        by_part = {}
        for item in items:
            by_part.setdefault(item["part"], {})[item["site"]] = item["mean"]
        self.assertTrue(by_part)
        for part, means in by_part.items():
            fleet = means.pop(None)
            self.assertAlmostEqual(fleet, sum(means.values()), places=6, msg=part)

    def test_orders_are_whole_steps_and_raise_the_service(self):
        lines = self.reporter_json("stock")["lines"]
        parts = {row["part"]: row for row in rows_of(self.dir / "fleet/register/parts.csv")}
        ordered = [line for line in lines if line["order"] > 0]
        self.assertTrue(ordered)
        for line in ordered:
            self.assertEqual(line["order"] % int(parts[line["part"]]["order_multiple"] or 1), 0, line)
            self.assertGreater(line["service_with"], line["service_without"])
            self.assertTrue(line["why"])

    def test_same_data_and_as_of_give_the_same_bytes(self):
        for args in (("rank",), ("demand",), ("stock",)):
            self.assertEqual(self.reporter_json(*args), self.reporter_json(*args))
        digests = []
        for attempt in ("a", "b"):
            out = self.dir / f"same-{attempt}"
            out.mkdir()
            for pack in ("site", "procurement", "fleet"):
                self.run_program("reporter", "pack", pack, "--out", str(out), "--as-of", self.as_of())
            digests.append({path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in out.glob("*.pdf")})
        self.assertEqual(digests[0], digests[1])
        self.assertEqual(len(digests[0]), 5)

    def test_nothing_is_known_before_it_was_received(self):
        early = json.loads(self.run_program("reporter", "rank", "--json", "--as-of", stamp(END)))
        self.assertFalse(any(fan["rpm"] for drive in early["drives"] for fan in drive["fans"]))

    # the packs, read back

    def packs(self):
        out = self.dir / "packs"
        if not out.exists():
            out.mkdir()
            started = time.monotonic()
            for pack in ("site", "procurement", "fleet"):
                self.run_program("reporter", "pack", pack, "--out", str(out), "--as-of", self.as_of())
            seconds = time.monotonic() - started
            pages = sum(self.page_count(path) for path in out.glob("*.pdf"))
            print(f"{pages} pages in {seconds:.2f} s, reading the fleet three times included", file=sys.stderr)
        return sorted(out.glob("*.pdf"))

    @staticmethod
    def tool(*args):
        return subprocess.run([str(a) for a in args], capture_output=True, text=True, check=True).stdout

    def page_count(self, path):
        return int(re.search(r"Pages:\s+(\d+)", self.tool("pdfinfo", path)).group(1))

    def test_packs_are_sound_pdfs_with_embedded_fonts(self):
        self.assertEqual(len(self.packs()), 5)
        for path in self.packs():
            self.tool("qpdf", "--check", path)
            fonts = self.tool("pdffonts", path).splitlines()[2:]
            self.assertTrue(fonts)
            for line in fonts:
                self.assertRegex(line, r"\byes yes yes\b", f"{path.name}: {line}")

    def test_every_page_says_which_of_how_many_and_as_of_when(self):
        for path in self.packs():
            total = self.page_count(path)
            for page, text in enumerate(self.tool("pdftotext", "-layout", path, "-").split("\f")[:total], 1):
                self.assertRegex(text, rf"[Pp]age {page} of {total}\b", f"{path.name} page {page}")
                self.assertIn("ata as of", text, f"{path.name} page {page}")

    def test_paper_is_the_sites_own(self):
        paper = {row["site"]: row["paper"] for row in rows_of(self.dir / "fleet/register/sites.csv")}
        self.assertIn("Letter", paper.values())
        found = set()
        for path in self.packs():
            for site in paper:
                if path.name.lower().startswith(site.lower() + "_") or f"_{site.lower()}_" in path.name.lower():
                    size = "612 x 792" if paper[site] == "Letter" else "595"
                    self.assertIn(size, re.search(r"Page size:.*", self.tool("pdfinfo", path)).group(0))
                    found.add(site)
        self.assertEqual(found, set(paper))

    def test_each_drive_to_work_on_has_a_job_sheet(self):
        ranking = self.reporter_json("rank", "--horizon", "30")
        text = {path: self.tool("pdftotext", "-layout", path, "-") for path in self.packs()}
        whole = "\n".join(text.values())
        act = [row for row in ranking["drives"] if row["action"] in ("Do now", "This week")]
        self.assertTrue(act)
        labels = {row["drive"]: row["waiting_time_min"] for row in rows_of(self.dir / "fleet/register/drives.csv")}
        for row in act:
            sheets = [page for page in whole.split("\f") if re.search(rf"[Jj]ob \S*-{row['drive']}-", page)]
            self.assertEqual(len(sheets), 1, row["drive"])
            for caution in ("(?i)lock", "measure before touching", "home position", "hand|hold|held"):
                self.assertRegex(sheets[0], caution)
            if labels[row["drive"]]:
                self.assertRegex(sheets[0], rf"wait {labels[row['drive']]} min")
                self.assertNotIn("NOT RELEASED", sheets[0])
            else:
                self.assertIn("NOT RELEASED", sheets[0])

    def test_bookmarks_lead_to_the_drives(self):
        for path in self.packs():
            outline = self.tool("qpdf", "--json", "--json-key=outlines", path)
            self.assertTrue(json.loads(outline)["outlines"], path.name)

    # the file forms, for a person without machines

    def test_life_reads_a_file_of_lifetimes(self):
        """70 diesel generator fans, 12 failures: Nelson 1969, as in R's survival::genfan; survreg gives these figures."""
        out = json.loads(self.run_program("reporter", "life", "--json", "--lifetimes", str(ROOT / "tests/data/life/genfan_lifetimes.csv")))
        group = out["groups"][0]
        self.assertEqual((group["n"], group["failures"]), (70, 12))
        self.assertAlmostEqual(group["shape"] / 1.05844585015, 1, delta=1e-6)
        self.assertAlmostEqual(group["scale"] / 26296.8451672, 1, delta=1e-6)
        self.assertAlmostEqual(group["log_likelihood"], -135.15271994336, delta=1e-6)

    def test_demand_reads_a_file_of_history(self):
        """Lubricant demand, 36 months: Hyndman & Athanasopoulos, Forecasting 2nd edition, 12.2."""
        quantity = [0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0]
        path = self.dir / "lubricant.csv"
        path.write_text("part,period,quantity\n" + "".join(f"L-1,{n + 1},{q}\n" for n, q in enumerate(quantity)))
        part = json.loads(self.run_program("reporter", "demand", "--json", "--history", str(path)))["parts"][0]
        self.assertEqual(part["class"], "lumpy")
        self.assertAlmostEqual(part["methods"]["croston"]["rate"], 0.98459652135777, delta=1e-9)
        self.assertAlmostEqual(part["methods"]["sba"]["rate"], 0.93536669529, delta=1e-9)

    # what goes wrong

    def test_a_register_with_mistakes_stores_nothing_and_lists_all(self):
        before = self.sql("SELECT count(*), sum(length(site || coalesce(name, ''))) FROM vaneward.site")
        folder = self.dir / "wrong"
        folder.mkdir()
        (folder / "sites.csv").write_text("site,name,time_zone,paper\nnew,New works,Europe/Nowhere,A4\nnewer,Newer works,UTC,A5\n")
        (folder / "machines.csv").write_text("machine,site,stop_hours\nm-1,new,two\n")
        text = self.run_program("collector", "register", str(folder), status=65)
        self.assertRegex(text, r"sites\.csv:2:\d+: .*Europe/Nowhere")
        self.assertRegex(text, r"sites\.csv:3:\d+: .*A5")
        self.assertRegex(text, r"machines\.csv:2:\d+: .*two")
        self.assertEqual(self.sql("SELECT count(*), sum(length(site || coalesce(name, ''))) FROM vaneward.site"), before)

    def test_exit_statuses(self):
        self.run_program("reporter", "rank", "--no-such-option", status=64)
        self.run_program("reporter", "rank", "--site", "nowhere", status=64)
        self.run_program("reporter", "rank", "--db", "host=/nowhere", status=69)
        self.run_program("reporter", "pack", "fleet", "--out", "/proc/nowhere", status=73)
        empty = dict(self.env, PGDATABASE="postgres")
        self.assertEqual(subprocess.run([BIN / "vaneward-reporter", "rank"], env=empty, capture_output=True).returncode, 78)


if __name__ == "__main__":
    unittest.main(verbosity=2)
