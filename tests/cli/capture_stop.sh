# A stop in the middle of a run, and a rig that is unplugged: what was recorded is kept, whole and listed.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration
sed -i 's/travel_mm: 6/travel_mm: 11/;s/\[5\]/[0.8]/' plan.yaml

# begin OUT: starts a run and waits until its push has begun; arming puts the position to 0.
begin() {
    "$CAPTURE" run plan.yaml --port "$PORT" --out "$1" --yes >out.txt 2>err.txt </dev/null &
    capture=$!
    timeout 60 bash -c "until [ -e $1/runs/0001.csv.part ] && awk -F, '\$3 == \"0\" {armed = 1} armed && \$3 > 20 {found = 1} END {exit !found}' $1/runs/0001.csv.part; do sleep 0.05; done" ||
        fail "the push did not begin: $(cat err.txt)"
}

start_rig --speedup 4 "${TWO_GEARS[@]}"
for signal in INT TERM HUP QUIT; do
    begin "stopped-$signal"
    kill -"$signal" "$capture"
    wait "$capture"
    same "status after $signal" 1 $?
    same "last line after $signal" \
        "nipbench-capture: stopped-$signal: stopped by the operator after 1 of 4 runs; they are kept" "$(tail -1 err.txt)"
    same "result" "stopped-$signal: 1 of 4 runs recorded: 0 complete, 0 at a limit, 1 interrupted, 0 faults" "$(cat out.txt)"
    same "the run is marked" 1 "$(grep -c '"ended": "interrupted"' "stopped-$signal/runs/0001.json")"
    same "the run is listed" 1 "$(grep -c '"path": "runs/0001.csv"' "stopped-$signal/datapackage.json")"
    same "the run is whole" "$(($(wc -l <"stopped-$signal/runs/0001.csv") - 1))" \
        "$(awk -F'[ ,]+' '/"rows"/ {print $3}' "stopped-$signal/runs/0001.json")"
    same "the motor was cut" 1 "$(grep -c '"text": "motor cut"' "stopped-$signal/runs/0001.json")"
    same "nothing is left unfinished" "" "$(find "stopped-$signal" -name '*.part')"
done

# Whoever takes the terminal away may say so more than once; only Ctrl-C twice cuts at once.
begin "twice"
kill -HUP "$capture"
kill -TERM "$capture"
kill -HUP "$capture"
wait "$capture"
same "status after three signals" 1 $?
same "the feed was ramped down" 1 "$(grep -c '"text": "motion done' twice/runs/0001.json)"
# (It is held meanwhile: the ramp takes milliseconds, and the second word must not come after it.)
begin "cut"
kill -STOP "$capture"
kill -INT "$capture"
kill -QUIT "$capture"
kill -CONT "$capture"
wait "$capture"
same "status after Ctrl-C twice" 1 $?
same "the feed was not ramped down" 0 "$(grep -c '"text": "motion done' cut/runs/0001.json)"
same "the motor was cut" 1 "$(grep -c '"text": "motor cut"' cut/runs/0001.json)"

# A terminal that is lost is a stop too.
python3 - "$CAPTURE" "$PORT" <<'PYTHON'
import os, pty, signal, sys, time
child, terminal = pty.fork()
if child == 0:
    os.execv(sys.argv[1], [sys.argv[1], "run", "plan.yaml", "--port", sys.argv[2], "--out", "lost", "--yes"])
limit = time.monotonic() + 60
while time.monotonic() < limit:
    os.set_blocking(terminal, False)
    try:
        os.read(terminal, 65536)
    except BlockingIOError:
        pass
    try:
        with open("lost/runs/0001.csv.part") as rows:
            steps = [int(row.split(",")[2]) for row in rows.readlines()[1:-1]]
            if 0 in steps and max(steps[steps.index(0):]) > 20:
                break
    except FileNotFoundError:
        pass
    time.sleep(0.02)
os.close(terminal)
_, status = os.waitpid(child, 0)
print(os.waitstatus_to_exitcode(status), file=open("status.txt", "w"))
PYTHON
same "status when the terminal is lost" 1 "$(cat status.txt)"
same "the run is marked" 1 "$(grep -c '"ended": "interrupted"' lost/runs/0001.json)"
same "the motor was cut" 1 "$(grep -c '"text": "motor cut"' lost/runs/0001.json)"

# The program breaks (here: is told to abort): its last word to the rig is to cut.
begin aborted
kill -ABRT "$capture"
wait "$capture" 2>/dev/null
same "it died of it" 134 $?
same "the rig has cut and can be used at once" 0 "$("$CAPTURE" identify "$PORT" >/dev/null; echo $?)"

# The rig goes away.
begin unplugged
kill "$RIG_PID"
wait "$capture"
same "status when the rig goes away" 4 $?
same "message" "nipbench-capture: $PORT: the port is gone; was the rig unplugged?" "$(tail -1 err.txt)"
same "the run is marked as a fault" 1 "$(grep -c '"ended": "fault"' unplugged/runs/0001.json)"
same "the run is listed" 1 "$(grep -c '"path": "runs/0001.csv"' unplugged/datapackage.json)"
same "nothing is left unfinished" "" "$(find unplugged -name '*.part')"

# No room on the disk for the run: a limit on the size of files stands for it.
start_rig --speedup 4 "${TWO_GEARS[@]}"
(
    trap '' XFSZ
    ulimit -f 24
    exec "$CAPTURE" run plan.yaml --port "$PORT" --out full --yes >out.txt 2>err.txt </dev/null
)
same "status on a full disk" 5 $?
same "message on a full disk" "nipbench-capture: full/runs/0001.csv.part: cannot write: File too large" "$(tail -1 err.txt)"
same "rows are whole" "" "$(tail -c1 full/runs/0001.csv | tr -d '\n')"
same "what fitted is filed as a fault" 1 "$(grep -c '"ended": "fault"' full/runs/0001.json)"
same "the rig can be used again" 0 "$("$CAPTURE" identify "$PORT" >/dev/null; echo $?)"
finish
