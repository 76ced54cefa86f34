# A plan to start from, what `plan check' tells of it, and whether a series then is what was told.
. "$(dirname "$0")/capture_common.sh"
write_calibration

misuse() { # NAME TEXT COMMAND...
    local name=$1 text=$2
    shift 2
    expect 2 "" "$name: $text
Try \`$name --help' or \`$name --usage' for more information." env COLUMNS=200 ARGP_HELP_FMT=rmargin=200 "$@"
}

# What no shell script should have to say of JSON: field PATH FILE.
field() {
    python3 -c 'import functools, json, sys
print(functools.reduce(lambda value, key: value[int(key) if key.isdigit() else key], sys.argv[1].split("."), json.load(open(sys.argv[2]))))' "$@"
}

# Every kind of test: a plan that reads, that is known for the example, and that no rig is given.
start_rig --speedup 50 "${TWO_GEARS[@]}"
for kind in blocked-push speed-sweep free-run loaded-feed preload-sweep reversal melt-push endurance all; do
    expect 0 "$kind.yaml: written. Edit the lines marked EXAMPLE, then: nipbench-capture plan check $kind.yaml" "" \
        "$CAPTURE" plan new --test "$kind" --out "$kind.yaml"
    same "nothing wider than 80 in $kind.yaml" "" "$(grep -E '^.{81}' "$kind.yaml")"
    marks=$(grep -c '# EXAMPLE' "$kind.yaml")
    same "something to edit in $kind.yaml" 1 "$([ "$marks" -gt 30 ] && echo 1)"
    "$CAPTURE" plan check "$kind.yaml" >out.txt 2>err.txt
    same "status of the example of $kind" 1 $?
    same "message on the example of $kind" \
        "nipbench-capture: $kind.yaml: still the example in $marks lines; 'run' refuses it" "$(cat err.txt)"
    same "lines named of $kind" "$marks" "$(grep -c '^  line *[0-9]*  [a-z-]' out.txt)"
    same "nothing wider than 80 of $kind" "" "$(LC_ALL=C.UTF-8 grep -E '^.{81}' out.txt)"
    sed 's/^simulated: false/simulated: true/' "$kind.yaml" >plan.yaml
    "$CAPTURE" run plan.yaml --port "$PORT" --out out --yes >out.txt 2>err.txt </dev/null
    same "status of a run of the example of $kind" 3 $?
    same "message of that run" "nipbench-capture: plan.yaml:8: still the example: 'title: Two feeders compared' ($marks such lines): put your own value there and delete the word EXAMPLE; 'plan check' lists them all" \
        "$(cat err.txt)"
    same "no folder of $kind" 1 "$([ ! -e out ] && echo 1)"
    # The marks alone gone: a plan that can answer.
    sed -i 's/# EXAMPLE/#/' plan.yaml
    "$CAPTURE" plan check plan.yaml >out.txt 2>err.txt
    same "status of $kind without its marks" 0 $?
    same "message on it" "" "$(cat err.txt)"
    same "nothing wider than 80 in the text of $kind" "" "$(LC_ALL=C.UTF-8 grep -E '^.{81}' out.txt)"
done
same "seeds are drawn" 9 "$(sed -n 's/^seed: *\([0-9]*\) .*/\1/p' blocked-push.yaml speed-sweep.yaml free-run.yaml loaded-feed.yaml preload-sweep.yaml reversal.yaml melt-push.yaml endurance.yaml all.yaml | sort -u | wc -l)"
rm -f plan.yaml

# One short case all the way: the edits that are asked for, then the series against what was told.
"$CAPTURE" plan new --test blocked-push,reversal,free-run --seed 2385 >out.txt
same "the usual name" "plan.yaml" "$(ls plan.yaml)"
sed -i 's/# EXAMPLE/#/; s/^simulated: false/simulated: true/; s/^blocks: 5/blocks: 2/
    s/feeder-a/gear-8mm/; s/feeder-b/gear-12mm/; s/travel_mm: 200 /travel_mm: 31.7 /; s/travel_mm: 12 /travel_mm: 6 /
    s/travel_mm: 1.9 /travel_mm: 0.7 /' plan.yaml
same "a calibration that is dated ahead is told" 1 \
    "$("$CAPTURE" plan check plan.yaml | tr '\n' ' ' | grep -c 'will refuse the calibration calibration.json: it *is dated')"
sed -i "s/2031-03-02T09:15:00Z/$(date -u +%Y-%m-%dT%H:%M:%SZ)/" calibration.json
"$CAPTURE" plan check plan.yaml --json --density 1.27 --order >check.json 2>err.txt
same "status of the check" 0 $?
start_rig --speedup 5 "${TWO_GEARS[@]}"
"$CAPTURE" run plan.yaml --port "$PORT" --out series --yes >out.txt 2>err.txt </dev/null
same "status of the run" 0 $?
same "result" "series: 16 of 16 runs recorded: 16 complete, 0 at a limit, 0 interrupted, 0 faults" "$(cat out.txt)"
same "runs told" 16 "$(field runs check.json)"
python3 - check.json series <<'END' || fail "the series is not what was told"
import csv, glob, json, os, sys

told = json.load(open(sys.argv[1]))
seconds, moving, rows, feed = 0.0, 0.0, 0, {}
for n, path in enumerate(sorted(glob.glob(sys.argv[2] + "/runs/*.json")), 1):
    run = json.load(open(path))
    samples = list(csv.DictReader(open(path[:-4] + "csv")))
    seconds += int(samples[-1]["time_us"]) / 1e6 + 1 / run["sample_rate_hz"]
    rows += len(samples)
    # From step to step while it moves; a way back begins after a pause that is the host's, and is no motion. What is
    # lost is the time until the first step of each way is due, up to 12 ms at 1 mm/s.
    changes = [int(b["time_us"]) for a, b in zip(samples, samples[1:]) if a["commanded_steps"] != b["commanded_steps"]]
    moving += sum(b - a for a, b in zip(changes, changes[1:]) if b - a < 30000) / 1e6
    # Before the motion the rig may still tell the count of the run before.
    counts = [int(s["commanded_steps"]) for s in samples if int(s["time_us"]) >= run["push_start_us"]]
    steps = max(counts) - counts[0]
    feed[run["feeder"]] = feed.get(run["feeder"], 0) + steps * run["mm_per_microstep"]
    entry = told["order"][n - 1]
    if (entry["feeder"], entry["test"], entry["block"], entry["speed_mm_s"]) != \
            (run["feeder"], run["test"], run["block"], run["speed_mm_s"]):
        sys.exit("run %d is %s %s, not as listed" % (n, run["feeder"], run["test"]))
def near(what, is_, said, within):
    print("%s: %.6g, told %.6g" % (what, is_, said))
    if not abs(is_ / said - 1) < within:
        sys.exit("%s: %g is not within %g of %g" % (what, is_, within, said))
# What moves is the rig's alone. Each run has besides what passes until the host has said the next word: some 20 ms of
# its clock, times the speed-up.
near("seconds of motion", moving, told["time"]["rig_s"] - 2 * told["runs"], 0.02)
near("seconds of the rig's clock", seconds, told["time"]["rig_s"], 0.10)
near("rows", rows, told["rows"], 0.10)
for f in told["feeders"]:
    near("feed of " + f["feeder"], feed[f["feeder"]], f["feed_mm"], 0.002)
size = sum(os.path.getsize(os.path.join(at, name)) for at, _, names in os.walk(sys.argv[2]) for name in names)
near("bytes on the disk", size, told["disk_bytes"], 0.2)
END
checks=$((checks + 1))
# The operator was asked for what was told, as often.
same "mountings" "$(field time.mountings check.json)" "$(grep -c '^Block [12]: mount feeder' err.txt)"
same "other changes" "$(field time.other_changes check.json)" "$(grep '^Block [12]: ' err.txt | grep -vc ': mount feeder')"
same "everything asked" "$(python3 -c 'import json
for a in json.load(open("check.json"))["asked"]:
    print(a["times"], a["what"])' | sort)" \
    "$(sed -n 's/^Block [12]: //p' err.txt | sed 's/ (\(8\|12\) mm gear)//' | sed 's/; /\n/g' | sort | uniq -c | sed 's/^ *//' | sort)"
"$CAPTURE" run --resume --port "$PORT" --out series --yes >out.txt 2>err.txt </dev/null
same "its plan can be resumed" 0 $?

# The text of a small plan, whole.
write_plan
sed -i 's/^  force_n: 130/  force_n: 120/; s/^conditions:/&\n  filament_diameter_mm: 1.75/; s/^blocks: 2/blocks: 5\ndifferences_that_matter: {stall_force_n: 2}/' plan.yaml
expect 0 "plan.yaml: Two gears, simulated

Nothing speaks against this plan.
It makes 10 runs, takes about 30 min and feeds up to 0.06 m of filament. Its
data will be marked as simulated.

Before it runs
  - The feed of gear-8mm, gear-12mm is not in the calibration: the diameter
    that the plan states is taken for it. \`measure-feed\` makes it sure.
  - The plan states no contributors: nobody can be cited for the data.

What it does
  2 feeders, 1 test, 5 blocks: 10 runs. A block holds every run of every feeder
  once.
  gear-8mm: drive gear of 8 mm
  gear-12mm: drive gear of 12 mm
  blocked-push: against a blocked end, 6 mm of feed each, at 5 mm/s: 1 run with
    each feeder in each block.
  The order is random and follows from the seed, 20310302, alone: block by
  block, in each the feeders in random order, and with each feeder its runs in
  random order; what meets the same end by the same guide tube, at the same
  temperature, stays together. --order lists it.

What the operator is asked to do
     5 x  mount feeder gear-8mm
     5 x  mount feeder gear-12mm
  \`run\` stops 10 times for it and waits for Enter: 10 with a feeder to be
  mounted, 0 with another change alone.

How long it takes
  moving           12.3 s
  at rest          7 s (the zero, before and after each run)
  mounting         30 min (10 times, assumed: 3 min each)
  in all           about 30 min
  Moving and rest follow from the plan, and the rig keeps them. What hands need
  is assumed: --mount-minutes and --change-minutes say it better. Runs that end
  at a limit take less.

How much filament and disk
  gear-8mm: 30 mm, 0.0916 g
  gear-12mm: 30 mm, 0.0916 g
  in all: 60 mm, 0.183 g
  That is what is commanded: what is blocked, slips or stalls feeds less. What
  is cut off at each mounting comes on top.
  The series takes about 542 kB of disk, for 19250 samples.

Which limits hold
  force    120 N
  travel   12 mm (the longest run feeds 6 mm)
  time     20 s (the longest run moves for 1.22 s)
  Rig and host both keep them, for every run. A run that meets one has no stall
  force: it is reported as \"at least\". They are a help and not a safety
  function: have an emergency stop that cuts motor power in hardware.

Which difference it can see
  With 2 feeders in 5 blocks, a difference between two feeders of 2.38 times
  the scatter is found in 80 of 100 such series; smaller ones less often. The
  scatter is the standard deviation of one feeder's value (its stall force,
  say) from block to block, without what all feeders of a block share. Where
  there is no difference, one is claimed in 5 of 100 such series at most.
  At a scatter of 0.5 N, as stated by --scatter, that is 1.19 N.
  How large the scatter is, only a pilot shows: run some blocks, and
  \`nipbench-analyze repeats PILOT\` gives it.
  stall_force_n: the plan says that 2 N matter. This design sees that where the
  scatter is 0.841 N or less: it does.
  With more blocks it is, in times the scatter: 8: 1.6, 12: 1.3, 20: 0.93, 40:
  0.64.
  This plan asks up to 2 such questions (stall force and slip onset, at each
  speed). Where they are judged together, a difference must be somewhat larger." \
    "" "$CAPTURE" plan check plan.yaml --scatter 0.5 --density 1.27

# What `run` will ask for is told, each where it is asked.
write_plan
sed -i 's/^conditions:/ask: [humidity_percent, filament_lot, ambient_temperature_c]\n&/' plan.yaml
same "asked at the start" "  When it begins it asks for: relative humidity, ambient temperature." "$("$CAPTURE" plan check plan.yaml | grep 'When it begins')"
same "asked at each mounting" "  At each mounting it asks for: filament lot." "$("$CAPTURE" plan check plan.yaml | grep 'At each mounting')"

# Plans that cannot answer, and what is wrong on the command line or in the file.
sed -i 's/^blocks: 2/blocks: 1/' plan.yaml
"$CAPTURE" plan check plan.yaml >out.txt 2>err.txt
same "status of one block" 1 $?
same "message on one block" "nipbench-capture: plan.yaml: the plan cannot answer what it asks: 1 block: each feeder is mounted only once, so nothing tells a difference between feeders from the scatter between mountings; 2 blocks are the least, 5 are better" \
    "$(cat err.txt)"
same "said first" 1 "$(sed -n 3p out.txt | grep -c '^This plan cannot answer what it asks')"
write_plan
"$CAPTURE" plan check plan.yaml --json --scatter 0.5 >out.json 2>err.txt
same "status in JSON" 0 $?
same "verdict in JSON" "can answer" "$(field verdict out.json)"
same "difference in JSON" 8.167 "$(field seen_difference.difference_n out.json)"
sed -i 's/^blocks: 2/blocks: two/' plan.yaml
expect 3 "" "nipbench-capture: plan.yaml:6:9: blocks: 'two' is not a whole number
  blocks: two
          ^" "$CAPTURE" plan check plan.yaml
expect 3 "" "nipbench-capture: absent.yaml: cannot be opened: No such file or directory" "$CAPTURE" plan check absent.yaml
expect 2 "" "nipbench-capture: plan.yaml: is there already; choose another name (nothing was changed)" "$CAPTURE" plan new
same "the plan that was there stays" 1 "$(grep -c '^blocks: two' plan.yaml)"
expect 5 "" "nipbench-capture: no/folder.yaml: cannot be written: No such file or directory" \
    "$CAPTURE" plan new --out no/folder.yaml
"$CAPTURE" plan new --seed 7 --out - >new.yaml
same "to standard output" "seed: 7" "$(sed -n 's/^\(seed: [0-9]*\) .*/\1/p' new.yaml)"
if [ -w /dev/full ]; then
    "$CAPTURE" plan new --out - >/dev/full 2>err.txt
    same "status on a full disk" 5 $?
    same "message on a full disk" "nipbench-capture: cannot write to standard output" "$(cat err.txt)"
fi
printf 'a: \033[31m1 # EXAMPLE\n' >hostile.yaml
"$CAPTURE" plan check hostile.yaml >out.txt 2>err.txt
same "status of hostile text" 3 $?
same "no control characters from hostile text" "" "$(cat out.txt err.txt | tr -d '\n -~')"

misuse "nipbench-capture plan" "new or check is missing" "$CAPTURE" plan
misuse "nipbench-capture plan" "'chek' is neither new nor check" "$CAPTURE" plan chek plan.yaml
misuse "nipbench-capture plan check" "PLAN is missing" "$CAPTURE" plan check --json
misuse "nipbench-capture plan check" "PLAN is missing" "$CAPTURE" plan check ''
misuse "nipbench-capture plan new" "--out: the name is empty" "$CAPTURE" plan new --out ''
misuse "nipbench-capture plan check" "unexpected argument 'b'" "$CAPTURE" plan check a b
misuse "nipbench-capture plan check" "--scatter: 0 N is outside 1e-06 to 10000 N" "$CAPTURE" plan check a --scatter 0
misuse "nipbench-capture plan new" "unexpected argument 'plan.yaml'" "$CAPTURE" plan new plan.yaml
misuse "nipbench-capture plan new" "--seed: '4x' is not a whole number" "$CAPTURE" plan new --seed 4x
misuse "nipbench-capture plan new" \
    "--test: 'push' is no test; there are blocked-push, speed-sweep, free-run, loaded-feed, preload-sweep, reversal, melt-push and endurance, or all" \
    "$CAPTURE" plan new --test push
for words in "plan" "plan new" "plan check"; do
    # shellcheck disable=SC2086
    "$CAPTURE" $words --help >help.txt 2>help.err
    same "status of help on $words" 0 $?
    for status in "0  done" "1  ran, but the answer is no" "2  wrong use" "3  bad input file" "5  system"; do
        same "'$status' in the help on $words" 1 "$(grep -c "$status" help.txt)"
    done
done
finish
