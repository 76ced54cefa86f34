#!/usr/bin/env bash
# Reports in a real browser: that of the demo, that of the full demo, one of hostile texts, one of a single feeder, one without
# figures. First every check must find what a spoiled page has.
#
#     tests/browser/check.sh NIPBENCH_ANALYZE DEMO_DIR FULL_DEMO_DIR FIGURES.json
#
# Installs Chromium, Java and pdftotext from Debian, and from npm, into build/browser-modules, what package-lock.json names;
# once there they need no network. Pictures and printed pages go to build/browser/NAME, to be looked at. Exit status: 0 good,
# 1 not, 2 wrong use, 5 could not set up.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
. "$top/rig/prepare.sh"
[ $# -eq 4 ] || die "NIPBENCH_ANALYZE DEMO_DIR FULL_DEMO_DIR FIGURES.json are needed" 2
analyze=$1 demo=$2 full=$3 figures=$4

install_missing chromium default-jre-headless poppler-utils fonts-liberation
modules=$top/build/browser-modules
install_modules "$here" "$modules" "what the browser's test needs"

reports=$top/build/browser-reports
python3 "$here/make_reports.py" "$analyze" "$demo/series" "$reports"
status=0
node "$here/check_report.mjs" --self-test || status=1
node "$here/check_report.mjs" "demo=$demo/report" "full-demo=$full/report" "hostile=$reports/hostile/report" \
    "single=$reports/single/report" "bare=$reports/bare/report" --out "$top/build/browser" --figures "$figures" || status=1
exit "$status"
