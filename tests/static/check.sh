#!/usr/bin/env bash
# Static checks of every C source: what it prints are findings, and any finding is a failure.
#
#     tests/static/check.sh [--slow] NAME...
#
# NAME    clang_tidy, cppcheck, gcc_analyzer, or all
# --slow  clang_tidy follows every path of the programs, too (clang-analyzer-*), which takes minutes
#
# clang_tidy and cppcheck read programs and tests, gcc_analyzer the programs: in the tests it cannot tell that an
# assertion of Criterion that fails does not return. Which checks: .clang-tidy; which findings are none, and why:
# gcc.suppressions and cppcheck.suppressions beside this script. Exit status: 0 no finding, 1 findings, 2 wrong use,
# 5 could not set up.
set -euo pipefail
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
cd "$top"

slow=
if [ "${1-}" = --slow ]; then
    slow=1
    shift
fi
case ${1-} in
--help) print_head "$0"; exit 0 ;;
'') die "which check? see --help" 2 ;;
esac

here=tests/static
work=build/static
# What looks like a mistake in tests, and why it is meant there.
not_in_tests=-cert-err34-c                        # sscanf reads published files of a known form
not_in_tests+=,-cert-env33-c                      # commands are run through a shell on purpose
not_in_tests+=,-bugprone-integer-division         # counts that are known to divide
not_in_tests+=,-misc-misleading-bidirectional     # hostile text is what is tested
not_in_tests+=,-bugprone-not-null-terminated-result # files are made of bytes, not of strings
not_in_tests+=,-bugprone-reserved-identifier      # the preload shim has the names of what it stands before

list_sources() {
    CC=gcc configure "$work" -Db_lundef=false -Db_lto=false
    python3 "$here/sources.py" "$work" "$here/gcc.suppressions"
}

# Every file by itself, two at a time; the number of processors is that of CI.
clang_tidy() {
    local status=0 quick=(--checks='-clang-analyzer-*')
    [ -z "$slow" ] || quick=()
    tidy "$work/program_sources" "${quick[@]}" || status=1
    tidy "$work/test_sources" --checks="-clang-analyzer-*,$not_in_tests" || status=1
    return $status
}
tidy() {
    local list=$1
    shift
    xargs -P 2 -n 6 clang-tidy --quiet -p "$work/once" "$@" <"$list" 2>/dev/null
}
cppcheck_all() {
    mkdir -p "$work/cppcheck"
    # Macros of Criterion and jansson, of which cppcheck makes nothing without their headers.
    sort -u "$work/program_sources" "$work/test_sources" | cppcheck --file-list=- --quiet -j 2 --error-exitcode=1 \
        --std=c11 --platform=unix64 --enable=warning,performance,portability --inline-suppr \
        --suppressions-list="$here/cppcheck.suppressions" --cppcheck-build-dir="$work/cppcheck" \
        --template='{file}:{line}:{column}: {message} [{id}]' -I . -D_GNU_SOURCE -DNIPBENCH_VERSION='"0"' \
        -D'TestSuite(...)=' -D'Test(...)=static void test(void)' \
        -D'ParameterizedTest(...)=static void test(void)' -D'ParameterizedTestParameters(...)=void *parameters(void)' \
        -D'json_array_foreach(a,i,v)=while (((v) = json_array_get(a, next_index(&(i)))))' \
        -D'json_object_foreach(o,k,v)=while (((v) = json_object_get(o, (k) = next_key(o))))' 2>&1
}
gcc_analyzer() { xargs -P 2 -d '\n' -n 1 bash -c <"$work/gcc_commands" 2>&1; }

[ "$1" = all ] && set -- clang_tidy cppcheck gcc_analyzer
install_missing "${build_packages[@]}" libcriterion-dev clang-tidy cppcheck python3
list_sources
status=0
for name in "$@"; do
    case $name in
    clang_tidy | gcc_analyzer) "$name" || status=1 ;;
    cppcheck) cppcheck_all || status=1 ;;
    *) die "unknown check '$name'; see --help" 2 ;;
    esac
done
exit $status
