#!/usr/bin/env bash
# nipbench-analyze benches as a command: a published interlaboratory table digit by digit, bad words and files, text that
# means something to a terminal, and series captured from simulated rigs, worked out again here from what `report` says of
# them. ANALYZE, CAPTURE and RIG are set by the build; python3 compares the numbers.
set -euo pipefail
unset ARGP_HELP_FMT
export LC_ALL=C.UTF-8
top=$(cd "$(dirname "$0")/../.." && pwd)
. "$top/rig/prepare.sh"
work=$(mktemp -d)
command=benches
. "$top/tests/cli/analyze_common.sh"
rig_pid=
stop_rig() {
    [ -z "$rig_pid" ] || { kill "$rig_pid" && wait "$rig_pid"; } 2>/dev/null || true
    rig_pid=
}
trap 'stop_rig; rm -rf "$work"' EXIT

# refused STATUS SAYS WORD...: says it on standard error, nothing on standard output. A bad file has two lines more: what
# stands there and a caret.
refused() {
    local status=$1 says=$2 lines
    shift 2
    run "$status" "$@"
    checks=$((checks + 1))
    lines=$(wc -l <"$work/err")
    if { [ "$lines" != 1 ] && { [ "$status" != 3 ] || [ "$lines" != 3 ]; }; } || [ -s "$work/out" ]; then
        fail "benches $* does not say one line: $(cat "$work/err" "$work/out")"
    fi
    holds "benches $*" "$says" "$(head -n 1 "$work/err")"
    no_control_characters "benches $*"
}

# no_control_characters WHAT: nor characters that turn the direction of writing, in out and err.
no_control_characters() {
    checks=$((checks + 1))
    python3 - "$work/out" "$work/err" <<'END' || fail "$1: what it prints drives a terminal"
import sys
for name in sys.argv[1:]:
    text = open(name, "rb").read().decode("utf-8")
    bad = [c for c in text if (ord(c) < 32 and c != "\n") or 0x7F <= ord(c) < 0xA0 or 0x200B <= ord(c) <= 0x200F
           or 0x2028 <= ord(c) <= 0x202E or 0x2060 <= ord(c) <= 0x2069]
    assert not bad, (name, bad)
END
}

# numbers WHAT [FILE]: the JSON in out holds what the Python on standard input asserts; a is the whole, s the first section,
# more the JSON of FILE.
numbers() {
    checks=$((checks + 1))
    {
        printf '%s\n' 'import json, math, sys' 'a = json.load(open(sys.argv[1]))' 's = a["sections"][0]' \
            'more = json.load(open(sys.argv[2])) if len(sys.argv) > 2 else None' \
            'def near(x, y): assert abs(x - y) <= 1e-9 * max(abs(x), abs(y)) + 1e-11, (x, y)'
        cat
    } >"$work/check.py"
    python3 "$work/check.py" "$work/out" "${@:2}" 2>"$work/why" || fail "$1: $(tail -n 3 "$work/why")"
}

# Glucose in serum, 8 laboratories, ASTM E691 table 1 as in NIST's file of it; the results to the standard's own digits,
# recomputed from these data. In C the 148.30 of laboratory 4 is as printed in the data; the standard's table has 138.30.
cat >"$work/A" <<'END'
41.03 41.45 41.37 | 41.17 42.00 41.15 | 41.01 40.68 42.66 | 39.37 42.37 42.63 | 41.88 41.19 41.32 | 43.28 40.50 42.28 | 41.08 41.27 39.02 | 43.36 42.65 41.72
END
cat >"$work/B" <<'END'
78.28 78.18 78.49 | 77.78 80.38 79.54 | 79.18 79.72 80.81 | 84.08 78.60 81.92 | 78.16 79.58 78.33 | 78.66 79.27 81.75 | 79.76 81.45 77.35 | 80.44 80.80 79.80
END
cat >"$work/C" <<'END'
132.66 133.83 133.10 | 132.92 136.90 136.40 | 132.61 135.80 135.36 | 138.50 148.30 135.69 | 131.90 134.14 133.76 | 137.21 135.14 137.50 | 130.97 131.59 134.92 | 135.46 135.14 133.63
END
sed 's/148.30/138.30/' "$work/C" >"$work/corrected"
for name in A B C corrected; do
    tr '|' '\n' <"$work/$name" |
        awk 'BEGIN {print "bench,glucose_mg_dl"} {for (i = 1; i <= NF; i++) print NR "," $i}' >"$work/$name.csv"
done
# glucose NAME STATUS MEAN S_X S_R S_R2 CLAMPED
glucose() {
    run "$2" --table "$work/$1.csv" --json
    numbers "glucose $1" <<END
# The mean of the corrected C is 134.72625 exactly: halves go up, as in the standard.
from decimal import Decimal, ROUND_HALF_UP
got = [str(Decimal(repr(s[k])).quantize(Decimal("0.0001"), ROUND_HALF_UP))
       for k in ("mean", "sd_of_means", "repeatability_sd", "reproducibility_sd")]
assert got == "$3 $4 $5 $6".split(), got
assert s["between_clamped"] is $7 and (s["between_sd"] == 0) is $7
near(s["repeatability_limit"], 2.8 * s["repeatability_sd"])
near(s["reproducibility_limit"], 2.8 * s["reproducibility_sd"])
assert s["kind"] == "between_benches" and s["values"] == 24 and s["runs"] == 24 and s["feeder"] is None
assert [c["n"] for c in s["benches"]] == [3] * 8 and a["quantity"] == "glucose_mg_dl" and a["simulated"] is False
rows = [l.strip().split(",") for l in open("$work/$1.csv")][1:]
assert [[float(v) for b, v in rows if b == c["bench"]] for c in s["benches"]] == [c["values"] for c in s["benches"]]
# Critical values from tables, from memory.
k = s["checks"]["cochran"]
assert ["%.3f" % k[x] for x in ("critical_5_percent", "critical_1_percent")] == ["0.516", "0.615"], k
g = s["checks"]["grubbs_high"]
assert abs(g["critical_5_percent"] - 2.126) < 1e-3 and abs(g["critical_1_percent"] - 2.274) < 1e-3, g
assert ["%.2f" % s[x] for x in ("h_critical_1_percent", "h_critical_5_percent", "k_critical_1_percent",
                                "k_critical_5_percent")] == ["2.06", "1.75", "1.96", "1.67"]
END
}
glucose A 0 41.5183 0.6061 1.0632 1.0632 True
glucose B 0 79.6796 1.0028 1.4949 1.5796 False
glucose corrected 0 134.7263 1.7397 1.5434 2.1482 False
glucose C 1 135.1429 2.6559 2.7483 3.4770 False
numbers "laboratory 4 of C" <<'END'
c = s["checks"]["cochran"]
assert c["bench"] == "4" and c["mark"] == "outlier" and "%.4f" % c["statistic"] == "0.7253", c
assert [b["bench"] for b in s["benches"] if b["k_mark"] == "outlier"] == ["4"]
assert all(x is None or x["mark"] != "outlier" for n, x in s["checks"].items() if n != "cochran"), s["checks"]
END
holds "an outlier is told" "a bench is an outlier at the 1 % level" "$(cat "$work/err")"
run 1 --table "$work/C.csv"
for words in "glucose_mg_dl: 24 values on 8 benches." "Cochran, greatest scatter 0.7253 of 4: outlier" \
    "repeatability, on one bench s_r 2.75 limit r = 2.8 s_r = 7.70" "4 is an outlier." \
    "reproducibility, on any bench s_R 3.48 limit R = 2.8 s_R = 9.74"; do
    holds "C in words" "$words" "$(tr -s ' ' <"$work/out")"
done

# Bad words.
refused 2 "SERIES or --table is missing"
refused 2 "--table: goes without series" "$work" --table "$work/A.csv"
refused 2 "--quantity: belongs to series" --table "$work/A.csv" --quantity stall_force_n
refused 2 "--speed: belongs to series" --table "$work/A.csv" --speed 5
refused 2 "--accept: belongs to series" --table "$work/A.csv" --accept nip_preload_n
refused 2 "--feeder: the table has no column of that name" --table "$work/A.csv" --feeder a
refused 2 "--quantity: 'backlash_mm'" "$work" --quantity backlash_mm
refused 2 "--speed: 'fast'" "$work" --speed fast
refused 2 "--speed: 0 mm/s is outside" "$work" --speed 0
refused 2 "no_such" "$work" --accept no_such
run 2 --colour
holds "an unknown option" "unrecognized option '--colour'" "$(cat "$work/err")"
# Bad files.
refused 3 "no-series" "$work/no-series"
refused 3 "none.csv" --table "$work/none.csv"
# bad SAYS TEXT: a table of that text.
bad() {
    printf '%b' "$2" >"$work/bad.csv"
    refused 3 "$1" --table "$work/bad.csv"
}
bad "bad.csv: the file is empty" ''
bad "bad.csv:1:1: the file begins with a byte order mark" '\xEF\xBB\xBFbench,x\na,1\n'
bad "bad.csv:2:3: x: 'NaN' is not a number" 'bench,x\na,NaN\n'
bad "bad.csv:3:1: a row has 2 fields" 'bench,x\na,1\nb,1,5\n'
bad "bad.csv:3:1: the last row is not ended" 'bench,x\na,1\nb,2'
bad "bad.csv:2:1: '?[31mred' holds a control character" 'bench,x\n\033[31mred,1\n'
bad "bad.csv:1:7: '?]0;title?' holds a control character" 'bench,\033]0;title\007\n'
bad "bad.csv:2:1: 'a?b' holds" 'bench,x\na\xE2\x80\xAEb,1\n'
bad "holds a quote" 'bench,x\n"a",1\n'
# Nothing to tell.
# empty SAYS TEXT
empty() {
    printf '%b' "$2" >"$work/bad.csv"
    refused 1 "$1" --table "$work/bad.csv"
}
empty "no bench has two values" 'bench,x\na,1\nb,2\n'
empty "all values are the same" 'bench,x\na,1\nb,1\na,1\n'
empty "nothing to hold against each other" 'bench,x\na,1\na,2\n'
# One feeder is answered, the other not: both are printed, and the status says so.
printf 'feeder,bench,x\nf,b,1\nf,c,2\nf,b,1.5\ng,b,1\n' >"$work/bad.csv"
run 1 --table "$work/bad.csv"
holds "half an answer" "x of g: no answer: it was measured on one bench only (b)." "$(cat "$work/out")"
holds "half an answer" "x of f: 3 values on 2 benches." "$(cat "$work/out")"
holds "half an answer" "1 of 2 have no answer: g: it was measured on one bench only (b)" "$(cat "$work/err")"
run 0 --table "$work/bad.csv" --feeder f

# Names in many scripts stand in columns; those that would drive a terminal or a page come out harmless.
cat >"$work/names.csv" <<'END'
bench,x
Zürich,40.1
Zürich,40.2
Oslo,40.3
Oslo,40.5
<script>&amp;'`id`,41
<script>&amp;'`id`,42
END
run 0 --table "$work/names.csv"
no_control_characters "names in words"
holds "markup is text on a terminal" "<script>&amp;'\`id\`" "$(cat "$work/out")"
checks=$((checks + 1))
python3 - "$work/out" <<'END' || fail "columns do not stand below each other"
import sys
lines = open(sys.argv[1], encoding="utf-8").read().split("\n")
at = [i for i, l in enumerate(lines) if l.startswith("bench ")][0]
assert len({len(l) for l in lines[at:at + 6]}) == 1, lines[at:at + 6]
END
run 0 --table "$work/names.csv" --json
no_control_characters "names in JSON"
numbers "names in JSON" <<'END'
assert [c["bench"] for c in s["benches"]] == ["Zürich", "Oslo", "<script>&amp;'`id`"]
END

# A rig study from a table: 2 feeders, 2 refits, 2 values, all of it in closed form.
printf '%b' 'feeder,refit,pull_n\na,1,40.1\na,1,40.3\na,2,40.9\na,2,41.5\nb,1,50.7\nb,1,50.2\nb,2,52\nb,2,52.6\n' >"$work/rig.csv"
run 0 --table "$work/rig.csv"
for words in "pull_n: 8 values on one bench." "What the values scatter by" "The rig's own share"; do
    holds "a rig study in words" "$words" "$(cat "$work/out")"
done
run 0 --table "$work/rig.csv" --json
numbers "a rig study of a table" <<'END'
near(s["components"][2]["mean_square"], (0.2**2 + 0.6**2 + 0.5**2 + 0.6**2) / 2 / 4)
near(s["components"][1]["mean_square"], (1.0**2 + 1.85**2) / 2)  # means 40.2, 41.2; 50.45, 52.3
assert [c["degrees_of_freedom"] for c in s["components"]] == [1, 2, 4] and s["why_no_rig_share"] is None
near(s["rig_share"], 1 - s["components"][0]["share"])
END

# Three benches, each a simulated rig with a seed of its own; then one bench with two operators and two feeders. Every
# mounting is pushed twice at 5 mm/s.
cp "$top/rig/simulator/river/calibration.json" "$work"
# plan NAME BENCH OPERATOR BLOCKS FEEDER...
plan() {
    local name=$1 bench=$2 operator=$3 blocks=$4 feeder
    shift 4
    cat >"$work/$name.yaml" <<END
nipbench_plan: 1
title: Benches (simulated)
simulated: true
licence: CC0-1.0
bench: $bench
operator: $operator
seed: 11
blocks: $blocks
calibration: calibration.json
rest_before_s: 0.5
rest_after_s: 0.5
sampling: {rate_hz: 500}
limits: {force_n: 160, travel_mm: 40, time_s: 40}
conditions:
  filament_diameter_mm: 1.75
  nip_preload_n: ${preload:-80}
feeders:
END
    for feeder in "$@"; do
        printf '  - {name: gear-%smm, drive_diameter_mm: %s, teeth: 26}\n' "$feeder" "$feeder" >>"$work/$name.yaml"
    done
    cat >>"$work/$name.yaml" <<'END'
tests:
  - {test: blocked-push, speeds_mm_s: [5], travel_mm: 8}
  - {test: speed-sweep, speeds_mm_s: [5, 10], travel_mm: 8}
end: true
END
}
# take NAME SEED: capture the plan.
take() {
    local feeders="$top/rig/simulator/feeders"
    exec {from_rig}< <(exec "$RIG" --seed "$2" --speedup 100 --feeder "$feeders/gear-8mm.yaml" --feeder "$feeders/gear-12mm.yaml" 2>"$work/rig.log")
    rig_pid=$!
    read -r -t 10 port <&"$from_rig" || die "the rig did not start: $(cat "$work/rig.log")"
    "$CAPTURE" run "$work/$1.yaml" --port "$port" --out "$work/$1" --yes >"$work/capture.log" 2>&1 </dev/null ||
        die "$1 was not captured: $(cat "$work/capture.log")"
    stop_rig
    exec {from_rig}<&-
}
seed=31
for bench in north south east; do
    plan "$bench" "$bench" Kim 3 8
    take "$bench" $((seed += 7))
done
plan by-kim north Kim 2 8 12
plan by-ade north Ade 2 8 12
take by-kim 71
take by-ade 72
# shellcheck disable=SC2016  # nothing of this is to run
hostile='<b>`id`$(touch ran)'
plan hostile "\"$hostile\\u202Eb\"" '"Kim <i>"' 2 8
take hostile 91
preload=92 plan tight west Kim 2 8
take tight 90
cd "$work"

"$ANALYZE" report north south east --json --no-figures --out report >report.json 2>report.err ||
    die "no report: $(cat report.err)"
status=0
"$ANALYZE" benches north south east --speed 5 --json >first.json 2>first.err || status=$?
run "$status" north south east --speed 5 --json
numbers "three benches against an independent calculation" report.json <<'END'
from statistics import mean, stdev
cells = {}
for r in more["runs"]:
    if r["speed_mm_s"] == 5 and r["stall_force_n"] is not None:
        cells.setdefault(r["series"], {}).setdefault(r["block"], []).append(r["stall_force_n"]["value"])
cells = [[mean(runs) for _, runs in sorted(c.items())] for _, c in sorted(cells.items())]
assert [len(c) for c in cells] == [3, 3, 3] and s["values"] == 9 and s["runs"] == 18, (cells, s)
assert [c["bench"] for c in s["benches"]] == ["north", "south", "east"] and a["simulated"] and a["unit"] == "N"
# Forces of some 90 N come with 12 digits, so each is known to 1e-9 N at best; what is divided by a scatter, to that over it.
def close(x, y, scale=1): assert abs(x - y) <= 2e-9 / scale, (x, y, scale)
for c, got in zip(cells, s["benches"]):
    close(mean(c), got["mean"])
    close(stdev(c), got["sd"])
means = [mean(c) for c in cells]
s_r2 = mean(stdev(c) ** 2 for c in cells)
s_l2 = max(0, stdev(means) ** 2 - s_r2 / 3)
close(s["mean"], mean(means))
close(s["sd_of_means"], stdev(means))
close(s["repeatability_sd"], math.sqrt(s_r2))
# A square root near zero: the square is what is known.
close(s["between_sd"] ** 2, s_l2)
close(s["reproducibility_sd"], math.sqrt(s_r2 + s_l2))
for c, got in zip(cells, s["benches"]):
    close(got["h"], (mean(c) - mean(means)) / stdev(means), stdev(means))
    close(got["k"], stdev(c) / math.sqrt(s_r2), math.sqrt(s_r2))
close(s["checks"]["cochran"]["statistic"], max(stdev(c) ** 2 for c in cells) / (3 * s_r2), math.sqrt(s_r2))
close(s["checks"]["grubbs_high"]["statistic"], (max(means) - mean(means)) / stdev(means), stdev(means))
close(s["checks"]["grubbs_low"]["statistic"], (mean(means) - min(means)) / stdev(means), stdev(means))
END
checks=$((checks + 1))
cmp -s first.json out || fail "two runs of one command differ"
run "$status" north south east --speed 5
for words in "SIMULATED DATA" "Stall force of gear-8mm at 5 mm/s: 9 values on 3 benches, each the mean of what one mounting of the feeder gave (18 pushes in all)." \
    "mean, N" "s_r" " N limit r = 2.8 s_r = "; do
    holds "three benches in words" "$words" "$(tr -s ' ' <out)"
done
cp out benches.txt
"$ANALYZE" benches north south east --json >out 2>err || true
numbers "a section for each speed" <<'END'
assert [(x["feeder"], x["speed_mm_s"]) for x in a["sections"]] == [("gear-8mm", 5), ("gear-8mm", 10)]
END
refused 1 "the conditions of gear-8mm differ between series 1 and 3: nip preload: 80 N against 92 N" north south tight
"$ANALYZE" benches north south tight --speed 5 --accept nip_preload_n >out 2>err || true
holds "accepted and told" "Accepted: nip preload: 80 N against 92 N" "$(cat out)"
"$ANALYZE" benches north hostile >out 2>err || true
no_control_characters "a hostile bench"
holds "a hostile bench" "$hostile?b  " "$(cat out)"
"$ANALYZE" benches north hostile --json >out 2>err || true
no_control_characters "a hostile bench in JSON"
numbers "a hostile bench in JSON" <<'END'
assert s["benches"][1]["bench"] == "<b>`id`$(touch ran)?b", s["benches"][1]
END
checks=$((checks + 1))
[ ! -e ran ] || fail "text of a bench's name was run"
# Written into the series afterwards: what would drive a terminal is refused when it is read.
for text in '\\u001b[31m' '\\u0007' '\\u0085'; do
    rm -rf forged
    cp -r hostile forged
    sed -i "s/^bench: .*/bench: \"west$text\"/" forged/plan.yaml
    refused 3 "bench: must be one line without control characters" north forged
done
refused 2 "--feeder: no 'gear-9mm'" north south --feeder gear-9mm
refused 2 "--speed: no push at 7 mm/s" north south --speed 7

"$ANALYZE" report by-kim by-ade --json --no-figures --out rig-report >report.json 2>report.err ||
    die "no report: $(cat report.err)"
run 0 by-kim by-ade --speed 5 --json
numbers "a rig study against an independent calculation" report.json <<'END'
from itertools import product
from statistics import mean
y = {}
for r in more["runs"]:
    if r["speed_mm_s"] == 5:
        y.setdefault((r["feeder"].split(" ")[0], r["series"], r["block"]), []).append(r["stall_force_n"]["value"])
fs, os, bs = (sorted({k[i] for k in y}) for i in range(3))
assert len(fs) == len(os) == len(bs) == 2 and all(len(v) == 2 for v in y.values()) and len(y) == 8, y
def m(f=fs, o=os, b=bs): return mean(mean(y[k]) for k in product(f, o, b))
g = m()
fo = {(f, o): m([f], [o]) for f in fs for o in os}
squares = {
    "feeder": 8 * sum((m([f]) - g) ** 2 for f in fs),
    "operator": 8 * sum((m(fs, [o]) - g) ** 2 for o in os),
    "feeder by operator": 4 * sum((fo[f, o] - m([f]) - m(fs, [o]) + g) ** 2 for f in fs for o in os),
    "refit": 2 * sum((mean(v) - fo[k[:2]]) ** 2 for k, v in y.items()),
    "repeat": sum((x - mean(v)) ** 2 for v in y.values() for x in v)}
df = {"feeder": 1, "operator": 1, "feeder by operator": 1, "refit": 4, "repeat": 8}
ms = {k: squares[k] / df[k] for k in df}
variance = {"feeder": (ms["feeder"] - ms["feeder by operator"]) / 8,
            "operator": (ms["operator"] - ms["feeder by operator"]) / 8,
            "feeder by operator": (ms["feeder by operator"] - ms["refit"]) / 4,
            "refit": (ms["refit"] - ms["repeat"]) / 2, "repeat": ms["repeat"]}
assert [c["source"] for c in s["components"]] == list(df) and s["bench"] == "north" and s["kind"] == "one_bench"
for c in s["components"]:
    k = c["source"]
    assert c["degrees_of_freedom"] == df[k]
    # Of forces known to 1e-9 N: twice that times the root of the mean square, and a little for sqrt(df).
    assert abs(c["mean_square"] - ms[k]) <= 1e-8 * math.sqrt(ms[k]) + 1e-11 * ms[k], (k, c, ms[k])
    assert abs(c["variance"] - variance[k]) <= 1e-8 * math.sqrt(ms[k]) + 1e-8 + 1e-11 * ms[k], (k, c, variance[k])
total = sum(max(0, v) for v in variance.values())
assert abs(s["rig_share"] - (1 - max(0, variance["feeder"]) / total)) < 1e-8, s["rig_share"]
END
run 0 by-kim by-ade --speed 5
for words in "Stall force at 5 mm/s: 16 values on one bench, north." "feeder by operator" "refit" "sd, N" "The rig's own share"; do
    holds "a rig study in words" "$words" "$(cat out)"
done
[ -z "${SHOW:-}" ] || cat benches.txt out

printf '%d checks, %d failed\n' "$checks" "$failures"
[ "$failures" -eq 0 ]
