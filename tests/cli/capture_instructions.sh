# What the operator is told between runs, answered by a script on a pipe, and what is warned about before the first.
. "$(dirname "$0")/capture_common.sh"
write_calibration
start_rig --speedup 50 "${TWO_GEARS[@]}"
HEAD='nipbench_plan: 1
title: What is changed between runs, simulated
simulated: true
licence: CC0-1.0
seed: 20310302
blocks: 1
calibration: calibration.json
rest_before_s: 0.2
rest_after_s: 0.2
sampling:
  rate_hz: 500
limits:
  force_n: 130
  travel_mm: 12
  time_s: 20
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8'

# plan CONDITIONS TEST-LINE...: writes plan.yaml.
plan() {
    { printf '%s\n' "$HEAD" "conditions: {$1}" tests:; shift; printf '%s\n' "$@" end:\ true; } >plan.yaml
}
# A test of one kind as one line. The loads of the first are in random order, so its questions are compared sorted.
REVERSAL='  - {test: reversal, travel_mm: 1.2, speeds_mm_s: [4], cycles: 2, guide_tube_bends_deg: [75]}'
ENDURANCE='  - {test: endurance, travel_mm: 1.5, speeds_mm_s: [7], repeats: 3, clean_every: 2}'
SWEEP='  - {test: preload-sweep, travel_mm: 2, speeds_mm_s: [6], nip_preloads_n: [35, 61.5]}'
ASK=' - press Enter when ready, Ctrl-C to stop:'

plan 'nip_preload_n: 35' "$REVERSAL" "$ENDURANCE"
yes '' | head -n 9 | "$CAPTURE" run plan.yaml --port "$PORT" --out series >out.txt 2>err.txt
same "status with answers on a pipe" 0 $?
same "result" "series: 4 of 4 runs recorded: 4 complete, 0 at a limit, 0 interrupted, 0 faults; 3 looked wrong" "$(cat out.txt)"
same "questions, each a line" "I have read this and the rig is clear$ASK
Block 1: mount feeder gear-8mm; fit the blocked end; fit the guide tube, bent by 75 degrees in all; set the nip preload to 35 N$ASK
Block 1: clean the drive gear$ASK" "$(grep 'press Enter when ready' err.txt)"
# A travel that is too short for a push to come to an end is told, and an empty line goes on.
same "looks at pushes and not at the reversal" 3 "$(grep -c '^run 000[2-4] looks wrong: type r and Enter to repeat it' err.txt)"
same "the reversal is one run of two cycles" "2 1.2 gear-8mm" \
    "$(python3 -c 'import json; r = json.load(open("series/runs/0001.json")); print(r["cycles"], r["travel_mm"], r["feeder"])')"
same "it went forward and back" "0 to 153 and back to 0" \
    "$(awk -F, 'NR > 1 {if ($3 > most) most = $3; if (NR == 2) first = $3; last = $3} END {printf "%d to %d and back to %d", first, most, last}' \
        series/runs/0001.csv)"
same "repeats and cleaning" "1 False 0, 2 False 0, 3 True 1" "$(python3 -c '
import json
for n in (2, 3, 4):
    r = json.load(open("series/runs/%04d.json" % n))
    told = [e["time_us"] for e in r["events"] if e["text"] == "drive gear cleaned"]
    assert told in ([], [0]), told
    print(r["repeat"], r.get("cleaned", False), len(told), end="" if n == 4 else ", ")')"
same "a line for each kind of run" "reversal endurance endurance endurance" \
    "$(sed -n 's/^run 000[1-4]  gear-8mm  \([a-z-]*\)  [47] mm.s  .*  ended: travel$/\1/p' err.txt | tr '\n' ' ' | sed 's/ $//')"

# Told all the same when nobody is asked.
plan 'nip_preload_n: 35' "$SWEEP"
"$CAPTURE" run plan.yaml --port "$PORT" --out sweep --yes >out.txt 2>err.txt </dev/null
same "status unattended" 0 $?
same "instructions unattended" "Block 1: mount feeder gear-8mm; fit the blocked end; set the nip preload to 0 N
Block 1: set the nip preload to 0 N" "$(grep '^Block' err.txt | sed 's/to [0-9.]* N/to 0 N/')"
same "both preloads" "35 61.5 " "$(sed -n 's/.*preload to \([0-9.]*\) N/\1/p' err.txt | sort -n | tr '\n' ' ')"
same "preloads in the records" "35.0 61.5" "$(python3 -c '
import json
print(*sorted(json.load(open("sweep/runs/%04d.json" % n))["conditions"]["nip_preload_n"] for n in (1, 2)))')"
same "no warning" "" "$(grep warning err.txt)"

# A pipe that ends is an operator who has gone.
printf '\n' | "$CAPTURE" run plan.yaml --port "$PORT" --out gone >out.txt 2>err.txt
same "status when the answers end" 1 $?
same "message when the answers end" \
    "nipbench-capture: stopped by the operator before the first run" "$(tail -1 err.txt)"

# Warnings: once each, before the first question, and no refusal.
plan 'filament_diameter_mm: 1.75, filament_modulus_mpa: 2500, free_length_mm: 50' \
    '  - {test: melt-push, travel_mm: 2, rates_mm3_s: [4, 9]}'
"$CAPTURE" run plan.yaml --port "$PORT" --out warned --yes >out.txt 2>err.txt </dev/null
same "status with warnings" 0 $?
same "warnings" 2 "$(grep -c '^warning: ' err.txt)"
same "buckling" 1 "$(grep -c '^warning: feeder gear-8mm: free length 50 mm .* buckles at about 18.2 N (Euler, .*), below the force of 130 N$' err.txt)"
same "temperature" 1 "$(grep -c '^warning: melt-push: no hot end temperature is stated (gear-8mm), .*: no load line can be given$' err.txt)"
same "before the first instruction" "warning: warning: Block" "$(grep -o '^warning: \|^Block' err.txt | head -n 3 | tr -d '\n')"
printf 'name: blind\nsensor: {encoder: false}\nend: true\n' >blind.yaml
start_rig --speedup 50 --feeder blind.yaml
plan 'nip_preload_n: 35' '  - {test: free-run, travel_mm: 0.4, speeds_mm_s: [6]}'
"$CAPTURE" run plan.yaml --port "$PORT" --out blind --yes >out.txt 2>err.txt </dev/null
same "status without encoder" 0 $?
same "warning without encoder" "warning: free-run: this rig has no encoder, so feed ripple and feed per step cannot be told" \
    "$(grep warning err.txt)"
finish
