# The way of real ports, libserialport, against the simulated rig: the preload shim lets it open a pseudo-terminal.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration
start_rig --speedup 50 "${TWO_GEARS[@]}"

with_shim() {
    LD_PRELOAD=$PTY_SHIM ASAN_OPTIONS=${ASAN_OPTIONS:+$ASAN_OPTIONS:}verify_asan_link_order=0 "$@"
}

expect 4 "" "nipbench-capture: $PORT: not a serial port" "$CAPTURE" identify --serial-library "$PORT"
with_shim "$CAPTURE" identify --serial-library --json "$PORT" >identity.txt 2>err.txt
same "status of identify" 0 $?
same "identity" 1 "$(grep -c '"serial": "SIMULATED"' identity.txt)"
with_shim "$CAPTURE" run plan.yaml --serial-library --baud 123456 --port "$PORT" --out series --yes >out.txt 2>err.txt </dev/null
same "status of run" 0 $?
same "result" "series: 4 of 4 runs recorded: 4 complete, 0 at a limit, 0 interrupted, 0 faults" "$(cat out.txt)"
same "no frame is missing" 4 "$(cat series/runs/*.json | grep -c '"frames_missing": 0')"
kill "$RIG_PID"
with_shim "$CAPTURE" identify --serial-library /dev/ttyNONE >out.txt 2>err.txt
same "status without a port" 4 $?
same "message without a port" "nipbench-capture: /dev/ttyNONE: no such port" "$(cat err.txt)"
finish
