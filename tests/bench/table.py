#!/usr/bin/env python3
"""The lines of JSON of the benchmarks (standard input) as a table, with the machine and the date.

--write FILE: the table takes the place of what stands between the two marks in FILE; rows of benchmarks that did not
run this time stay as they are.
"""
import argparse
import datetime
import json
import os
import platform
import sys

BEGIN, END = "<!-- table begins -->", "<!-- table ends -->"
HEAD = "| what | figure | limit in the same run | ratio | target | | measured |\n| --- | --- | --- | --- | --- | --- | --- |\n"


def number(value):
    if value is None:
        return ""
    if abs(value) >= 10000:
        return f"{value:,.0f}"
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def row(line, when):
    figure = f"{number(line['figure'])} {line['unit']}"
    limit = f"{line['limit']}: {number(line['limit_figure'])}" if "limit" in line else ""
    target = f"{line['aim']} {line['target']:g}" if "aim" in line else ""
    met = {True: "met", False: "**missed**", None: ""}[line.get("met")]
    return f"| {line['bench']} | {figure} | {limit} | {number(line.get('ratio'))} | {target} | {met} | {when} |\n"


def processor():
    with open("/proc/cpuinfo", encoding="utf-8") as lines:
        for line in lines:
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.machine()


def machine():
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    load = os.getloadavg()[2]
    return (f"{os.cpu_count()} processors ({processor()}), {memory:.0f} GiB, Linux {platform.release()}; "
            f"load at the end {load:.1f}")


def rows_between_marks(text):
    part = text.split(BEGIN, 1)[1].split(END, 1)[0]
    rows = [line + "\n" for line in part.splitlines() if line.startswith("| ") and not line.startswith(("| what", "| ---"))]
    return {line.split("|")[1].strip(): line for line in rows}


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--write", metavar="FILE")
    file = options.parse_args().write
    today = datetime.date.today().isoformat()
    lines = [json.loads(line) for line in sys.stdin]
    fresh = {line["bench"]: row(line, f"{today}, {line['size']}") for line in lines}
    print(HEAD + "".join(fresh.values()) + f"\nMachine of {today}: {machine()}.")
    if file:
        with open(file, encoding="utf-8") as page:
            text = page.read()
        rows = rows_between_marks(text)
        rows.update(fresh)
        before, after = text.split(BEGIN, 1)[0], text.split(END, 1)[1]
        with open(file, "w", encoding="utf-8") as page:
            page.write(f"{before}{BEGIN}\n{HEAD}{''.join(rows.values())}\nMachine of {today}: {machine()}.\n{END}{after}")


if __name__ == "__main__":
    main()
