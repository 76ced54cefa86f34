# Sourced by tests/run --slow: studies at full length and live comparisons with other software.
# shellcheck shell=bash
study() {
    local name=$1
    shift
    check "study_$name" "$@" --out "build/studies/$name.json"
    case "study_$name" in *"$only"*) cat "build/studies/$name.json" 2>/dev/null || true ;; esac
}
study push build/programs/tests/sim/study_push --runs 600
