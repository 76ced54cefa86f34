#!/usr/bin/env bash
# Installs a build into a new prefix, tries what is there as a user would, installs once more, takes it all away again, and
# finds the prefix as it was: also what stood there before.
#
#     installs.sh BUILD SCRATCH     both are folders; SCRATCH is made anew
set -euo pipefail
top=$(cd "$(dirname "$0")/../../.." && pwd)
build=$(cd "$1" && pwd)
rm -rf "$2"
mkdir -p "$2"
scratch=$(cd "$2" && pwd)
stage=$scratch/stage
there=$stage/usr/local
unset MANPATH ARGP_HELP_FMT
export LC_ALL=C.UTF-8

fail() {
    printf 'FAILED: %s\n' "$*"
    exit 1
}
listing() { (cd "$stage" && find . -printf '%y %p %l\n' | sort); }
install_all() { DESTDIR=$stage meson install -C "$build" --no-rebuild --quiet || fail "meson install"; }

# What others have put there, an empty folder among it.
mkdir -p "$there/bin" "$there/share/man/man1" "$there/share/doc/other"
echo other >"$there/share/man/man1/other.1"
listing >"$scratch/before"
rm -f "$build/meson-logs/install-log.txt"
install_all

# Programs and what belongs to them, and nothing else: no test, no library.
(cd "$there" && find . ! -type d | sed 's|^\./||' | grep -v '^share/man/man1/other.1$' | sort) >"$scratch/installed"
if grep -vE '^(bin/nipbench-(rig|capture|analyze)|share/man/man1/nipbench-[a-z-]+\.1|share/bash-completion/completions/nipbench-(rig|capture|analyze)|share/doc/nipbench/(README\.md|DEVELOPERS\.md|LICENSE|examples|(analyze|capture)/README\.md|datasets/README\.md|rig/(wire|firmware|hardware|simulator)/.+))$' "$scratch/installed"; then
    fail "the above does not belong there"
fi
for name in README.md LICENSE examples/river/plan.yaml examples/river/motor.yaml examples/feeders/gear-8mm.yaml; do
    [ -s "$there/share/doc/nipbench/$name" ] || fail "share/doc/nipbench/$name is missing"
done

for program in capture analyze rig; do
    path=$there/bin/nipbench-$program
    "$path" --version || fail "$path does not run"
    [ -f "$there/share/bash-completion/completions/nipbench-$program" ] || fail "no completion for nipbench-$program"
    bash -uec '. "$1"; complete -p "$2" >/dev/null' bash "$there/share/bash-completion/completions/nipbench-$program" "nipbench-$program" ||
        fail "the completion of nipbench-$program cannot be loaded"
    # The program and each of its commands has a page, which man finds by its name and shows without a warning.
    pages=("nipbench-$program")
    while read -r command; do pages+=("nipbench-$program-$command"); done < <(
        "$path" --help | sed -n '/^Commands:/,/^$/s/^  \([a-z-]*\) .*/\1/p')
    [ "$program" = rig ] || [ ${#pages[@]} -gt 5 ] || fail "no commands of nipbench-$program"
    for page in "${pages[@]}"; do
        shown=$(MANPATH=$there/share/man MANWIDTH=80 man --warnings=w -P cat "$page" 2>"$scratch/complaints") || fail "man $page"
        [ ! -s "$scratch/complaints" ] || fail "man $page: $(cat "$scratch/complaints")"
        case $shown in *NAME*"$page - "*SYNOPSIS*"EXIT STATUS"*) ;; *) fail "man $page shows: $shown" ;; esac
        file=$there/share/man/man1/$page.1
        lexgrog "$file" >/dev/null || fail "whatis cannot tell what $page is"
        [ -z "$(mandoc -Tlint -W warning "$file")" ] || fail "$(mandoc -Tlint -W warning "$file")"
        [ -z "$(groff -ww -man -Tutf8 -z "$file" 2>&1)" ] || fail "$(groff -ww -man -Tutf8 -z "$file" 2>&1)"
    done
done
[ "$(find "$there/share/man/man1" -name 'nipbench-*' | wc -l)" -gt 15 ] || fail "pages are missing"
(cd / && "$there/bin/nipbench-analyze" predict "$there/share/doc/nipbench/examples/river/motor.yaml" --speeds 5 >/dev/null) ||
    fail "the example motor cannot be read by the installed program"

# Links between the documents lead somewhere; those to folders of the sources need the sources.
python3 -B - "$there/share/doc/nipbench" <<'PYTHON' || fail "links of the documents"
import pathlib, re, sys
folder, lost = pathlib.Path(sys.argv[1]), 0
for page in folder.rglob("*.md"):
    for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text()):
        if not (page.parent / link).exists() and link not in ("../model",):
            print(f"{page}: {link} leads nowhere")
            lost += 1
sys.exit(lost > 0)
PYTHON

# A second install over the first, and one file more by somebody else.
install_all
echo mine >"$there/share/doc/nipbench/notes.txt"
"$top/rig/uninstall" "$build" >"$scratch/uninstalled" 2>&1 || true
[ "$(cd "$there/share/doc/nipbench" && find . -type f)" = ./notes.txt ] || fail "a stranger's file is gone, or more than it is left"
rm -r "$there/share/doc/nipbench"
listing | diff "$scratch/before" - || fail "the prefix is not as before"

# Once more into a prefix that was not there at all.
rm -rf "$stage"
rm -f "$build/meson-logs/install-log.txt"
install_all
"$top/rig/uninstall" "$build" || fail "uninstall"
[ ! -e "$stage" ] || fail "left: $(find "$stage")"
"$top/rig/uninstall" "$build" 2>/dev/null || fail "a second uninstall"
rm -f "$build/meson-logs/install-log.txt"
status=0
"$top/rig/uninstall" "$build" 2>/dev/null || status=$?
[ "$status" -eq 5 ] || fail "uninstall of nothing: status $status"
echo "installed, read, and gone again"
