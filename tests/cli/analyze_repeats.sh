#!/usr/bin/env bash
# nipbench-analyze repeats as a command: published figures by a stated scatter, a pilot series captured from the simulated rig, and bad
# input. ANALYZE, CAPTURE and RIG are set by the build; python3 compares the numbers.
set -euo pipefail
unset ARGP_HELP_FMT
export LC_ALL=C
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
. "$top/rig/demo_rig.sh"
# shellcheck disable=SC2034  # of the simulated rig's script
rig=$RIG capture=$CAPTURE analyze=$ANALYZE speedup=50
work=$(mktemp -d)
command=repeats
. "$top/tests/cli/analyze_common.sh"
trap 'stop_rig; rm -rf "$work"' EXIT

# refused STATUS SAYS WORD...: one line on standard error, none on standard output.
refused() {
    local status=$1 says=$2
    shift 2
    run "$status" "$@"
    checks=$((checks + 1))
    if [ "$(wc -l <"$work/err")" != 1 ] || [ -s "$work/out" ]; then
        fail "repeats $* does not say one line: $(cat "$work/err" "$work/out")"
    fi
    holds "repeats $*" "$says" "$(cat "$work/err")"
}

# numbers WHAT: the JSON in out holds what the Python on standard input asserts; a is the whole, p the first plan.
numbers() {
    checks=$((checks + 1))
    { printf 'import json, math, sys\na = json.load(open(sys.argv[1]))\np = a["plans"][0]\n' && cat; } >"$work/check.py"
    python3 "$work/check.py" "$work/out" 2>"$work/why" || fail "$1: $(tail -n 3 "$work/why")"
}

# R: power.t.test(delta = 1.5, sd = 1, power = .8): n = 8.06; n = 8, delta = 1, strict: .461238849504, and of the same paired with
# an sd of differences of sqrt(2): .408033082738.
run 0 --scatter 1 --difference 1.5 --design groups
holds "two groups" "a power of 80 % at a level of 5 %: 9 repeats of each feeder, 18 runs." "$(cat "$work/out")"
run 0 --scatter 1 --difference 1 --design groups --json
numbers "power of two groups" <<'END'
t = {r["repeats"]: r for r in p["table"]}
assert abs(t[8]["power_percent"] / 100 - .461238849504) < 1e-9, t[8]
assert p["planned_design"] == "groups" and p["scatter"]["stated"] and p["present"] is None
assert p["repeats_to_find"]["value"] == p["repeats_to_find"]["low_95"] == p["repeats_to_find"]["high_95"]
END
run 0 --scatter 2.5 --difference 2.5 --json
numbers "power in blocks, the default" <<'END'
t = {r["repeats"]: r for r in p["table"]}
assert abs(t[8]["power_percent"] / 100 - .408033082738) < 1e-9, t[8]
assert p["planned_design"] == "blocks" and p["planned_feeders"] == 2
END
# R: integrate() over the chi distribution, see tests/analyze/numerics/test_equivalence_power.c.
run 0 --scatter 0.85 --difference 0.7 --power 90 --feeders 3 --json
numbers "equivalence of three" <<'END'
assert p["repeats_to_call_equivalent"]["value"] == 44, p["repeats_to_call_equivalent"]
assert p["repeats_to_call_equivalent"]["runs"] == 132
END
run 1 --scatter 1 --difference 0.0001
holds "out of reach" "more than 100000 repeats" "$(cat "$work/err")"

refused 2 "SERIES or --scatter is missing" --difference 2
refused 2 "--difference is missing" --scatter 1
refused 2 "--difference: '2N'" --scatter 1 --difference 2N
refused 2 "--difference" --scatter 1 --difference 0
refused 2 "--scatter: 'x'" --scatter x --difference 1
refused 2 "--scatter" --scatter -1 --difference 1
refused 2 "--power" --scatter 1 --difference 1 --power 100
refused 2 "--power: 4 % is not above the level" --scatter 1 --difference 1 --power 4
refused 2 "--level" --scatter 1 --difference 1 --level 0
refused 2 "--feeders" --scatter 1 --difference 1 --feeders 1
refused 2 "--feeders" --scatter 1 --difference 1 --feeders 2.5
refused 2 "--design: 'rows' is neither blocks nor groups" --scatter 1 --difference 1 --design rows
refused 2 "--speed: belongs to series" --scatter 1 --difference 1 --speed 5
refused 2 "--quantity: belongs to series" --scatter 1 --difference 1 --quantity stall_force_n
refused 2 "--matters: belongs to series" --scatter 1 --difference 1 --matters stall_force_n=1
refused 2 "--accept: belongs to series" --scatter 1 --difference 1 --accept nip_preload_n
refused 2 "leave out one or the other" "$work" --scatter 1 --difference 1
refused 3 "no-series" "$work/no-series" --difference 1

# A pilot of two feeders in four blocks, and one that is too short to plan by.
cp "$top/rig/simulator/river/calibration.json" "$work"
plan() {
    cat >"$work/$1.yaml" <<EOF
nipbench_plan: 1
title: A pilot (simulated)
simulated: true
licence: CC0-1.0
seed: 11
blocks: $2
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
$3
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8
    teeth: 26
  - name: gear-12mm
    drive_diameter_mm: 12
    teeth: 36
tests:
  - test: blocked-push
    speeds_mm_s: [5]
    travel_mm: 8
end: true
EOF
}
plan pilot 4 "differences_that_matter: {stall_force_n: 2.5}"
plan short 2 ""
start_rig "$work/truth.json" "$top/rig/simulator/feeders/gear-8mm.yaml" "$top/rig/simulator/feeders/gear-12mm.yaml"
for name in pilot short; do
    run_as_operator "$work/$name.yaml" "$work/$name" "$work/$name.log" >/dev/null || die "$name was not captured: $(cat "$work/$name.log")"
done

run 0 "$work/pilot"
for words in "SIMULATED DATA" "Stall force at 5 mm/s: gear-8mm, gear-12mm (paired t test, block by block)" "from 3 degrees of freedom)" \
    "To find a difference of 2.5 N, the smallest that matters," "as the pilot's scatter is known from 3 degrees of freedom only)" \
    "blocks of the plan as it is are" "The 4 repeats of the series find a difference of" "2 feeders in blocks"; do
    holds "a pilot" "$words" "$(cat "$work/out")"
done
run 0 "$work/pilot" --json --difference 1.25 --threads 1
cp "$work/out" "$work/pilot.json"
numbers "a pilot's interval" <<'END'
s, n = p["scatter"], p["repeats_to_find"]
# R: sqrt(3 / qchisq(c(.975, .025), 3))
assert abs(s["low_95"] / s["sd"] - 0.5664895466022) < 1e-9 and abs(s["high_95"] / s["sd"] - 3.7285472758277) < 1e-9, s
assert s["degrees_of_freedom"] == 3 and p["values"] == 8 and p["lower_bounds"] == 0 and p["present"]["repeats"] == 4
assert p["unit"] == "N" and p["speed_mm_s"] == 5 and p["feeders"] == ["gear-8mm", "gear-12mm"] and a["simulated"]
assert n["low_95"] <= n["value"] <= n["high_95"] and n["low_95"] < n["high_95"]
assert p["difference"] == 1.25 and not p["difference_matters"]
assert a["one_block_of_the_plan"]["runs"] == 2
END
# The same scatter and design stated give the same repeats.
read -r sd wanted < <(python3 -c 'import json, sys
p = json.load(open(sys.argv[1]))["plans"][0]
print(repr(p["scatter"]["sd"]), p["repeats_to_find"]["value"])' "$work/pilot.json")
run 0 --scatter "$sd" --difference 1.25 --json
numbers "stated as the pilot found it" <<END
assert p["repeats_to_find"]["value"] == $wanted, p["repeats_to_find"]
END
# What the present repeats find is what compare forecasts of them.
"$ANALYZE" compare "$work/pilot" --json >"$work/compare.json"
run 0 "$work/pilot" --json --matters stall_force_n=4
numbers "what matters goes before the plan" <<END
assert p["difference"] == 4 and p["difference_matters"]
c = json.load(open("$work/compare.json"))["comparisons"][0]
text = json.dumps(c)
assert "%.6f" % p["present"]["difference_found"]["value"] in ["%.6f" % v for v in c.values() if isinstance(v, float)], text
END
run 0 "$work/pilot" --design groups --difference 2 --json
numbers "groups planned after blocks" <<'END'
assert p["run_in_blocks"] and p["planned_design"] == "groups"
assert p["scatter"]["degrees_of_freedom"] == 3 and p["planned_scatter"]["degrees_of_freedom"] > 3
END
run 0 "$work/short" "$work/pilot" --speed 5 --json
refused 1 "known from 1 degree of freedom, too few to plan by" "$work/short"
refused 2 "--speed: no push at 7 mm/s; there are pushes at 5 mm/s" "$work/pilot" --speed 7
refused 2 "--quantity: 'backlash_mm'" "$work/pilot" --quantity backlash_mm
sed -i '/^differences_that_matter/d' "$work/pilot.yaml"
run_as_operator "$work/pilot.yaml" "$work/open" "$work/open.log" >/dev/null || die "not captured: $(cat "$work/open.log")"
run 0 "$work/open"
holds "no difference is stated" "planning on it is circular" "$(cat "$work/out")"
run 0 "$work/open" --json
numbers "no difference is stated" <<'END'
assert p["difference"] is None and p["repeats_to_find"] is None and p["present"]["difference_found"]["value"] > 0
assert all(r["power_percent"] is None and r["difference_found"] > 0 for r in p["table"])
END

printf '%d checks, %d failed\n' "$checks" "$failures"
[ "$failures" -eq 0 ]
