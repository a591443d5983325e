"""The JSON Schema of the readings feed says the same as the decoder: it takes every example of the page and every case that
the decoder takes whole, and refuses what the decoder refuses or sets aside.
"""
import json
import pathlib
import re
import sys

try:
    import jsonschema
except ImportError:
    print("skipped: python3-jsonschema is not installed")
    sys.exit(77)

ROOT = pathlib.Path(__file__).resolve().parents[2]
CASES = ROOT / "tests/data/feed"
# What a schema of the parsed document cannot see: how it was written, and that numbers come twice.
BEYOND = {"refused-member-twice", "refused-number-too-large", "refused-twenty-digits", "refused-nan", "repeated-sequence",
          "refused-lone-surrogate", "refused-nul", "probe-refused-error"}


def documents():
    page = (ROOT / "collector/feed.md").read_text(encoding="utf-8")
    examples = re.findall(r"```json\n(.*?)```", page, re.DOTALL)
    assert len(examples) >= 3, "the page has lost its examples"
    for n, text in enumerate(examples):
        yield f"example {n + 1} of feed.md", text.encode(), True
    for case in sorted(CASES.iterdir()):
        outcome = (case / "expected").read_text(encoding="utf-8")
        good = "\nrefused " not in outcome and not outcome.startswith("refused")
        if case.name not in BEYOND:
            yield case.name, (case / "input.json").read_bytes(), good


def main():
    schema = json.loads((ROOT / "collector/feed.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    wrong, counted = [], {True: 0, False: 0}
    for name, data, good in documents():
        try:
            document = json.loads(data.decode("utf-8"))
        except (ValueError, RecursionError):
            assert not good, f"{name}: not JSON, but the decoder takes it"
            continue
        why = [e.message[:200] for e in validator.iter_errors(document)]
        counted[good] += 1
        if good and why:
            wrong.append(f"{name}: the schema refuses what the decoder takes: {why[0]}")
        if not good and not why:
            wrong.append(f"{name}: the schema takes what the decoder does not")
    for line in wrong:
        print("FAILED:", line)
    print(f"{counted[True]} good and {counted[False]} bad documents, {len(wrong)} wrong")
    assert counted[True] >= 10 and counted[False] >= 10, counted
    return 1 if wrong else 0


sys.exit(main())
