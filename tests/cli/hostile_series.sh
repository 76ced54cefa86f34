#!/usr/bin/env bash
# Series folders that were edited, forged, or filled with text that means something to a terminal, a page, a shell or
# gnuplot: each is refused by one clear line, or its text comes out escaped; nothing runs, nothing is written outside --out.
# A small series is captured from the simulated rig; hostile_series.py makes the others of it. ANALYZE, CAPTURE and RIG are
# set by the build.
set -euo pipefail
unset ARGP_HELP_FMT
export LC_ALL=C.UTF-8
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
. "$top/rig/demo_rig.sh"
# shellcheck disable=SC2034
rig=$RIG capture=$CAPTURE analyze=$ANALYZE speedup=100
work=$(mktemp -d)
trap 'stop_rig; rm -rf "$work"' EXIT

cp "$top/rig/simulator/river/calibration.json" "$work"
cat >"$work/plan.yaml" <<'PLAN'
nipbench_plan: 1
title: Two gears (simulated)
description: To be spoilt
simulated: true
licence: CC0-1.0
contributors:
  - {title: A workshop (invented), role: author}
seed: 11
blocks: 3
calibration: calibration.json
rest_before_s: 0.5
rest_after_s: 0.5
sampling: {rate_hz: 200}
limits: {force_n: 160, travel_mm: 40, time_s: 40}
conditions:
  filament_lot: L-1
  filament_diameter_mm: 1.75
  nip_preload_n: 80
feeders:
  - {name: gear-8mm, description: the small one, drive_diameter_mm: 8, teeth: 26}
  - {name: gear-12mm, drive_diameter_mm: 12, teeth: 40}
tests:
  - {test: blocked-push, speeds_mm_s: [5], travel_mm: 12}
end: true
PLAN
start_rig "$work/truth.json" "$top"/rig/simulator/feeders/gear-{8mm,12mm}.yaml
"$capture" run "$work/plan.yaml" --port "$port" --out "$work/series" --yes >"$work/capture.log" 2>&1 ||
    die "the series was not captured: $(cat "$work/capture.log")" 1
stop_rig
python3 "$top/tests/cli/hostile_series.py" "$analyze" "$work/series" "$work/hostile"
