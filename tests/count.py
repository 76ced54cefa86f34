"""Print how many tests passed and failed in a Meson test log (JSON lines): Criterion binaries by their own count, others
as one each. A failing binary counts at least one failure, and one that ran no test is a failure."""
import json
import re
import sys

passed = failed = 0
for line in open(sys.argv[1], encoding="utf-8"):
    test = json.loads(line)
    text = (test.get("stdout") or "") + (test.get("stderr") or "")
    found = re.search(r"Tested: .*?(\d+).*?Passing: .*?(\d+).*?Failing: .*?(\d+).*?Crashing: .*?(\d+)",
                      re.sub(r"\x1b\[[0-9;]*m", "", text))
    good = test["result"] in ("OK", "EXPECTEDFAIL")
    if found is None:
        passed += good
        failed += not good
        continue
    tested, passing, failing, crashing = map(int, found.groups())
    passed += passing
    bad = failing + crashing
    if bad == 0 and (not good or tested == 0):
        bad = 1
    failed += bad
print(passed, failed)
