#!/usr/bin/env bash
# A series whose tests cannot all be answered: a sweep of one speed, a melt-push without temperature, a reversal past slip onset, pushes
# that end before anything gives way. Captured from the simulated rig over the serial protocol; each is answered by one clear line, and
# the rest of the series is reported.
set -euo pipefail
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
. "$top/rig/demo_rig.sh"
rig=$RIG capture=$CAPTURE analyze=$ANALYZE speedup=50
work=$(mktemp -d)
trap 'stop_rig; rm -rf "$work"' EXIT

# shellcheck disable=SC2317
die() {
    printf '%s\n' "$1" >&2
    exit 1
}

sed -e 's/^name: .*/name: weak-grip/' -e 's/grip_coefficient: .*/grip_coefficient: 0.8/' \
    "$top/rig/simulator/feeders/gear-8mm-bench.yaml" >"$work/weak-grip.yaml"
cp "$top/rig/simulator/river/calibration.json" "$work"
plan() {
    cat >"$work/$1.yaml" <<EOF
nipbench_plan: 1
title: Questions without an answer (simulated)
simulated: true
licence: CC0-1.0
seed: 7
blocks: 2
calibration: calibration.json
rest_before_s: 0.5
rest_after_s: 0.5
sampling:
  rate_hz: 500
limits:
  force_n: 160
  travel_mm: 40
  time_s: 40
conditions:
  filament_diameter_mm: 1.75
  nip_preload_n: 80
feeders:
  - name: weak-grip
    drive_diameter_mm: 8
    teeth: 26
tests:
$(cat)
end: true
EOF
}
plan mixed <<'EOF'
  - test: speed-sweep
    speeds_mm_s: [5]
    travel_mm: 8
  - test: melt-push
    rates_mm3_s: [3, 5, 8, 12]
    travel_mm: 12
  - test: reversal
    speeds_mm_s: [2]
    travel_mm: 4
  - test: endurance
    speeds_mm_s: [5]
    travel_mm: 8
    repeats: 4
EOF
plan short <<'EOF'
  - test: speed-sweep
    speeds_mm_s: [5, 10, 20]
    travel_mm: 1.5
  - test: preload-sweep
    speeds_mm_s: [5]
    nip_preloads_n: [40, 60, 80]
    travel_mm: 1.2
EOF
start_rig "$work/truth.json" "$work/weak-grip.yaml"
for name in mixed short; do
    run_as_operator "$work/$name.yaml" "$work/$name" "$work/$name.log" >/dev/null || die "$name was not captured: $(cat "$work/$name.log")"
    "$analyze" report "$work/$name" --out "$work/$name-report" --no-figures >/dev/null
done
grep -q "melt-push.*temperature" "$work/mixed.log" || die "no word before the run of the missing temperature"

why() { # SERIES TEST: why it has no answer
    python3 -c '
import json, sys
tests = {t["test"]: t for t in json.load(open(sys.argv[1]))["feeders"][0]["tests"]}
t = tests[sys.argv[2]]
assert not t["present"], "there is an answer: " + json.dumps(t["sentences"])
assert "\n" not in t["why_not"]
print(t["why_not"])' "$work/$1-report/results.json" "$2"
}
says() { # SERIES TEST WORDS
    local line
    line=$(why "$1" "$2")
    case $line in *"$3"*) ;; *) die "$1, $2: '$line' does not say '$3'" ;; esac
    # The page says the same, and has the other tests too.
    grep -qF "$3" "$work/$1-report/report.html" || die "$1, $2: the page does not say '$3'"
}
says mixed speed-sweep "one speed only"
says mixed melt-push "temperature"
says mixed reversal "past slip onset"
says short speed-sweep "no push was limited by the motor"
says short preload-sweep "stall"
python3 - "$work/mixed-report/results.json" <<'EOF'
import json, sys
results = json.load(open(sys.argv[1]))
tests = {t["test"]: t for t in results["feeders"][0]["tests"]}
assert tests["endurance"]["present"], tests["endurance"]["why_not"]
assert results["feeders"][0]["stall_force_n"] is not None
pushes = [r for r in results["runs"] if r["test"] == "speed-sweep"]
assert pushes and all(r["stall_force_n"] for r in pushes)
EOF
