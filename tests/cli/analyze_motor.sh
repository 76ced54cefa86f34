#!/usr/bin/env bash
# nipbench-analyze report --motor: what a motor's data sheet predicts beside a speed sweep captured from the simulated rig, whose motor
# that is; a published report checked without the motor file; and bad input. ANALYZE, CAPTURE and RIG are set by the build; python3
# compares the numbers.
set -euo pipefail
unset ARGP_HELP_FMT
export LC_ALL=C
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
. "$top/rig/demo_rig.sh"
# shellcheck disable=SC2034  # of the simulated rig's script
rig=$RIG capture=$CAPTURE analyze=$ANALYZE speedup=50
work=$(mktemp -d)
command=report
. "$top/tests/cli/analyze_common.sh"
trap 'stop_rig; rm -rf "$work"' EXIT

# refused STATUS SAYS WORD...: one line on standard error, none on standard output, and no report.
refused() {
    local status=$1 says=$2
    shift 2
    run "$status" "$@" --out none
    checks=$((checks + 1))
    if [ "$(wc -l <"$work/err")" != 1 ] || [ -s "$work/out" ] || [ -e none ]; then
        fail "report $* does not say one line and leave it: $(cat "$work/err" "$work/out")"
        rm -rf none
    fi
    holds "report $*" "$says" "$(cat "$work/err")"
}

# numbers WHAT REPORT: its results hold what the Python on standard input asserts; r is the whole.
numbers() {
    checks=$((checks + 1))
    { printf 'import hashlib, json, math, sys\nr = json.load(open(sys.argv[1]))\n' && cat; } >"$work/check.py"
    python3 "$work/check.py" "$2/results.json" 2>"$work/why" || fail "$1: $(tail -n 3 "$work/why")"
}

cd "$work"
cp "$top/rig/simulator/river/calibration.json" "$top/rig/simulator/river/motor.yaml" .
plan() {
    cat >"$1.yaml" <<EOF
nipbench_plan: 1
title: A motor and its data sheet (simulated)
simulated: true
licence: CC0-1.0
seed: 11
blocks: 2
calibration: calibration.json
rest_before_s: 0.5
rest_after_s: 0.5
sampling: {rate_hz: 1000}
limits: {force_n: 160, travel_mm: 40, time_s: 40}
conditions:
  filament_diameter_mm: 1.75
  nip_preload_n: 80
feeders:
  - {name: gear-8mm, drive_diameter_mm: 8, teeth: 26}
  - {name: gear-12mm, drive_diameter_mm: 12, teeth: 40}
tests:
$(cat)
end: true
EOF
}
plan sweep <<'EOF'
  - {test: speed-sweep, speeds_mm_s: [5, 30, 60], travel_mm: 24}
EOF
plan free <<'EOF'
  - {test: free-run, speeds_mm_s: [10], travel_mm: 30}
EOF
start_rig truth.json "$top"/rig/simulator/feeders/gear-{8mm,12mm}-bench.yaml
for name in sweep free; do
    run_as_operator "$name.yaml" "$name" "$name.log" >/dev/null || die "$name was not captured: $(cat "$name.log")"
done
stop_rig

# Of the motor that the rig has: nothing differs. The forces are those of the published formula (Acarnley, Stepping Motors, 4th
# ed.), as it stands there.
run 0 sweep --motor motor.yaml --out good --format html,md
holds "the pages" "good/report.md" "$(cat "$work/out")"
numbers "the motor of the rig" good <<'END'
m = r["motors"]
assert len(m) == 1 and m[0]["feeder"] is None and m[0]["file"] == "motor.yaml" and m[0]["simulated"] is True
text = open("motor.yaml", "rb").read()
assert m[0]["text"].encode() == text
assert m[0]["sha256"] == "sha256:" + hashlib.sha256(text).hexdigest(), m[0]["sha256"]
v = m[0]["values"]
p, psi = 50, v["holding_torque_nm"] / (math.sqrt(2) * 50 * v["rated_current_a"])
assert abs(m[0]["flux_linkage_wb"] / psi - 1) < 1e-10
assert [q["feeder"] for q in r["predictions"]] == ["gear-8mm", "gear-12mm"]
for q, mm in zip(r["predictions"], (8, 12)):
    assert q["motor"] == 1 and q["differing"] == 0 and q["causes"] == [] and q["pattern"] is None, q
    assert [s["speed_mm_s"] for s in q["measured"]] == [5, 30, 60]
    for s in q["measured"]:
        w = p * 2 * s["speed_mm_s"] / mm
        z = math.hypot(v["phase_resistance_ohm"], w * v["phase_inductance_h"])
        out = p * psi * (4 / math.pi * v["supply_v"] / z - w * psi * v["phase_resistance_ohm"] / z**2)
        held = p * psi * v["set_current_a"]
        force = 2 * v["efficiency"] * min(out, held) / (mm / 1000)
        f = s["predicted_n"]
        assert abs(f["value"] / force - 1) < 1e-6, (s, force)
        assert s["limited_by"] == ("current" if held <= out else "voltage")
        assert f["low_95"] < s["measured_n"]["value"] < f["high_95"], s
        d = s["difference_n"]
        assert abs(d["value"] - (s["measured_n"]["value"] - f["value"])) < 1e-6 and d["low_95"] < 0 < d["high_95"], d
        parts = [c["contribution"] for c in f["budget"]]
        assert abs(math.sqrt(sum(c * c for c in parts)) / f["standard_uncertainty"] - 1) < 0.1, s
        assert all(c["operator_estimate"] and c["type"] == "B" for c in f["budget"])
END
for name in figures/prediction.{gp,csv,svg} report.html report.md; do
    checks=$((checks + 1))
    [ -s "good/$name" ] || fail "good/$name is missing"
done
holds "the section" '<section id="prediction">' "$(cat good/report.html)"
holds "the section of the other page" "## Measured against the data sheet" "$(cat good/report.md)"
holds "its figure" "figures/prediction.svg" "$(cat good/report.md)"
holds "the command that repeats it" "nipbench-analyze report --motor motor.yaml sweep" "$(cat good/report.html)"
checks=$((checks + 1))
cp good/figures/prediction.svg drawn.svg
(cd good/figures && LC_ALL=C.UTF-8 gnuplot -d prediction.gp) && cmp -s drawn.svg good/figures/prediction.svg || fail "gnuplot does not redraw the figure"

# However many threads, and once more into the same folder: the same bytes.
run 0 sweep --motor motor.yaml --out again --threads 1 --no-figures
checks=$((checks + 1))
cmp -s good/results.json again/results.json || fail "the results depend on the threads"
run 0 sweep --motor motor.yaml --out again --threads 3 --no-figures
checks=$((checks + 1))
cmp -s good/results.json again/results.json && cmp -s good/figures/prediction.csv again/figures/prediction.csv ||
    fail "the results depend on the threads"
# And without a motor the folder holds nothing of it.
run 0 sweep --out again --no-figures
checks=$((checks + 1))
! grep -q -i predict again/results.json again/report.html && [ ! -e again/figures/prediction.gp ] ||
    fail "a report without a motor speaks of one"

# A setting of 1.02 A rms that was written down as a peak: told, with what would tell.
sed 's/set_current_a: 1.442/set_current_a: 1.02/' motor.yaml >rms.yaml
run 0 sweep --motor gear-12mm=rms.yaml --motor ./motor.yaml --out wrong --no-figures
numbers "an rms setting taken for peak, of one feeder" wrong <<'END'
assert [(m["feeder"], m["file"]) for m in r["motors"]] == [("gear-12mm", "rms.yaml"), (None, "motor.yaml")]
small, large = r["predictions"]
assert small["motor"] == 2 and small["differing"] == 0, small
assert large["motor"] == 1 and large["differing"] > 0 and "above predicted" in large["pattern"], large
c = large["causes"][0]
assert "an rms value that was taken for peak" in c["what"] and abs(c["factor"] / math.sqrt(2) - 1) < 0.06, c
assert "current probe" in c["measurement_that_would_tell"]
END
holds "the causes on the page" "Likely causes" "$(cat wrong/report.html)"
holds "and what would tell" "To tell: measure the peak phase current" "$(cat wrong/report.html)"

# A published report is worked out again from what it holds itself.
mkdir away
mv motor.yaml rms.yaml away
run 0 sweep --check wrong/results.json
holds "the check" "values agree" "$(cat "$work/out")"
python3 - <<'END'
r = open("wrong/results.json").read()
open("changed.json", "w").write(r.replace("supply_v: 24", "supply_v: 12"))
open("bad.json", "w").write(r.replace("supply_v: 24", "supply_v: 0.1", 1))
open("bare.json", "w").write(r.replace('"text": "', '"x_text": "', 1))
END
run 1 sweep --check changed.json
grep -v budget "$work/out" >out.txt
holds "a motor file that was changed" "predictions[gear-12mm].measured[60 mm/s].predicted_n.value: " "$(cat out.txt)"
holds "and has another hash" "].sha256: " "$(cat out.txt)"
run 3 sweep --check bad.json
holds "a motor file that is wrong" "supply_v: 0.1 V is outside 0.5 to 1000 V" "$(cat "$work/err")"
run 3 sweep --check bare.json
holds "a motor without its file" "motors: entry 1 has no file or no text" "$(cat "$work/err")"
cp away/*.yaml .

# Nothing to hold against it: the report is made all the same, and says so.
run 0 free --motor motor.yaml --out free-report --no-figures
holds "no push" "--motor: nothing was measured that a motor's force can be held against" "$(cat "$work/err")"
holds "no push, on the page" "Nothing was measured that a motor&#8217;s force can be held against" "$(cat free-report/report.html)"
numbers "no push" free-report <<'END'
assert [p["measured"] for p in r["predictions"]] == [[], []]
END

# Bad input: one line, and nothing is written.
refused 3 "gone.yaml" sweep --motor gone.yaml
sed 's/^supply_v: 24/supply_v: 24 volts/' motor.yaml >bad.yaml
run 3 sweep --motor bad.yaml --out none
holds "a number that is none, with its place" "nipbench-analyze: bad.yaml:13:11: supply_v: '24 volts' is not a number" "$(cat "$work/err")"
checks=$((checks + 1))
[ ! -e none ] || fail "a report was begun"
sed 's/^full_steps_per_rev: 200/full_steps_per_rev: 400/' motor.yaml >fine.yaml
refused 3 "fine.yaml: full_steps_per_rev is 400, but gear-8mm in " sweep --motor fine.yaml
refused 2 "motor.yaml is to be the motor of 'gear-9mm', but no feeder of that name was run" sweep --motor gear-9mm=motor.yaml
refused 2 "are both to be the motor of every feeder" sweep --motor motor.yaml --motor rms.yaml
refused 2 "are both to be the motor of 'gear-8mm'" sweep --motor gear-8mm=motor.yaml --motor gear-8mm=rms.yaml
refused 2 "motor.yaml is no feeder's motor" sweep --motor gear-8mm=rms.yaml --motor gear-12mm=rms.yaml --motor motor.yaml
refused 2 "--motor: 'gear-8mm=' is neither MOTOR.yaml nor FEEDER=MOTOR.yaml" sweep --motor gear-8mm=
run 2 sweep --check good/results.json --motor motor.yaml
holds "a check names its own motors" "--check takes what the published file names itself" "$(cat "$work/err")"
cp motor.yaml "a=b.yaml"
run 0 sweep --motor ./a=b.yaml --out equals --no-figures
holds "a name with = in it" "--motor ./a=b.yaml" "$(cat equals/report.html)"

printf '%d checks, %d failed\n' "$checks" "$failures"
[ "$failures" -eq 0 ]
