# Sourced by the capture_*.sh scripts. CAPTURE, RIG, QUIET_PTY and FEEDERS are set by the build.
set -u
unset ARGP_HELP_FMT
export LC_ALL=C
WORK=$(mktemp -d)
failures=0
checks=0
helpers=()

leave() {
    local status=$?
    for helper in "${helpers[@]}"; do
        kill "$helper" 2>/dev/null
    done
    rm -rf "$WORK"
    exit "$status"
}
trap leave EXIT
cd "$WORK" || exit 1

fail() {
    failures=$((failures + 1))
    printf 'FAILED: %s\n' "$*"
}

# same WHAT WANTED GOT
same() {
    checks=$((checks + 1))
    [ "$2" = "$3" ] || fail "$1"$'\n'"--- wanted"$'\n'"$2"$'\n'"--- got"$'\n'"$3"
}

# expect STATUS STDOUT STDERR COMMAND...: all three exactly. Standard input is empty and no terminal.
expect() {
    local status=$1 out=$2 err=$3
    shift 3
    "$@" >"$WORK/.out" 2>"$WORK/.err" </dev/null
    same "exit status of: $*" "$status" "$?"
    same "standard output of: $*" "$out" "$(cat "$WORK/.out")"
    same "standard error of: $*" "$err" "$(cat "$WORK/.err")"
}

# start_rig OPTION...: a simulated rig; its path is in PORT, its process in RIG_PID.
start_rig() {
    exec {rig_fd}< <(exec "$RIG" "$@" 2>"$WORK/.rig_err")
    RIG_PID=$!
    helpers+=("$RIG_PID")
    read -r PORT <&"$rig_fd" || { fail "the rig did not start: $(cat "$WORK/.rig_err")"; exit 1; }
}

# start_quiet HOW: a port that is no rig; its path is in PORT.
start_quiet() {
    exec {quiet_fd}< <(exec "$QUIET_PTY" "$@" < <(exec tail -f /dev/null --pid=$$))
    helpers+=("$!")
    read -r PORT <&"$quiet_fd" || { fail "no pseudo-terminal"; exit 1; }
}

write_calibration() {
    cat >calibration.json <<'END'
{"schema": "nipbench-calibration-1", "date": "2031-03-02T09:15:00Z", "origin": "stated", "rig_serial": "",
 "force": {"degree": 1, "coefficients": [12345, 4000], "covariance": [[25, 0], [0, 4]], "residual_sd_counts": 40,
           "degrees_of_freedom": null, "load_low_n": 0, "load_high_n": 150},
 "encoder": {"mm_per_count": 0.005, "standard_uncertainty_mm_per_count": 0.00001}, "feeds": []}
END
}

# A good plan of two feeders, one speed and two blocks: four runs.
write_plan() {
    cat >plan.yaml <<'END'
nipbench_plan: 1
title: Two gears, simulated
simulated: true
licence: CC0-1.0
seed: 20310302
blocks: 2
calibration: calibration.json
rest_before_s: 0.4
rest_after_s: 0.3
sampling:
  rate_hz: 1000
limits:
  force_n: 130
  travel_mm: 12
  time_s: 20
conditions:
  filament_material: river-test filament
  nip_preload_n: 80
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8
  - name: gear-12mm
    drive_diameter_mm: 12
tests:
  - test: blocked-push
    travel_mm: 6
    speeds_mm_s: [5]
end: true
END
}

TWO_GEARS=(--feeder "$FEEDERS/gear-8mm.yaml" --feeder "$FEEDERS/gear-12mm.yaml")

# SHA-256 of every file below a folder, names included.
sums() {
    (cd "$1" && find . -type f -print0 | sort -z | xargs -0 sha256sum)
}

finish() {
    printf '%d checks, %d failed\n' "$checks" "$failures"
    [ "$failures" -eq 0 ] && [ "$checks" -gt 0 ]
    exit
}
