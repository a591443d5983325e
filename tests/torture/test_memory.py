"""Every allocation fails once, and for ever from there on: no death by a signal, no hang, nothing lost or stored twice.

A sample by default, the same each time unless a seed is named; VANEWARD_LONG=1 takes every allocation. Crashes inside
libraries that are known not to bear it (libharu, libpq: by the frame they died in) are counted and printed apart; any other
crash fails, and so does every hang.
Usage: test_memory.py BIN_FOLDER PRELOAD_LIBRARY [SEED]
"""
import collections
import sys

import rig

SAMPLE = {"register": 40, "run": 60, "rank": 60, "pack": 34}
COPY_POINTS = 4  # from the first COPY on: ours before the wait, then those that libpq needs to begin it
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

    def fail_at(self, what, argv, at, for_ever, **more):
        status, said, hung = self.r.disturbed(argv, LD_PRELOAD=self.library, TORTURE_AT=str(at), TORTURE_FOR_EVER=str(int(for_ever)), **more)
        self.points += 1
        self.statuses[status] += 1
        if status in rig.SPOKEN and not hung:
            return status
        library = None if hung else rig.library_of_death(said)
        if library:
            self.in_libraries[f"{library} ({what})"] += 1
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


def torture_copy(loop):
    """The server's leave to begin a COPY, which libpq leaves unread without memory: waited for once to the deadline."""
    argv = loop.r.argv("collector", "run", "--once")
    for at in range(1, COPY_POINTS + 1):
        for for_ever in (False, True):
            loop.r.restore()
            loop.fail_at("copy", argv, at, for_ever, TORTURE_FROM_COPY="1")


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
        torture_copy(loop)
        torture_reports(loop)
    for place, n in sorted(loop.in_libraries.items()):
        print(f"known: {n} times a crash in {place}")
    for text in loop.wrong:
        print("FAILED:", text)
    print(f"{loop.points} failed allocations; statuses {dict(sorted(loop.statuses.items()))}; {len(loop.wrong)} wrong")
    return 1 if loop.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
