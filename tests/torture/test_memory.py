"""Every allocation fails once, and for ever from there on: no death by a signal, no hang, nothing lost or stored twice.

A sample by default; VANEWARD_LONG=1 takes every allocation. Crashes inside libraries that are known not to bear it
(libharu, libpq) are counted and printed apart; a crash in the programs' own code fails.
Usage: test_memory.py BIN_FOLDER PRELOAD_LIBRARY [SEED]
"""
import collections
import sys

import rig

SAMPLE = {"register": 12, "run": 20, "rank": 14, "pack": 14}
GROUP = 10  # runs between two comparisons with the ledger


class Loop:
    def __init__(self, r, library, dice):
        self.r, self.library, self.dice = r, library, dice
        self.wrong, self.in_libraries = [], collections.Counter()
        self.statuses = collections.Counter()
        self.points = 0

    def allocations(self, argv):
        counted = self.r.dir / "count"
        status, said, hung = self.r.disturbed(argv, LD_PRELOAD=self.library, TORTURE_COUNT=str(counted))
        assert status == 0 and not hung, f"{argv}: status {status} without any failure\n{said[-2000:]}"
        return int(counted.read_text())

    def fail_at(self, what, argv, at, for_ever):
        status, said, hung = self.r.disturbed(argv, LD_PRELOAD=self.library, TORTURE_AT=str(at), TORTURE_FOR_EVER=str(int(for_ever)))
        self.points += 1
        self.statuses[status] += 1
        if status in rig.SPOKEN and not hung:
            return status
        place = rig.place_of_death(said)
        if place and place.startswith(rig.KNOWN_TO_CRASH):
            self.in_libraries[f"{'hang' if hung else 'crash'} in {place} ({what})"] += 1
            return status
        self.wrong.append(f"{what}: allocation {at}{' and all after it' if for_ever else ''}: "
                          f"{'hang' if hung else 'status'} {status}\n{said[-1500:]}")
        return status

    def points_of(self, what, total):
        every = [(at, for_ever) for at in range(1, total + 1) for for_ever in (False, True)]
        return every if rig.LONG else self.dice.sample(every, min(SAMPLE[what], len(every)))


def torture_register(loop):
    r = loop.r
    argv = r.argv("collector", "register", r.dir / "fleet/register")
    total = loop.allocations(argv)
    whole = r.sql("SELECT (SELECT count(*) FROM vaneward.site), (SELECT count(*) FROM vaneward.binding)")
    for at, for_ever in loop.points_of("register", total):
        r.forget_register()
        status = loop.fail_at("register", argv, at, for_ever)
        have = r.sql("SELECT (SELECT count(*) FROM vaneward.site), (SELECT count(*) FROM vaneward.binding)")
        if have not in (whole, [["0", "0"]]) or (status == 0 and have != whole):
            loop.wrong.append(f"register: allocation {at}: stored in part: {have} of {whole}, status {status}")
    r.restore()


def torture_run(loop):
    r = loop.r
    argv = r.argv("collector", "run", "--once")
    total = loop.allocations(argv)
    points = loop.points_of("run", total)
    for begin in range(0, len(points), GROUP):
        r.restore()
        for at, for_ever in points[begin:begin + GROUP]:
            loop.fail_at("run", argv, at, for_ever)
        r.catch_up()
        try:
            r.check_against_ledger()
        except AssertionError as e:
            loop.wrong.append(f"run: after {points[begin:begin + GROUP]}: {e}")


def torture_reports(loop):
    r = loop.r
    argv = r.argv("reporter", "rank", "--json")
    for at, for_ever in loop.points_of("rank", loop.allocations(argv)):
        loop.fail_at("rank", argv, at, for_ever)
    out = r.dir / "packs"
    argv = r.argv("reporter", "pack", "site", "--out", out)
    for at, for_ever in loop.points_of("pack", loop.allocations(argv)):
        for old in out.glob("**/*.pdf"):
            old.unlink()
        status = loop.fail_at("pack", argv, at, for_ever)
        for pack in out.glob("**/*.pdf"):
            if not pack.read_bytes().rstrip().endswith(b"%%EOF"):
                loop.wrong.append(f"pack: allocation {at}: '{pack.name}' is cut short, status {status}")


def main():
    bin_folder, library = sys.argv[1:3]
    dice = rig.seed_of(sys.argv[3] if len(sys.argv) > 3 else None)
    with rig.Rig(bin_folder, ["--seed", "5", *rig.fleet_times()]) as r:
        r.read_first_part()
        loop = Loop(r, library, dice)
        torture_register(loop)
        torture_run(loop)
        torture_reports(loop)
    for place, n in sorted(loop.in_libraries.items()):
        print(f"known: {n} times {place}")
    for text in loop.wrong:
        print("FAILED:", text)
    print(f"{loop.points} failed allocations; statuses {dict(sorted(loop.statuses.items()))}; {len(loop.wrong)} wrong")
    return 1 if loop.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
