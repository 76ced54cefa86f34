# nipbench-analyze predict as a command, without a series: published values, tables, figure, and bad input. ANALYZE is
# set by the build; python3 compares the numbers.
set -u
unset ARGP_HELP_FMT
export LC_ALL=C
# Sentences in one line each.
export COLUMNS=1000
WORK=$(mktemp -d)
failures=0
checks=0
trap 'rm -rf "$WORK"' EXIT
cd "$WORK" || exit 1

fail() {
    failures=$((failures + 1))
    printf 'FAILED: %s\n' "$*"
}

# holds WHAT PART WHOLE
holds() {
    checks=$((checks + 1))
    case $3 in *"$2"*) ;; *) fail "$1"$'\n'"--- wanted somewhere"$'\n'"$2"$'\n'"--- got"$'\n'"$3" ;; esac
}

# run STATUS WORD...: predict with these words; its outputs are in .out and .err.
run() {
    local status=$1
    shift
    "$ANALYZE" predict "$@" >.out 2>.err </dev/null
    local got=$?
    checks=$((checks + 1))
    [ "$got" = "$status" ] || fail "exit status $got, not $status, of predict $* ($(cat .err))"
}

# motor NAME SED...: a motor file of 0.008 Wb and 50 rotor teeth, changed by sed.
motor() {
    cat >"$1" <<'END'
nipbench_motor: 1
full_steps_per_rev: 200
holding_torque_nm: 0.9616652224137046
rated_current_a: 1.7
set_current_a: 60
current_is: peak
phase_resistance_ohm: 1.5
phase_inductance_h: 0.0028
supply_v: 24
reduction: 1
drive_diameter_mm: 8
efficiency: 1
end: true
END
    [ $# -eq 1 ] || sed -i "$2" "$1"
}

# Pull-out torque of a published formula (Acarnley, Stepping Motors, 4th ed.; values checked by integrating both phase
# circuits), at 0.5 to 20 turns of the motor a second: turns times pi times 8 mm.
motor m.yaml
run 0 m.yaml --json --speeds 12.566370614,25.132741229,50.265482457,125.66370614,251.32741229,502.65482457
checks=$((checks + 1))
python3 - <<'END' || fail "pull-out torque by predict"
import json, sys
a = json.load(open('.out'))
wanted = [7.5109471810, 6.5305069909, 4.7226835585, 2.2811758118, 1.1803982331, 0.5955236171]
got = a['feeders'][0]['predicted']
assert abs(a['flux_linkage_wb'] - 0.008) < 1e-11, a['flux_linkage_wb']
assert len(got) == len(wanted)
for t, p in zip(wanted, got):
    assert abs(p['motor_torque_nm'] / t - 1) < 1e-8, (t, p)
    f = p['push_force_n']
    assert abs(f['value'] / (2 * t / 0.008) - 1) < 1e-8, f
    assert f['low_95'] < f['value'] < f['high_95'] and p['limited_by'] == 'voltage'
    # Its budget: all but the rated current, which is exact, and each an estimate.
    assert len(f['budget']) == 7 and all(c['operator_estimate'] and c['type'] == 'B' for c in f['budget'])
    u = sum(c['contribution'] ** 2 for c in f['budget']) ** 0.5
    assert abs(u / f['standard_uncertainty'] - 1) < 0.05, (u, f)
END

motor rms.yaml 's/set_current_a: 60/set_current_a: 1.2/; s/peak/rms/'
run 0 rms.yaml --speeds 2
holds "an rms setting" "1.697 A peak, by a setting of 1.2 A rms" "$(cat .out)"
holds "what limits" "set current" "$(cat .out)"
holds "the budget" "Budget of the push force at 2 mm/s, limited by the set current" "$(cat .out)"
holds "a component of it" "efficiency" "$(sed -n '/^Budget/,$p' .out)"
holds "whose it is" "estimate" "$(grep '^holding torque' .out)"
holds "what they come to" "all together" "$(cat .out)"

run 0 m.yaml --out fig
checks=$((checks + 1))
grep -q '</svg>' fig/prediction.svg && grep -q '^predicted,1,' fig/prediction.csv || fail "the figure"
rm fig/prediction.svg
(cd fig && gnuplot -d prediction.gp) 2>.err || fail "gnuplot redraws it: $(cat .err)"
checks=$((checks + 1))
[ -s fig/prediction.svg ] || fail "gnuplot redraws it"

motor bad.yaml 's/^supply_v: 24/supply_v: 24 volts/'
run 3 bad.yaml
holds "a bad number is told with its place" "bad.yaml:9:11:" "$(cat .err)"
motor bad.yaml 's/^efficiency/eficiency/'
run 3 bad.yaml
holds "a key that is missing" "efficiency" "$(cat .err)"
motor bare.yaml '/^drive_diameter_mm/d'
run 3 bare.yaml
holds "no drive diameter and no series" "drive_diameter_mm is missing" "$(cat .err)"
run 3 none.yaml
run 3 m.yaml no-series
run 2
holds "no motor file" "MOTOR is missing" "$(cat .err)"
run 2 m.yaml --speeds 5,x
holds "a speed that is no number" "'x'" "$(cat .err)"
run 2 m.yaml --speeds 5,-1
run 2 m.yaml --feeder gear-8
run 2 m.yaml --out none/none/none

printf '%d checks, %d failed\n' "$checks" "$failures"
[ "$failures" -eq 0 ]
