# Sourced by tests/run: the speed benchmark, from a build with optimisation.
# shellcheck shell=bash

# build_bench: the programs as a user has them, and the benchmark's own, in build/programs.
build_bench() {
    local programs
    prepare_programs
    mapfile -t programs < <(sed -nE "s/^([a-z_]+ = )?executable\('([a-z_]+)'.*/tests\/bench\/\2/p" tests/bench/meson.build)
    compile build/programs "${programs[@]}" tests/faults/disk_faults.so
}

# bench_works: every row whose packages are there, in small; nothing is timed in earnest.
bench_works() {
    build_bench || return
    python3 tests/bench/bench.py --programs build/programs --out build/speed-short.json --work build --short --installed
}

# run_bench ROW: the rows whose name holds ROW (all where it is empty). Figures go to build/studies/speed.json, everything that
# is printed to build/studies/speed.txt. Each figure counts as one that passed or failed, and so does each row that broke.
run_bench() {
    local packages shown=build/studies/speed.txt
    mapfile -t packages < <(python3 tests/bench/bench.py --packages)
    install_missing "${packages[@]}"
    say "building for the benchmark"
    build_bench
    say "measuring; nothing else should run on this machine meanwhile"
    rm -f "$shown"
    python3 tests/bench/bench.py --programs build/programs --out build/studies/speed.json --table "$shown" --work build \
        --only "$1" || true
    [ -f "$shown" ] || return 1
    passed=$((passed + $(grep -c '^met ' "$shown" || true)))
    failed=$((failed + $(grep -cE '^(NOT|FAILED) ' "$shown" || true)))
}
