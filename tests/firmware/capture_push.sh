#!/usr/bin/env bash
# A complete push test by the capture program against the firmware's own binary, which runs in simavr with the simulated
# feeder on its pins; then the report's stall force against what the model knows. In wall-clock time.
# BRIDGE, CAPTURE, ANALYZE, FEEDERS and CHECK are set by the build.
set -euo pipefail
export LC_ALL=C
work=$(mktemp -d)
bridge_pid=
leave() {
    [ -z "$bridge_pid" ] || kill "$bridge_pid" 2>/dev/null || true
    rm -rf "$work"
}
trap leave EXIT
cd "$work"

cat >calibration.json <<'END'
{"schema": "nipbench-calibration-1", "date": "2031-03-02T09:15:00Z", "origin": "stated", "rig_serial": "",
 "force": {"degree": 1, "coefficients": [12345, 4000], "covariance": [[25, 0], [0, 4]], "residual_sd_counts": 40,
           "degrees_of_freedom": null, "load_low_n": 0, "load_high_n": 150},
 "encoder": {"mm_per_count": 0.005, "standard_uncertainty_mm_per_count": 0.00001}, "feeds": []}
END
cat >plan.yaml <<'END'
nipbench_plan: 1
title: A push by the reference firmware, simulated feeder
simulated: true
licence: CC0-1.0
seed: 20310302
blocks: 3
calibration: calibration.json
rest_before_s: 0.5
rest_after_s: 0.3
sampling:
  rate_hz: 80
limits:
  force_n: 130
  travel_mm: 15
  time_s: 20
conditions:
  filament_material: river-test filament
  nip_preload_n: 80
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8
tests:
  - test: blocked-push
    travel_mm: 9
    speeds_mm_s: [2]
    acceleration_mm_s2: 500
end: true
END
mkfifo path
"$BRIDGE" "$FEEDERS/gear-8mm.yaml" 2 truth.json >path 2>bridge.err &
bridge_pid=$!
read -r -t 20 port <path || { echo "the bridge did not start: $(cat bridge.err)"; exit 1; }
"$CAPTURE" identify "$port"
if ! "$CAPTURE" run plan.yaml --port "$port" --out series --yes >captured 2>told </dev/null; then
    cat captured told bridge.err
    exit 1
fi
cat captured
kill -TERM "$bridge_pid"
wait "$bridge_pid" || { cat bridge.err; exit 1; }
bridge_pid=
"$ANALYZE" verify series
"$ANALYZE" report series --out report >report.txt
python3 "$CHECK" truth.json report/results.json series
