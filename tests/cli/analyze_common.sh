# Sourced by the tests of single commands of nipbench-analyze. ANALYZE is set by the build; the script sets `command`, the
# command's name, and `work`, a folder of its own.
# shellcheck shell=bash disable=SC2154
# Sentences in one line each: how they are wrapped is for the test of the terminal.
export COLUMNS=1000
failures=0
checks=0

# shellcheck disable=SC2317
die() {
    printf '%s\n' "$1" >&2
    exit 1
}

fail() {
    failures=$((failures + 1))
    printf 'FAILED: %s\n' "$*"
}

# holds WHAT PART WHOLE
holds() {
    checks=$((checks + 1))
    case $3 in *"$2"*) ;; *) fail "$1"$'\n'"--- wanted somewhere"$'\n'"$2"$'\n'"--- got"$'\n'"$3" ;; esac
}

# run STATUS WORD...: the command with these words; its outputs are in $work/out and $work/err.
run() {
    local status=$1 got=0
    shift
    "$ANALYZE" "$command" "$@" >"$work/out" 2>"$work/err" </dev/null || got=$?
    checks=$((checks + 1))
    [ "$got" = "$status" ] || fail "exit status $got, not $status, of $command $* ($(cat "$work/err"))"
}
