#!/usr/bin/env python3
"""How good the forecasts are on simulated fleets, beside plain rules and an oracle that knows all laws but no future.

Each seed goes the way that a plant's data go: the simulated sources over HTTP, the collector, PostgreSQL, the reporter.
`track-record --forecasts` then gives each forecast of the replay, made from what was dated before it, by methods fitted
to what had come by then; what came is the fleet's truth. Forecasts whose end nobody saw (a fan was replaced before) are
weighted for as in the reporter. The sums are worked out here anew, over all seeds.
Usage: bench_forecast [--quick|--full] [--table README.md]; BENCH_SEEDS=1,2,3 chooses seeds, BENCH_JOBS how many at a time.
"""
import collections
import concurrent.futures
import csv
import datetime
import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile
import urllib.request

BIN = pathlib.Path(__file__).resolve().parent
ROOT = next(p for p in map(pathlib.Path, (os.environ.get("VANEWARD_ROOT", ""), *pathlib.Path(__file__).resolve().parents))
            if (p / "deploy/private-postgres.sh").exists())
DAYS = 500
HORIZONS = (7, 30, 90)
METHODS = ("sum of witnesses", "combined", "age only", "speed only", "warnings only")
RIVALS = METHODS[2:]
ALL = METHODS + ("oracle",)
BEGIN, END_MARK = "<!-- forecast table begins -->", "<!-- forecast table ends -->"
TOP = 0.05


def stamp(moment):
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


class Case:
    __slots__ = ("p", "came", "weight", "cluster", "date")

    def __init__(self, p, came, weight, cluster, date):
        self.p, self.came, self.weight, self.cluster, self.date = p, came, weight, cluster, date


def program(name, *args, env):
    done = subprocess.run([BIN / name, *args], env=env, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"bench: {name} {' '.join(map(str, args))}: status {done.returncode}\n{done.stderr[-2000:]}")
    return done.stdout


def one_seed(seed, folder, env):
    """Rows of the replay of one fleet, with the oracle's word beside them."""
    end = datetime.datetime.now(datetime.timezone.utc).replace(minute=0, second=0, microsecond=0)
    end = end.replace(hour=0)
    as_of = end + datetime.timedelta(days=1)  # data that are read in the next minutes are known by then
    database = f"seed{seed}"
    subprocess.run(["createdb", database], env=env, check=True)
    env = dict(env, PGDATABASE=database)
    out = folder / database
    fleet = subprocess.Popen([BIN / "fleet-simulator", "serve", "--out", out, "--seed", str(seed), "--days", str(DAYS), "--end",
                              stamp(end), "--until", stamp(end - datetime.timedelta(days=30)), "--oracle", stamp(as_of)],
                             stdout=subprocess.PIPE, text=True)
    try:
        url = fleet.stdout.readline().split()[1]
        program("vaneward-collector", "prepare", env=env)
        program("vaneward-collector", "register", str(out / "register"), env=env)
        program("vaneward-collector", "run", "--catch-up", env=env)
        urllib.request.urlopen(urllib.request.Request(f"{url}/control/advance?to=end", method="POST")).read()
        program("vaneward-collector", "run", "--catch-up", env=env)
    finally:
        fleet.terminate()
        fleet.wait()
        fleet.stdout.close()
    rows = list(csv.DictReader(program("vaneward-reporter", "track-record", "--forecasts", "--as-of", stamp(as_of),
                                       env=env).splitlines()))
    with open(out / "truth/oracle.csv", newline="", encoding="utf-8") as file:
        oracle = {(row["date"][:10], row["drive"]): row for row in csv.DictReader(file)}
    for row in rows:
        days = row["horizon_days"]
        if int(days) in HORIZONS:
            row["oracle"] = oracle[row["date"][:10], row["drive"]][f"within_{days}"]
    subprocess.run(["dropdb", database], env=dict(env, PGDATABASE="postgres"), check=True)
    return seed, rows


def cases_of(rows, horizon, method):
    for seed, row in rows:
        if int(row["horizon_days"]) == horizon and float(row["weight"]) > 0:
            came = row["outcome"] == "fault" and float(row["days"]) <= horizon
            yield Case(float(row[method]), came, float(row["weight"]), (seed, row["drive"]), (seed, row["date"]))


def skill(cases):
    weight = sum(c.weight for c in cases)
    share = sum(c.weight for c in cases if c.came) / weight
    brier = sum(c.weight * (c.p - c.came) ** 2 for c in cases) / weight
    return 1 - brier / (share * (1 - share))


def area(cases):
    groups = collections.defaultdict(lambda: [0.0, 0.0])
    for c in cases:
        groups[c.p][c.came] += c.weight
    below = won = happened = 0.0
    for p in sorted(groups):
        quiet, came = groups[p]
        won += came * (below + quiet / 2)
        below += quiet
        happened += came
    return won / (below * happened)


def precision(cases):
    """Share with a fault among the top of each date; of those tied at the border, their mean."""
    dates = collections.defaultdict(list)
    for c in cases:
        dates[c.date].append(c)
    hits = taken = 0.0
    for group in dates.values():
        k = max(1, round(TOP * len(group)))
        border = sorted((c.p for c in group), reverse=True)[k - 1]
        above = [c for c in group if c.p > border]
        tied = [c for c in group if c.p == border]
        hits += sum(c.came for c in above) + (k - len(above)) * sum(c.came for c in tied) / len(tied)
        taken += k
    return hits / taken


def tenths(cases):
    """Per tenth: count, mean forecast, share that came, 95 % sampling error with drives as clusters."""
    bins = collections.defaultdict(list)
    for c in cases:
        bins[min(9, int(c.p * 10))].append(c)
    for k in sorted(bins):
        group = bins[k]
        weight = sum(c.weight for c in group)
        misses = collections.defaultdict(float)
        for c in group:
            misses[c.cluster] += c.weight * (c.came - c.p)
        variance = max(sum(c.weight ** 2 * c.p * (1 - c.p) for c in group), sum(m * m for m in misses.values()))
        yield (k, len(group), sum(c.weight * c.p for c in group) / weight, sum(c.weight for c in group if c.came) / weight,
               1.96 * math.sqrt(variance) / weight)


def tell(size, what, figure, unit, aim=None, target=None, limit=None):
    line = {"bench": f"forecast.{what}", "size": size, "unit": unit, "figure": figure}
    judged = figure
    if limit:
        judged = figure / limit[1]
        line.update(limit=limit[0], limit_figure=limit[1], ratio=judged)
    if aim:
        line.update(aim=aim, target=target, met=judged >= target if aim == "at least" else judged <= target)
    print(f"forecast.{what}: {figure:.3f} {unit}" + (f"; {limit[0]}: {limit[1]:.3f}; ratio {judged:.2f}" if limit else "")
          + (f"; target {aim} {target}: {'met' if line['met'] else 'MISSED'}" if aim else ""))
    print(json.dumps(line))


def table_of(rows, seeds):
    lines = [f"{DAYS} days of history, seeds {', '.join(map(str, seeds))}; measured {datetime.date.today()}.", "",
             "| days | method | Brier skill | area under the curve | with a fault, of the top 5 % |", "| --- | --- | --- | --- | --- |"]
    for horizon in HORIZONS:
        for method in ALL:
            cases = list(cases_of(rows, horizon, method))
            lines.append(f"| {horizon} | {method} | {skill(cases):.3f} | {area(cases):.3f} | {100 * precision(cases):.1f} % |")
    lines += ["", "| said by `combined` for 30 days | forecasts | mean | came | sampling error |", "| --- | --- | --- | --- | --- |"]
    for k, count, mean, came, error in tenths(list(cases_of(rows, 30, "combined"))):
        mark = "" if abs(came - mean) <= error else " **outside**"
        lines.append(f"| {10 * k} to {10 * k + 10} % | {count} | {100 * mean:.1f} % | {100 * came:.1f} % | +- {100 * error:.1f} %{mark} |")
    return lines


def judge(rows, size):
    cases = {method: list(cases_of(rows, 30, method)) for method in ALL}
    best = max(RIVALS, key=lambda m: skill(cases[m]))
    ours, rival, oracle = (skill(cases[m]) for m in ("combined", best, "oracle"))
    tell(size, "skill_above_rivals", ours - rival, f"of Brier skill at 30 days more than '{best}' ({rival:.3f})", "at least", 0.15)
    tell(size, "skill", ours, "Brier skill at 30 days", "at least", 0.9, ("oracle", oracle))
    tops = {m: precision(cases[m]) for m in ALL}
    top = max(RIVALS, key=tops.get)
    tell(size, "top", tops["combined"], "with a fault, of the top 5 %", "at least", 1.5, (f"'{top}'", tops[top]))
    tell(size, "top_oracle", tops["combined"], "with a fault, of the top 5 %", "at least", 0.9, ("oracle", tops["oracle"]))
    tell(size, "area", area(cases["combined"]), "area under the curve at 30 days", "at least", 0.9, ("oracle", area(cases["oracle"])))
    outside = sum(abs(came - mean) > error for _, _, mean, came, error in tenths(cases["combined"]))
    tell(size, "tenths_outside", outside, "tenths outside their sampling error", "at most", 0)


def write_table(file, lines):
    text = pathlib.Path(file).read_text(encoding="utf-8")
    before, after = text.split(BEGIN, 1)[0], text.split(END_MARK, 1)[1]
    pathlib.Path(file).write_text(before + BEGIN + "\n" + "\n".join(lines) + "\n" + END_MARK + after, encoding="utf-8")


def main():
    full = "--full" in sys.argv
    seeds = [int(s) for s in os.environ.get("BENCH_SEEDS", "").split(",") if s] or list(range(101, 121 if full else 104))
    with tempfile.TemporaryDirectory(prefix="vaneward-forecast-") as name:
        folder = pathlib.Path(name)
        os.chmod(folder, 0o755)
        server = str(ROOT / "deploy/private-postgres.sh")
        out = subprocess.run([server, "start", str(folder / "postgres")], check=True, capture_output=True, text=True).stdout
        env = dict(os.environ, LC_ALL="C.UTF-8", TZ="UTC", **dict(pair.split("=", 1) for pair in out.split()))
        rows = []
        try:
            with concurrent.futures.ThreadPoolExecutor(int(os.environ.get("BENCH_JOBS", "1"))) as pool:
                for seed, some in pool.map(lambda seed: one_seed(seed, folder, env), seeds):
                    rows += [(seed, row) for row in some]
                    print(f"seed {seed}: {len(some)} forecasts", flush=True)
        finally:
            subprocess.run([server, "remove", str(folder / "postgres")], check=True)
    if os.environ.get("BENCH_KEEP"):
        with open(os.environ["BENCH_KEEP"], "w", encoding="utf-8") as file:
            json.dump(rows, file)
    lines = table_of(rows, seeds)
    print("\n".join(lines))
    judge(rows, "full" if full else "quick")
    if "--table" in sys.argv:
        write_table(sys.argv[sys.argv.index("--table") + 1], lines)


if __name__ == "__main__":
    main()
