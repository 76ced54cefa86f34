# Sourced after capture_common.sh: a simulated rig whose weights and caliper a script handles.

# start_rig_with_hands OPTION...: as start_rig; `hand` speaks to it.
start_rig_with_hands() {
    rm -f hands
    mkfifo hands
    exec {rig_fd}< <(exec "$RIG" --hands "$@" <hands 2>"$WORK/.rig_err")
    RIG_PID=$!
    helpers+=("$RIG_PID")
    exec {hands_fd}>hands
    read -r PORT <&"$rig_fd" || { fail "the rig did not start: $(cat "$WORK/.rig_err")"; exit 1; }
}

# hand WORDS: what the hands do; the rig's answer is in ANSWER.
hand() {
    printf '%s\n' "$*" >&"$hands_fd"
    read -r ANSWER <&"$rig_fd" || fail "no answer to: $*"
}

# A feeder file without noise or drift, whose filament meets nothing for 900 mm. Lines of its sensor follow as words.
write_quiet_feeder() {
    printf '%s\n' 'name: quiet' 'gear: {eccentricity_mm: 0, tooth_ripple_mm: 0}' 'fixture: {gap_mm: 900}' 'sensor:' \
        '  noise_n: 0' '  mains_n: 0' '  drift_n_per_min: 0' '  drift_walk_n: 0' >quiet.yaml
    [ $# -eq 0 ] || printf '  %s\n' "$@" >>quiet.yaml
    echo 'end: true' >>quiet.yaml
}

# wait_for PATTERN FILE: until a line of the file matches.
wait_for() {
    timeout 60 bash -c 'until grep -q -- "$1" "$2"; do sleep 0.05; done' - "$1" "$2" ||
        fail "'$1' did not come; there is: $(tr -d "\0" <"$2")"
}
