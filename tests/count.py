"""Print how many tests passed and failed in a Meson test log (JSON lines): Criterion binaries by their own count, others
as one each. A failing binary counts at least one failure; one that ran no test is a failure, and so is one that Meson was
asked to run and that is not in the log. A skipped test is named on standard error and counts as neither.

    python3 tests/count.py TESTLOG.json HOW_MANY_WERE_ASKED_FOR
"""
import json
import re
import sys

# A crash counts among the failing ones too.
SYNTHESIS = re.compile(r"Tested: (\d+) \| Passing: (\d+) \| Failing: (\d+) \| Crashing: \d+")
COLOUR = re.compile(r"\x1b\[[0-9;]*m")


def count(test):
    """(passed, failed) of one entry of the log."""
    text = COLOUR.sub("", (test.get("stdout") or "") + (test.get("stderr") or ""))
    found = SYNTHESIS.findall(text)
    good = test["result"] in ("OK", "EXPECTEDFAIL")
    if test["result"] == "SKIP":
        print(f"skipped {test['name']}", file=sys.stderr)
        return 0, 0
    if not found:
        return int(good), int(not good)
    tested, passing, failing = map(int, found[-1])
    if failing == 0 and (not good or tested == 0):
        failing = 1
    return passing, failing


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        tests = [json.loads(line) for line in file]
    passed = failed = 0
    for test in tests:
        more_passed, more_failed = count(test)
        if more_failed:
            print(f"FAILED {test['name']}", file=sys.stderr)
        passed += more_passed
        failed += more_failed
    failed += max(0, int(sys.argv[2]) - len(tests))
    print(passed, failed)


if __name__ == "__main__":
    main()
