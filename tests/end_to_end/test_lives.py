#!/usr/bin/env python3
"""life --lifetimes on published data: no database, no machine. Usage: test_lives.py FOLDER_OF_PROGRAMS"""
import csv
import json
import pathlib
import subprocess
import sys
import tempfile
import unittest

BIN = pathlib.Path(sys.argv.pop(1))
DATA = pathlib.Path(__file__).resolve().parents[1] / "data/life"


def rows_of(name):
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


class Lives(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="lives-")
        self.addCleanup(folder.cleanup)
        self.file = pathlib.Path(folder.name) / "lives.csv"

    def life(self, head, rows, *options, status=0):
        self.file.write_text(head + "\n" + "".join(",".join(str(v) for v in row) + "\n" for row in rows), encoding="utf-8")
        done = subprocess.run([BIN / "vaneward-reporter", "life", *options, "--lifetimes", self.file], capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, status, done.stderr)
        return json.loads(done.stdout) if "--json" in options else done.stdout + done.stderr

    def near(self, got, want, relative):
        self.assertLessEqual(abs(got / want - 1), relative, f"{got} is not {want}")

    def test_motors_by_temperature(self):
        """Nelson & Hahn's 40 motors; R 4.2.2, survreg(Surv(time, cens) ~ temp)."""
        rows = [(0, r["time"], r["cens"], r["temp"]) for r in rows_of("motors.csv")]
        fit = self.life("entry,exit,event,temperature_c", rows, "--json")["covariates"]
        self.near(fit["intercept"], 16.318519382, 1e-9)
        self.near(fit["effects"][0]["effect"], -0.0453070534788, 1e-9)
        self.near(fit["effects"][0]["se"], 0.003185821061, 1e-5)
        self.near(fit["shape"], 1 / 0.334325271129, 1e-9)
        self.near(fit["log_likelihood"], -147.365061177, 1e-9)
        self.assertIn("temperature_c", self.life("entry,exit,event,temperature_c", rows))

    def test_leukaemia_in_two_groups(self):
        """Miller 1981; survival at the age by which half failed: R 4.2.2, survfit."""
        rows = [(0, r["time"], r["status"], r["x"]) for r in rows_of("aml.csv")]
        groups = self.life("entry,exit,event,group", rows, "--json")["groups"]
        self.assertEqual([g["group"] for g in groups], ["Maintained", "Nonmaintained"])
        self.assertEqual([(g["n"], g["failures"]) for g in groups], [(11, 7), (12, 11)])
        self.assertEqual(groups[0]["seen"]["age"], 23)
        self.near(groups[0]["seen"]["survival"], 0.6136363636, 1e-9)
        self.near(groups[0]["seen"]["survival_ci"][0], 0.265752040001, 1e-9)
        for g in groups:
            self.near(g["goodness"]["cumulative_hazard"], g["failures"], 1e-7)
            self.assertTrue(0 < g["pooled"]["borrowed"] < 1)

    def test_bearing_cages_and_a_group_that_never_failed(self):
        """AFWAL-TR-83-2079: six of 1703 failed; R 4.2.2, survreg. A second group borrows from it."""
        rows = [(0, r["hours"], int(r["event"].lower().startswith("fail")), "cage")
                for r in rows_of("bearing_cage.csv") for _ in range(int(r["count"]))]
        rows += [(0, 1000, 0, "other")] * 20
        cage, other = self.life("entry,exit,event,group", rows, "--json")["groups"]
        self.near(cage["shape"], 2.0353186104, 1e-8)
        self.near(cage["scale"], 11792.1781692, 1e-8)
        self.near(cage["b10"], 3903.126669, 1e-8)
        self.assertEqual((other["method"], other["pooled"]["method"]), ("no failure", "pooled"))
        self.assertTrue(other["pooled"]["scale_ci"][0] < other["pooled"]["scale"] < other["pooled"]["scale_ci"][1])
        self.assertGreater(other["pooled"]["borrowed"], 0.3)

    def test_what_is_not_wear_is_kept_apart(self):
        """The generator fans with ten that were dirty: the fit of wear is that of fans removed unfailed."""
        fans = [(0, r["hours"], r["failed"], "worn" if r["failed"] == "1" else "") for r in rows_of("genfan.csv")]
        dirty = [(e, x, 1, "dirty") if n % 6 == 5 and f == "0" else (e, x, f, c) for n, (e, x, f, c) in enumerate(fans)]
        got = self.life("entry,exit,event,cause", dirty, "--json")
        self.near(got["groups"][0]["shape"], 1.05844585015, 1e-9)
        causes = {c["cause"]: c for c in got["causes"]}
        self.assertEqual(causes["worn"]["events"], 12)
        self.assertEqual(causes["dirty"]["events"], sum(c == "dirty" for *_, c in dirty))
        self.assertTrue(0 < causes["worn"]["share"] + causes["dirty"]["share"] < 1)

    def test_mistakes_are_named_by_their_place(self):
        said = self.life("entry,exit,event,temperature_c", [(0, 5, 1, "warm"), (0, 3, 2, 20)], status=65)
        self.assertRegex(said, r"lives\.csv:2:\d+: 'warm' is not a temperature")
        self.assertRegex(said, r"lives\.csv:3:\d+: event '2'")


if __name__ == "__main__":
    unittest.main()
