"""System calls fail (no descriptor, no space, a reset connection, an interruption): no death by a signal, no hang, nothing
lost or stored twice, no half a file under its final name.

strace lets the N-th call of a kind fail. A sample by default; VANEWARD_LONG=1 takes many more. Skipped without strace or
where tracing is not allowed.
Usage: test_calls.py BIN_FOLDER [SEED]
"""
import collections
import re
import shutil
import subprocess
import sys

import rig

ERRORS = {
    "openat": ["EMFILE", "EIO", "ENOSPC"],
    "read": ["EIO", "EINTR"],
    "write": ["ENOSPC", "EIO", "EINTR"],
    "fsync": ["EIO", "ENOSPC"],
    "fdatasync": ["EIO"],
    "rename": ["EIO", "ENOSPC"],
    "unlink": ["EIO"],
    "socket": ["EMFILE"],
    "connect": ["ECONNRESET", "EINTR"],
    "sendto": ["ECONNRESET", "EINTR"],
    "recvfrom": ["ECONNRESET", "EIO", "EINTR"],
}
# A sending that fails on a link that lives leaves both sides waiting, until the deadline of 30 s of a database call.
DEADLINE_S = {("sendto", "ECONNRESET"): 40}
RUNS = 200 if rig.LONG else 14
PACKS = 80 if rig.LONG else 8
GROUP = 7


def calls_of(r, argv):
    """How often each kind of call comes in an undisturbed run."""
    trace = r.dir / "trace"
    status, said, hung = r.disturbed(["strace", "-f", "-qq", "-e", "signal=none", "-e", "trace=" + ",".join(ERRORS), "-o", str(trace), *argv])
    assert status == 0 and not hung, f"{argv}: status {status} without any failure\n{said[-2000:]}"
    names = re.findall(r"^\d+ +(\w+)\(", trace.read_text(errors="replace"), re.MULTILINE)
    return collections.Counter(names)


def points_of(dice, counts, most):
    every = [(name, error, n) for name, total in counts.items() for error in ERRORS[name] for n in range(1, total + 1)]
    # By kinds first, or the many reads would leave no room for the one rename.
    kinds = sorted({(name, error) for name, error, _ in every})
    chosen = [dice.choice([p for p in every if p[:2] == kind]) for kind in (dice.sample(kinds, min(most, len(kinds))))]
    rest = [p for p in every if p not in chosen]
    return chosen + dice.sample(rest, min(most - len(chosen), len(rest)))


class Loop:
    def __init__(self, r):
        self.r, self.wrong, self.statuses = r, [], collections.Counter()

    def fail(self, what, argv, point):
        name, error, n = point
        status, said, hung = self.r.disturbed(
            ["strace", "-f", "-qq", "-e", "signal=none", "-e", f"trace={name}", "-e", f"inject={name}:error={error}:when={n}", "-o", "/dev/null", *argv],
            patience=DEADLINE_S.get((name, error), rig.HANG_S))
        self.statuses[status] += 1
        loader = status == 127 and "error while loading shared libraries" in said  # before main
        if hung or not (status in rig.SPOKEN or loader):
            self.wrong.append(f"{what}: {error} at {name} {n}: {'hang' if hung else 'status'} {status}\n{said[-1500:]}")
        return status


def disturb_runs(loop, dice):
    r = loop.r
    argv = r.argv("collector", "run", "--once")
    points = points_of(dice, calls_of(r, argv), RUNS)
    for begin in range(0, len(points), GROUP):
        r.restore()
        for point in points[begin:begin + GROUP]:
            loop.fail("run", argv, point)
        r.catch_up()
        try:
            r.check_against_ledger()
        except AssertionError as e:
            loop.wrong.append(f"run: after {points[begin:begin + GROUP]}: {e}")


def disturb_packs(loop, dice):
    r = loop.r
    out = r.dir / "packs"
    argv = r.argv("reporter", "pack", "site", "--out", out)
    for point in points_of(dice, calls_of(r, argv), PACKS):
        for old in out.glob("**/*.pdf"):
            old.unlink()
        status = loop.fail("pack", argv, point)
        for pack in out.glob("**/*.pdf"):
            if not pack.read_bytes().rstrip().endswith(b"%%EOF"):
                loop.wrong.append(f"pack: {point}: '{pack.name}' is cut short, status {status}")


def main():
    if not shutil.which("strace"):
        rig.skip("strace is not installed")
    if subprocess.run(["strace", "-o", "/dev/null", "-e", "inject=fsync:error=EIO:when=1", "true"], capture_output=True).returncode:
        rig.skip("tracing is not allowed here")
    dice = rig.seed_of(sys.argv[2] if len(sys.argv) > 2 else None)
    with rig.Rig(sys.argv[1], ["--seed", "5", *rig.fleet_times()]) as r:
        r.read_first_part()
        loop = Loop(r)
        disturb_runs(loop, dice)
        disturb_packs(loop, dice)
    for text in loop.wrong:
        print("FAILED:", text)
    print(f"{sum(loop.statuses.values())} failed calls; statuses {dict(sorted(loop.statuses.items()))}; {len(loop.wrong)} wrong")
    return 1 if loop.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
