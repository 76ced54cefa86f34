# Sourced by tests/slow.sh: every fuzz target with libFuzzer under AddressSanitizer and UndefinedBehaviorSanitizer, two at a
# time, and then how many lines of the parsers the corpus and what was found reach. Figures: build/studies/fuzz.json.
# shellcheck shell=bash

fuzz_seconds=60
fuzz_seed=20261210
fuzz_build=build/fuzz
fuzz_coverage_build=build/fuzz-coverage
fuzz_work=build/fuzz-work

# fuzz_target NAME: ends well whatever is found; the log and what stands in findings/ tell.
fuzz_target() {
    local work=$fuzz_work/$1 corpus=tests/fuzz/corpus/$1 status=0
    mkdir -p "$work/found" "$work/findings"
    ASAN_OPTIONS=detect_leaks=1 UBSAN_OPTIONS=halt_on_error=1:abort_on_error=1:print_stacktrace=1 \
        "$fuzz_build/tests/fuzz/fuzz_$1" -max_total_time="$fuzz_seconds" -seed="$fuzz_seed" -max_len=8192 \
        -rss_limit_mb=2048 -timeout=10 -print_final_stats=1 -dict="tests/fuzz/dictionaries/$1.dict" \
        -artifact_prefix="$work/findings/" "$work/found" "$corpus" >"$work/log" 2>&1 || status=$?
    echo "$status" >"$work/status"
}

# fuzz_lines NAME...: which lines the corpus and what was found reach, all targets together, into coverage.json.
fuzz_lines() {
    local name objects=()
    for name in "$@"; do
        LLVM_PROFILE_FILE=$fuzz_work/$name.profraw "$fuzz_coverage_build/tests/fuzz/fuzz_$name" \
            "tests/fuzz/corpus/$name" "$fuzz_work/$name/found" >"$fuzz_work/$name/lines.log" 2>&1 ||
            { tail -n 20 "$fuzz_work/$name/lines.log"; return 1; }
        objects+=(-object "$fuzz_coverage_build/tests/fuzz/fuzz_$name")
    done
    llvm-profdata-14 merge -o "$fuzz_work/all.profdata" "$fuzz_work"/*.profraw &&
        llvm-cov-14 export -summary-only -instr-profile="$fuzz_work/all.profdata" "${objects[@]}" \
            >"$fuzz_work/coverage.json"
}

# fuzz_study --out FILE: to be called by study.
fuzz_study() {
    local names=() targets=() name
    for name in tests/fuzz/corpus/*/; do
        name=$(basename "$name")
        names+=("$name")
        targets+=("tests/fuzz/fuzz_$name")
    done
    CC=clang configure "$fuzz_build" --buildtype=debugoptimized -Db_sanitize=address,undefined -Db_lundef=false -Db_lto=false \
        -Dc_args=-fsanitize=fuzzer-no-link
    compile "$fuzz_build" "${targets[@]}"
    # Lines as they are written: without optimisation.
    CC=clang configure "$fuzz_coverage_build" --buildtype=debug -Db_lundef=false -Db_lto=false \
        "-Dc_args=-fprofile-instr-generate -fcoverage-mapping" -Dc_link_args=-fprofile-instr-generate
    compile "$fuzz_coverage_build" "${targets[@]}"
    rm -rf "$fuzz_work"
    mkdir -p "$fuzz_work"
    for name in "${names[@]}"; do
        while [ "$(jobs -rp | wc -l)" -ge 2 ]; do wait -n; done
        fuzz_target "$name" &
    done
    wait
    fuzz_lines "${names[@]}" || return
    python3 tests/fuzz/figures.py "$fuzz_work" "$fuzz_seed" "$2" "${names[@]}"
}

if wanted study_fuzz; then
    say "fuzzing, which takes some ten minutes"
    install_missing clang libclang-rt-14-dev llvm-14
fi
study fuzz fuzz_study
