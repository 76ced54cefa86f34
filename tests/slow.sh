# Sourced by tests/run --slow: studies at full length and live comparisons with other software, from a build with
# optimisation. Each writes build/studies/NAME.json.
# shellcheck shell=bash

# study NAME COMMAND...: a study program is given --out; its figures are shown whether they are met or not.
study() {
    local name=$1
    shift
    wanted "study_$name" || return 0
    rm -f "build/studies/$name.json"
    check "study_$name" "$@" --out "build/studies/$name.json"
    [ ! -f "build/studies/$name.json" ] || python3 tests/figures.py "build/studies/$name.json"
}

compare_broken_line() {
    local work=build/reference/broken_line
    rm -rf "$work" && mkdir -p "$work" && "$programs/tests/reference/broken_line_cases" "$work" 20261125 &&
        Rscript --vanilla tests/reference/segmented.R "$work" "$2" 20261125
}

# compare_numerics AREA SEED: our answers to cases of one area, held against R's in the same run.
compare_numerics() {
    local work=build/reference/$1
    rm -rf "$work" && mkdir -p "$work" && "$programs/tests/reference/numerics_cases" "$1" "$work" "$2" &&
        Rscript --vanilla "tests/reference/$1.R" "$work" "$4" "$2"
}

# Rig studies and benches against R's aov and lme4.
compare_bench() {
    local work=build/reference/bench
    rm -rf "$work" && mkdir -p "$work" && "$programs/tests/reference/bench_cases" "$work" 20261204 &&
        Rscript --vanilla tests/reference/bench.R "$work" "$2" 20261204
}

# The difference that a plan can see against R's power.t.test, qtukey and pt.
compare_seen() {
    local work=build/reference/seen
    rm -rf "$work" && mkdir -p "$work" && "$programs/tests/reference/seen_cases" "$work" &&
        Rscript --vanilla tests/reference/seen.R "$work" "$2" 20261129
}

# Comparisons of feeders against R and SciPy's own data; python3 on the path may be another one than Debian's.
compare_feeders() {
    local work=build/reference/comparison scipy
    scipy=$(dpkg -L python3-scipy | grep -m1 '/stats/tests/data$') || return
    rm -rf "$work" && mkdir -p "$work" && "$programs/tests/reference/comparison_cases" "$work" 20261204 "$scipy" &&
        Rscript --vanilla tests/reference/comparison.R "$work" "$2" 20261204
}

programs=build/programs
say "building the studies"
prepare_programs
compile "$programs"
study frames "$programs/tests/sim/study_frames" --runs 1000
study push "$programs/tests/sim/study_push" --runs 600
study reference_broken_line compare_broken_line
study reference_linear compare_numerics linear 20261201
study reference_nonlinear compare_numerics nonlinear 20261202
study reference_difference compare_numerics difference 20261203
study reference_bench compare_bench
study reference_comparison compare_feeders
study reference_seen compare_seen
study compare "$programs/tests/sim/study_compare" --runs 10000
study uncertainty build/programs/tests/sim/study_uncertainty --runs 1000
study bench "$programs/tests/sim/study_bench" --runs 1000
study cause "$programs/tests/sim/study_cause" --runs 1000
study coarse "$programs/tests/sim/study_coarse" --runs 1000

# The programs killed, and under every fault of link, host, disk and terminal; four hours of capture.
faults=(--capture "$programs/capture/nipbench-capture" --analyze "$programs/analyze/nipbench-analyze"
    --rig "$programs/rig/simulator/nipbench-rig" --feeders "$top/rig/simulator/feeders"
    --shim "$programs/tests/faults/disk_faults.so")
study kill python3 tests/faults/kill_study.py "${faults[@]}" --jobs 10
study faults python3 tests/faults/fault_study.py "${faults[@]}" --jobs 18
study long python3 tests/faults/long_study.py "${faults[@]}"

# The firmware's binary in a simulated chip, and a bench of separate instruments: figures of ordinary tests.
firmware_figures() {
    local lines=build/studies/firmware.lines name
    rm -f "$lines"
    for name in commands limits line motion; do
        NIPBENCH_FIGURES=$top/$lines "$programs/tests/firmware/test_firmware_$name" -j1 || return
    done
    python3 -c 'import json, sys; json.dump([json.loads(line) for line in open(sys.argv[1])], open(sys.argv[2], "w"), indent=1)' \
        "$lines" "$2" && rm "$lines"
}
study firmware firmware_figures
pair_figures() {
    CAPTURE=$top/$programs/capture/nipbench-capture RIG=$top/$programs/rig/simulator/nipbench-rig \
        ANALYZE=$top/$programs/analyze/nipbench-analyze FEEDERS=$top/rig/simulator/feeders RIVER=$top/rig/simulator/river \
        python3 tests/cli/capture_pair.py --out "$2"
}
study pair pair_figures

# Reports in a real browser: those of both demos, which have just been made unless only this study is wanted, and others.
in_browser() {
    wanted demo || demo_answers || return
    wanted full_demo || full_demo_answers || return
    tests/browser/check.sh "$programs/analyze/nipbench-analyze" build/demo-test build/demo-full-test "$2"
}
study browser in_browser
[ ! -d build/browser ] || say "screenshots and printed pages of the reports are in build/browser, to be looked at"

# nipbench-capture in a Linux guest, against the kernel's driver of a USB serial adapter. Alone: its times are real.
in_guest() { tests/guest/run.sh "$2"; }
study guest in_guest

# CSV files in a spreadsheet: hostile texts, and the tables of the demo's report.
spreadsheet() {
    install_missing libreoffice-calc-nogui
    [ -f build/demo-test/report/results.csv ] || ./rig/demo --out build/demo-test </dev/null || return
    python3 tests/analyze/report/check_csv.py "$programs/tests/analyze/csv_fields" --spreadsheet build/demo-test/report/results.csv \
        build/demo-test/report/figures/*.csv
}
check spreadsheet spreadsheet
. tests/fuzz/slow.sh
