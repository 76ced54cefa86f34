#!/usr/bin/env bash
# Holds a series against the Data Package standard, versions 1 and 2, with validators that are not ours, and its files
# against sizes and hashes with sha256sum. Then the same on copies that are broken on purpose, each of which must be refused.
#
#     tests/publish/validate.sh SERIES
#
# The validators come from npm, in the versions of package-lock.json, into build/publish; once there they need no network.
# Exit status: 0 good, 1 not, 2 wrong use, 5 could not set up.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
. "$top/rig/prepare.sh"
[ $# -eq 1 ] || die "one series folder is needed" 2
series=$1
[ -f "$series/datapackage.json" ] || die "$series has no datapackage.json" 1

modules=$top/build/publish
install_modules "$here" "$modules" "the validators"

standard() { node "$here/validate.mjs" "$modules" "$here/data-package-2.schema.json" "$1"; }
bytes() { python3 "$here/check_bytes.py" "$1"; }
standard "$series"
bytes "$series"

# A small copy: the first run alone.
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
python3 - "$series" "$work/small" <<'PY'
import json, os, shutil, sys
series, small = sys.argv[1:]
package = json.load(open(os.path.join(series, "datapackage.json"), encoding="utf-8"))
tables = [r for r in package["resources"] if r["path"].endswith(".csv")]
first = tables[0]["path"][:-len(".csv")]
package["resources"] = [r for r in package["resources"] if not r["path"].startswith("runs/") or r["path"].startswith(first)]
os.makedirs(os.path.join(small, "runs"))
for r in package["resources"]:
    shutil.copy(os.path.join(series, r["path"]), os.path.join(small, r["path"]))
json.dump(package, open(os.path.join(small, "datapackage.json"), "w", encoding="utf-8"))
PY
standard "$work/small" >/dev/null
bytes "$work/small" >/dev/null

# refuses CHECK WORDS PYTHON: what PYTHON makes of the descriptor `d` (or of `csv`, the bytes of its first table, `t`) is
# refused by CHECK, in words that hold WORDS.
refuses() {
    local said
    rm -rf "$work/broken"
    cp -r "$work/small" "$work/broken"
    python3 - "$work/broken" "$3" <<'PY'
import json, sys
folder, change = sys.argv[1:]
name = folder + "/datapackage.json"
d = json.load(open(name, encoding="utf-8"))
t = next((r for r in d["resources"] if r["path"].endswith(".csv")))
path = folder + "/" + t["path"]
names = {"d": d, "t": t, "csv": open(path, "rb").read()}
exec(change, names)
open(path, "wb").write(names["csv"])
json.dump(d, open(name, "w", encoding="utf-8"))
PY
    if said=$("$1" "$work/broken" 2>&1); then die "taken for good: $3" 1; fi
    case $said in *"$2"*) ;; *) die "refused in other words: $3: $said" 1 ;; esac
    broken=$((broken + 1))
}
broken=0
refuses standard "version 1" 'del d["resources"]'
refuses standard "version 1" 'del t["name"]'
refuses standard "version 1" 'd["keywords"] = []'
refuses standard "version 1" 'd["contributors"] = [{"role": "author"}]'
refuses standard "version 1" 'del t["schema"]'
refuses standard "version 1: run-" 't["schema"]["fields"][1]["name"] = "force"'
refuses standard "version 1: run-" 'csv = csv.replace(b",", b",x", 8)'
refuses standard "version 1: run-" 'csv = csv + b"-4,1,1,,0\n"'
refuses standard "version 2: /contributors/0/roles" 'd["contributors"][0]["roles"] = []'
refuses standard "version 2: /licenses/0" 'd["licenses"][0] = {"title": "free"}'
refuses standard "version 2: /created" 'd["created"] = "yesterday"'
refuses standard "version 2: /resources/0/path" 'd["resources"][0]["path"] = "../plan.yaml"'
refuses standard "version 2: /resources/0/hash" 'd["resources"][0]["hash"] = "sha256"'
refuses standard "version 2: /resources/2/schema/fields/0/type" 't["schema"]["fields"][0]["type"] = "whole"'
refuses standard "version 2: two resources are named" 'd["resources"][1]["name"] = d["resources"][0]["name"]'
refuses standard "publishing: description" 'd["description"] = ""'
refuses standard "is not UCUM" 't["schema"]["fields"][0]["unit"] = "microseconds"'
refuses standard "a licence has no path" 'del d["licenses"][0]["path"]'
refuses bytes "bytes long" 't["bytes"] += 1'
refuses bytes "FAILED" 'csv = csv.replace(b"1", b"2", 1)'
refuses bytes "md5" 't["hash"] = "md5:" + 32 * "0"'
say "$broken broken packages are refused"
