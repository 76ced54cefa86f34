# nipbench-analyze calibrate as a command: published examples, files that are kept, and bad input. ANALYZE is set by
# the build; python3 compares the numbers.
set -u
unset ARGP_HELP_FMT
export LC_ALL=C
WORK=$(mktemp -d)
# Sentences in one line each.
export COLUMNS=1000
failures=0
checks=0
trap 'rm -rf "$WORK"' EXIT
cd "$WORK" || exit 1
HEADER=load_n,reading_counts,direction,cycle
FEED_HEADER=feeder,commanded_steps,measured_mm,direction,repeat
PONTIUS=/usr/share/gretl/data/nist/Pontius.dat

fail() {
    failures=$((failures + 1))
    printf 'FAILED: %s\n' "$*"
}

# same WHAT WANTED GOT
same() {
    checks=$((checks + 1))
    [ "$2" = "$3" ] || fail "$1"$'\n'"--- wanted"$'\n'"$2"$'\n'"--- got"$'\n'"$3"
}

# holds WHAT PART WHOLE
holds() {
    checks=$((checks + 1))
    case $3 in *"$2"*) ;; *) fail "$1"$'\n'"--- wanted somewhere"$'\n'"$2"$'\n'"--- got"$'\n'"$3" ;; esac
}

# run STATUS WORD...: calibrate with these words; its outputs are in .out and .err.
run() {
    local status=$1
    shift
    "$ANALYZE" calibrate "$@" >.out 2>.err </dev/null
    local got=$?
    same "exit status of calibrate $* ($(cat .err))" "$status" "$got"
}

# refuse STATUS MESSAGE WORD...: nothing is printed, and no file in the folder changes.
refuse() {
    local status=$1 message=$2 before
    shift 2
    before=$(sums)
    run "$status" "$@"
    same "standard output of calibrate $*" "" "$(cat .out)"
    holds "message of calibrate $*" "$message" "$(cat .err)"
    same "files after calibrate $*" "$before" "$(sums)"
}

sums() { find . -type f ! -name '.out' ! -name '.err' -print0 | sort -z | xargs -0 sha256sum; }
files() { find . -maxdepth 1 -name "$1" -printf '%f\n' | sort | tr '\n' ' '; }
# rows NAME ROW...: a table of weighings.
rows() {
    local name=$1
    shift
    printf '%s\n' "$HEADER" "$@" >"$name"
}

# certain DIGITS: compares .out with lines "JSON-PATH VALUE" on standard input by their log relative errors.
certain() {
    checks=$((checks + 1))
    python3 -c '
import json, math, sys
result = json.load(open(".out"))
digits = float(sys.argv[1])
worst = 99.0
for line in sys.stdin:
    path, wanted = line.split()
    value = result
    for key in path.split("."):
        value = value[int(key)] if isinstance(value, list) else value[key]
    error = abs(value / float(wanted) - 1)
    agreeing = 99.0 if error == 0 else -math.log10(error)
    worst = min(worst, agreeing)
    if agreeing < digits:
        sys.exit("%s is %.17g, not %s: %.1f digits" % (path, value, wanted, agreeing))
print("at least %.1f digits" % worst)
' "$1" || fail "digits of $(head -c 200 .out)"
}

# NIST StRD, "Pontius": load cell calibration, certified values in the file itself.
awk -v header="$HEADER" 'BEGIN { print header } { sub(/\r$/, "") } NR > 60 && NF == 2 { print $2 "," $1 ",up,1" }' \
    "$PONTIUS" >pontius.csv
same "rows of the published readings" 41 "$(wc -l <pontius.csv)"
run 0 pontius.csv --degree 2 --json
certain 9 <<'END'
coefficients.0 0.673565789473684E-03
coefficients.1 0.732059160401003E-06
coefficients.2 -0.316081871345029E-14
standard_errors.0 0.107938612033077E-03
standard_errors.1 0.157817399981659E-09
standard_errors.2 0.486652849992036E-16
residual_sd 0.205177424076185E-03
degrees_of_freedom 37
n 40
load_high_n 3000000
END
# NIST/SEMATECH e-Handbook 4.6.1 on the same readings (its digits from memory, recomputed).
certain 6 <<'END'
replication_sd 2.147265703E-04
replication_degrees_of_freedom 20
END
certain 3 <<'END'
lack_of_fit.f 0.8107
END
run 0 pontius.csv --dry-run --json
certain 9 <<'END'
degree 2
coefficients.2 -0.316081871345029E-14
END
run 0 pontius.csv --degree 1 --dry-run --json
certain 9 <<'END'
residual_sd 2.171272596E-03
degrees_of_freedom 38
END
certain 5 <<'END'
lack_of_fit.f 214.747
END
same "files so far" "calibration.json " "$(files '*.json')"
certify_file() { # What was written carries the same digits.
    cp calibration.json .out
    certain 9 <<'END'
force.coefficients.0 0.673565789473684E-03
force.coefficients.2 -0.316081871345029E-14
force.residual_sd_counts 0.205177424076185E-03
END
}
certify_file
mkdir published && mv pontius.csv calibration.json published

# JCGM 100:2008, H.3: published to the digits in brackets, the rest recomputed. Loads stand for t - 20 degrees.
rows gum.csv 1.521,-0.171,, 2.012,-0.169,, 2.512,-0.166,, 3.003,-0.159,, 3.507,-0.164,, 3.999,-0.165,, \
    4.513,-0.156,, 5.002,-0.157,, 5.503,-0.159,, 6.010,-0.161,, 6.511,-0.160,,
run 0 gum.csv --degree 1 --json --dry-run
certain 9 <<'END'
coefficients.0 -0.17120379013135
coefficients.1 0.00218269773989
standard_errors.0 0.002877597835160
standard_errors.1 0.000667938773228
residual_sd 0.00349756396351
degrees_of_freedom 9
END
checks=$((checks + 1))
python3 -c '
import json
r = json.load(open(".out"))
c, s, v = r["coefficients"], r["standard_errors"], r["covariance"]
assert abs(v[0][1] / s[0] / s[1] + 0.930429603093) < 1e-11
assert abs(c[0] + 10 * c[1] + 0.149376812732) < 1e-11
assert abs((v[0][0] + 20 * v[0][1] + 100 * v[1][1]) ** .5 - 0.00413859575285) < 1e-13
' || fail "correlation, correction at 30 degrees or its uncertainty"

# A weighing with all that belongs to it.
weigh() { # DATE
    rows w.csv 0,1000.4,up,1 9.805179,40221.9,up,1 19.610358,79441.2,up,1 39.220716,157883.7,up,1 \
        58.831074,236325.1,up,1 39.220716,157886.2,down,1 19.610358,79446.8,down,1 9.805179,40226.3,down,1 \
        0,1003.1,down,1 0,1001.7,up,2 9.805179,40223.4,up,2 19.610358,79442.9,up,2 39.220716,157885.1,up,2 \
        58.831074,236324.6,up,2 39.220716,157888.8,down,2 19.610358,79447.5,down,2 9.805179,40227.2,down,2 \
        0,1003.9,down,2
    cat >w.json <<END
{"schema": "nipbench-readings-1", "date": "$1", "simulated": true,
 "rig": {"serial": "R-17", "counts_min": -8388608, "counts_max": 8388607},
 "gravity": {"value_m_s2": 9.80665, "origin": "standard gravity", "standard_uncertainty_m_s2": 0.012},
 "density_kg_m3": 7850, "air_density_kg_m3": 1.2, "tolerance_mg": null, "tolerance_relative": 0.001,
 "operator_estimates": ["loads", "gravity", "tolerance_relative"], "ended": "complete"}
END
}
weigh 2031-04-05T16:07:08Z
before=$(sums)
run 0 w.csv --dry-run
same "files after a dry run" "$before" "$(sums)"
holds "marked" "SIMULATED READINGS" "$(head -n 1 .out)"
for part in "18 readings at 5 different loads, 0 to 58.831074 N, weighed 2031-04-05T16:07:08Z, rig R-17" \
    "In the terms of ISO 376, without claiming conformity to it" "repeatability " "reversibility " "return to zero " \
    "deviation from a line " "Residuals, reading minus fit" "Operator's estimates" \
    "gravity: 9.80665 m/s2 (standard gravity), standard uncertainty 0.012 m/s2" \
    "tolerance of each load: 0.1 % of it either way" "weights 0.058 %" "gravity 0.12 %" \
    "Calibrated range: 0 to 58.831074 N" "Nothing was written: a dry run. It would go to calibration.json."; do
    holds "text" "$part" "$(cat .out)"
done
same "what is not known" "" "$(grep -A 3 'Not known' .out)"
run 0 w.csv
same "nothing on standard error" "" "$(cat .err)"
holds "end of the text" "Written to calibration.json." "$(tail -n 1 .out)"
# The gain's own uncertainty is in what is written: u(F) / F from gravity and weights alone is 0.1353 %.
checks=$((checks + 1))
python3 -c '
import json
f = json.load(open("calibration.json"))["force"]
u = f["covariance"][1][1] ** .5 / f["coefficients"][1]
assert 0.001352 < u < 0.001357, u
' || fail "uncertainty of the slope"

# Nothing is lost: the same again, another degree, another date.
run 0 w.csv --json
holds "the same again" '"written_to": null' "$(cat .out)"
same "files after the same again" "calibration.json w.json " "$(files '*.json')"
first=$(sha256sum <calibration.json)
run 0 w.csv --degree 2
holds "end of the text" "the one before is kept as calibration-2031-04-05T160708Z.json." "$(tail -n 1 .out)"
same "the one before" "$first" "$(sha256sum <calibration-2031-04-05T160708Z.json)"
second=$(sha256sum <calibration.json)
weigh 2031-05-06T07:08:09Z
run 0 w.csv --json
holds "kept as" '"kept_as": "calibration-2031-04-05T160708Z-2.json"' "$(cat .out)"
same "the second" "$second" "$(sha256sum <calibration-2031-04-05T160708Z-2.json)"
same "the first still" "$first" "$(sha256sum <calibration-2031-04-05T160708Z.json)"
mkdir -p elsewhere && run 0 w.csv --out elsewhere/rig.json
same "elsewhere" "rig.json" "$(ls elsewhere)"

# Feed.
cat >f.csv <<END
$FEED_HEADER
gear-8mm,6366,49.89,forward,1
gear-8mm,6366,49.66,backward,1
gear-8mm,12732,99.92,forward,1
gear-8mm,12732,99.61,backward,1
gear-8mm,25465,199.86,forward,1
gear-8mm,25465,199.63,backward,1
gear-8mm,12732,99.86,forward,2
gear-8mm,12732,99.69,backward,2
END
cat >f.json <<'END'
{"schema": "nipbench-feed-1", "date": "2031-05-07T10:00:00Z", "rig": {"serial": "R-17"}, "feeder": "gear-8mm",
 "full_steps_per_rev": 200, "microsteps": 16, "reduction": 1, "drive_diameter_mm": 8, "resolution_mm": 0.05,
 "operator_estimates": ["measured_mm", "drive_diameter_mm", "resolution_mm"], "ended": "complete"}
END
run 0 f.csv
for part in "mm per microstep" "offset forward" "offset backward" "effective diameter" "division of the rule" \
    "nominal drive diameter: 8 mm" "the one before is kept as calibration-2031-05-06T070809Z.json."; do
    holds "text of the feed" "$part" "$(cat .out)"
done
run 0 f.csv --json --dry-run
checks=$((checks + 1))
python3 -c '
import json
new, old = json.load(open("calibration.json")), json.load(open("calibration-2031-05-06T070809Z.json"))
out = json.load(open(".out"))["feeders"][0]
assert new["force"] == old["force"] and new["date"] == old["date"] and old["feeds"] == []
assert [f["feeder"] for f in new["feeds"]] == ["gear-8mm"]
assert new["feeds"][0]["mm_per_microstep"] == out["mm_per_microstep"]["value"]
# The same by sums: a common slope within the two directions, each with a mean of its own.
rows = [line.split(",") for line in open("f.csv").read().split()[1:]]
sxx = sxy = 0.0
for direction in ("forward", "backward"):
    x = [float(r[1]) for r in rows if r[3] == direction]
    y = [float(r[2]) for r in rows if r[3] == direction]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    sxx += sum((a - mx) ** 2 for a in x)
    sxy += sum((a - mx) * (b - my) for a, b in zip(x, y))
slope = sxy / sxx
assert abs(out["mm_per_microstep"]["value"] / slope - 1) < 1e-12, slope
assert abs(out["drive_diameter_mm"]["value"] / (slope * 3200 / 3.141592653589793) - 1) < 1e-12
' || fail "the feed in the calibration"
# A new weighing keeps the feeds.
weigh 2031-06-07T08:09:10Z
run 0 w.csv
holds "feeds carried over" '"feeder": "gear-8mm"' "$(cat calibration.json)"
refuse 3 "no such file: a measured feed is added to the calibration of a load cell" f.csv --out none.json
refuse 2 "--degree: is about hung weights" f.csv --degree 1

# Bad input. Each message says what to do; no file changes (refuse looks).
refuse_rows() { # STATUS MESSAGE ROW...
    local status=$1 message=$2
    shift 2
    rows bad.csv "$@"
    refuse "$status" "$message" bad.csv
}
G=(0,1000.3,up,1 10,41001.1,up,1)
refuse_rows 3 "readings 2 and 3 follow each other" "${G[@]}" 10,81000.6,up,1 30,121001,up,1 40,161000.5,up,1
refuse_rows 3 "reading 4" "${G[@]}" 20,81000.6,up,1 6.744269,121001,up,1 40,161000.5,up,1 50,201000.2,up,1
rows bad.csv "${G[@]}" 20,81000.6,up,1 30,121001,up,1 8.99236,161000.5,up,1 50,201000.2,up,1
sed -i 's/,1$/,/' bad.csv # one run; the load in pounds makes it fall as well
refuse 3 "reading 5" bad.csv
# Pounds in place of newtons, and rising all the same: it is the factor that tells.
refuse_rows 3 "pounds entered as newtons" 0,1000.3,up,1 4.49618,81001.1,up,1 30,121000.6,up,1 40,161001,up,1 \
    50,201000.5,up,1 60,241000.2,up,1
holds "the row and its newtons" "reading 2: a load of 4.49618 N, but by the other weights 81001.1 belongs to 20 N" \
    "$(cat .err)"
refuse_rows 3 "comes after reading" "${G[@]}" 30,121001,up,1 20,81000.6,up,1 40,161000.5,up,1
refuse_rows 1 "the converter looks saturated" "${G[@]}" 20,81000.6,up,1 30,131071,up,1 40,131071,up,1
refuse_rows 1 "hang at least 3 different loads" "${G[@]}" 10,41000.8,up,2 0,1000.9,up,2
refuse_rows 3 "nothing was weighed"
refuse_rows 3 "bad.csv:3:4: reading_counts: 'NaN' is not a number; correct it, or take the row out" \
    0,1000.3,up,1 10,NaN,up,1 20,81000.6,up,1
: >bad.csv
refuse 3 "bad.csv: the file is empty: its first line must be $HEADER" bad.csv
printf 'load,reading\n0,1\n' >bad.csv
refuse 3 "bad.csv:1:1: the first line is neither $HEADER (hung weights) nor $FEED_HEADER" bad.csv
rows bad.csv "${G[@]}" 20,81000.6,up,1 30,121001,up,1 40,131071,up,1
printf '{"schema": "nipbench-readings-1", "rig": {"counts_min": -131072, "counts_max": 131071}}' >bad.json
refuse 1 "reading 5 (40 N) is 131071, at the end of the converter's range (saturated)" bad.csv
printf '{"schema": "nipbench-readings-1", "rig": ' >bad.json
refuse 3 "bad.json:1:41: not valid JSON" bad.csv
printf '{"schema": "nipbench-readings-1", "tolerance": 5}' >bad.json
refuse 3 "tolerance: is no known key" bad.csv
printf '{"schema": "nipbench-readings-1", "rig": {"serial": "R-18"}}' >bad.json
refuse 3 "calibration.json: this calibration is of rig R-17, but these readings were taken on rig R-18" bad.csv
rm bad.json
cp calibration.json mine.json
cp bad.csv calibration.csv
refuse 2 "rename the readings" calibration.csv
refuse 2 "holds the readings themselves" bad.csv --out bad.csv
refuse 3 "it is not replaced: move it away" w.csv --out f.csv
refuse 2 "--degree: '3' is neither 1, 2 nor auto" w.csv --degree 3
refuse 2 "one file too many" w.csv f.csv
refuse 2 "calibrate: READINGS is missing" --json
refuse 3 "none.csv: cannot be opened: No such file or directory" none.csv
refuse 5 "cannot be written: No such file or directory" w.csv --out none/c.json
printf '%s\n' "$FEED_HEADER" a,6000,47.1,forward,1 a,12000,94.2,forward,1 a,18000,5.567,forward,1 \
    a,6000,47.2,forward,2 a,12000,94.3,forward,2 >bad.csv
refuse 3 "bad.csv:4: 5.567 mm for 18000 microsteps, but by the other lengths it should be about 141.3 mm (were inches" \
    bad.csv
printf '%s\n' "$FEED_HEADER" a,6000,47.1,forward,1 a,6000,47.2,forward,2 >bad.csv
refuse 1 "measure at least two lengths" bad.csv

printf '%d checks, %d failed\n' "$checks" "$failures"
[ "$failures" -eq 0 ] && [ "$checks" -gt 0 ]
