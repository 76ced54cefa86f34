# A series that was broken off is put in order and carried on: nothing that was recorded is lost, altered or done twice.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration
sed -i 's/rest_after_s: 0.3/rest_after_s: 1.5/;s|calibration.json|cell/march.json|' plan.yaml
mkdir cell && mv calibration.json cell/march.json # the series has its own copy

# rows_reach FILE: a run is being written and has reached its push.
rows_reach() {
    timeout 60 bash -c "until [ -e $1 ] && awk -F, '\$3 == \"0\" {armed = 1} armed && \$3 > 20 {found = 1} END {exit !found}' $1; do sleep 0.02; done" ||
        fail "$1 was not written: $(cat err.txt)"
}
begin() { # OUT FILE
    "$CAPTURE" run plan.yaml --port port --out "$1" --yes >out.txt 2>err.txt </dev/null &
    capture=$!
    rows_reach "$1/runs/$2.csv.part"
}
resume() { "$CAPTURE" run --resume --port port --out "$@" --yes >out.txt 2>err.txt </dev/null; }
key() { awk -F'[ ,]+' -v key="\"$2\":" '$2 == key {print $3}' "$1"; }
ended() { for record in "$1"/runs/*.json; do key "$record" ended; done | tr -d '"' | tr '\n' ' '; }

start_rig --speedup 4 --link port "${TWO_GEARS[@]}"

# Stopped by the operator in the second run.
begin stopped 0002
kill -INT "$capture"
wait "$capture"
same "status after Ctrl-C" 1 $?
same "what to do next" "to go on: nipbench-capture run --resume --port port --out stopped" "$(tail -2 err.txt | head -1)"
before=$(sums stopped/runs)
resume stopped
same "status of the resumed series" 0 $?
same "result" "stopped: 3 of 3 remaining runs recorded: 3 complete, 0 at a limit, 0 interrupted, 0 faults" "$(cat out.txt)"
same "how the runs ended" "complete interrupted complete complete complete " "$(ended stopped)"
same "nothing that was there has changed" "$before" "$(sums stopped/runs | grep -E '/000[12]\.')"
same "the repeat names its place in the plan" "2" "$(key stopped/runs/0003.json plan_run)"
same "and so do those behind it" "4" "$(key stopped/runs/0005.json plan_run)"
same "the order is that of the plan" "$(key stopped/runs/0002.json feeder)" "$(key stopped/runs/0003.json feeder)"
same "the record says that it was resumed" 1 "$(grep -c 'the series was resumed with this run' stopped/runs/0003.json)"
same "which run is whose" "run 0003  (2 of 4)" "$(grep -o 'run 0003  (2 of 4)' err.txt)"
"$ANALYZE" verify stopped >out.txt 2>err.txt
same "status of verify" 0 $?
same "verdict" "The series is as it was published." "$(head -n 1 out.txt)"
same "hash" "$(sha256sum <stopped/datapackage.json | sed 's/^/sha256:/;s/ .*//')" "$(tail -n 1 out.txt)"
same "complaints" "" "$(cat err.txt)"

# A complete one needs no rig.
expect 0 "" "all 4 runs of the plan are recorded already" "$CAPTURE" run --resume --port /dev/nowhere --out stopped --yes

# Killed in the first run: what was durable stays, byte for byte.
begin killed 0001
cp killed/runs/0001.csv.part part.csv
kill -KILL "$capture"
wait "$capture" 2>/dev/null
"$ANALYZE" verify killed >/dev/null 2>verify.txt
same "a series that was cut off is not sound" 3 $?
same "and it says what to do" 1 "$(grep -c "runs/0001.csv.part: is an interrupted run: 'nipbench-capture run --resume' puts it in order" verify.txt)"
# Without its port it is put in order all the same.
"$CAPTURE" run --resume --port /dev/nowhere --out killed --yes >out.txt 2>err.txt </dev/null
same "status without a port" 4 $?
same "what was put in order" 1 "$(grep -c 'run 0001: was cut off; its [0-9]* rows are filed as interrupted' err.txt)"
"$ANALYZE" verify killed >/dev/null
same "sound before the rig is back" 0 $?
same "every row that was there" "" "$(cmp -n "$(wc -c <part.csv)" part.csv killed/runs/0001.csv 2>&1)"
same "marked" '"interrupted"' "$(key killed/runs/0001.json ended)"
resume killed
same "status" 0 $?
same "how the runs ended" "interrupted complete complete complete complete " "$(ended killed)"
"$ANALYZE" verify killed >/dev/null
same "sound" 0 $?
same "nothing is left over" "" "$(find killed -name '*.part' -o -name '*.tmp')"

# What cannot be resumed.
expect 2 "" "nipbench-capture: nothing-there: no series can be resumed here: No such file or directory; without --resume one is begun" \
    "$CAPTURE" run --resume --port port --out nothing-there --yes
mkdir empty
expect 3 "" "nipbench-capture: empty: has no plan.yaml: there is no series here, or it was broken off while it was made; to begin it here, name its plan too" \
    "$CAPTURE" run --resume --port port --out empty --yes
same "nothing was put there" "" "$(ls empty)"

# What a kill leaves while the folder is made, taken up by the command that began it and by --resume; the port is nowhere,
# so that it ends behind what is looked at.
nowhere="nipbench-capture: /dev/nowhere: no such port"
begun() { # FOLDER NAME: cut off while the file of that name was written
    rm -rf "$1" && mkdir "$1" "$1/runs" && printf half >"$1/$2.Ab3dE9.tmp"
}
begun half plan.yaml
expect 3 "" "nipbench-capture: half: has no plan.yaml: there is no series here, or it was broken off while it was made; to begin it here, name its plan too" \
    "$CAPTURE" run --resume --port /dev/nowhere --out half --yes
for words in "run plan.yaml" "run --resume plan.yaml"; do
    # shellcheck disable=SC2086
    expect 4 "" "$nowhere" "$CAPTURE" $words --port /dev/nowhere --out half --yes
done
sed 's/seed: 20310302/seed: 20310305/' plan.yaml >another.yaml
begun half calibration.json && cp plan.yaml half/
expect 2 "" "nipbench-capture: half: holds the beginning of a series with another plan.yaml; choose another folder (nothing was changed)" \
    "$CAPTURE" run another.yaml --port /dev/nowhere --out half --yes
same "nothing was changed" "calibration.json.Ab3dE9.tmp plan.yaml runs " "$(ls half | tr '\n' ' ')"
written=$(stat -c '%i %y' half/plan.yaml)
"$CAPTURE" run plan.yaml --port port --out half --yes >out.txt 2>err.txt </dev/null
same "status of a series whose making was cut off" 0 $?
same "it says so" 1 "$(grep -c '^half: was broken off while it was made; it is completed and begun$' err.txt)"
same "the plan is not written again" "$written" "$(stat -c '%i %y' half/plan.yaml)"
same "all runs" "complete complete complete complete " "$(ended half)"
same "nothing is left over" "" "$(find half -name '*.part' -o -name '*.tmp')"
begun half datapackage.json && cp plan.yaml half/ && cp cell/march.json half/calibration.json
resume half
same "status of a series that lacked its descriptor" 0 $?
same "all runs" "complete complete complete complete " "$(ended half)"
"$ANALYZE" verify half >/dev/null
same "sound" 0 $?
same "nothing is left over" "" "$(find half -name '*.part' -o -name '*.tmp')"
sed 's/seed: 20310302/seed: 20310303/' plan.yaml >other.yaml
expect 2 "" "nipbench-capture: other.yaml: is not the plan that stopped was begun with; leave it out to go on with that one" \
    "$CAPTURE" run other.yaml --resume --port port --out stopped --yes
expect 0 "" "all 4 runs of the plan are recorded already" "$CAPTURE" run plan.yaml --resume --port port --out stopped --yes
expect 2 "" "nipbench-capture: standard input is no terminal, so nobody can be asked to mount feeders; use --yes to run unattended" \
    "$CAPTURE" run --resume --port port --out stopped

# One capture at a time, and one rig to a series.
start_rig --speedup 4 --link second "${TWO_GEARS[@]}" --serial OTHER
begin shared 0001
expect 2 "" "nipbench-capture: shared: another capture is writing this series" \
    "$CAPTURE" run --resume --port second --out shared --yes
kill -TERM "$capture"
wait "$capture"
expect 2 "" "nipbench-capture: shared: this series was begun on rig SIMULATED, but the rig at second is OTHER" \
    "$CAPTURE" run --resume --port second --out shared --yes
finish
