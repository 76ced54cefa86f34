# Ports that are none, or none of a rig: exit 4 and one line.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration

expect 4 "" "nipbench-capture: /dev/ttyNONE: no such port" "$CAPTURE" identify /dev/ttyNONE
expect 4 "" "nipbench-capture: /dev/ttyNONE: no such port" "$CAPTURE" run plan.yaml --port /dev/ttyNONE --out out --yes
expect 4 "" "nipbench-capture: /dev/null: not a serial port" "$CAPTURE" identify /dev/null
# A file stands for the bench that it describes; a plan describes none.
expect 3 "" "nipbench-capture: ./plan.yaml:1:1: the key 'nipbench_bench' is missing in the mapping that begins here
  nipbench_plan: 1
  ^" "$CAPTURE" identify ./plan.yaml

start_quiet
expect 4 "" "nipbench-capture: $PORT: no reply in 3000 ms; is the rig powered, and is this its port?" \
    "$CAPTURE" identify "$PORT"
expect 4 "" "nipbench-capture: $PORT: no reply in 3000 ms; is the rig powered, and is this its port?" \
    "$CAPTURE" run plan.yaml --port "$PORT" --out out --yes
start_quiet echo
expect 4 "" "nipbench-capture: $PORT: 30 bytes came in 3000 ms but no message among them; is this a rig, and is the baud rate right?" \
    "$CAPTURE" identify "$PORT"
start_quiet babble
expect 4 "" "nipbench-capture: $PORT: 48 bytes came in 3000 ms but no message among them; is this a rig, and is the baud rate right?" \
    "$CAPTURE" identify "$PORT"

start_rig --protocol-major 2
expect 4 "" "nipbench-capture: $PORT: rig speaks protocol 2.0; this program knows 1.x: update nipbench" \
    "$CAPTURE" identify "$PORT"
expect 4 "" "nipbench-capture: $PORT: rig speaks protocol 2.0; this program knows 1.x: update nipbench" \
    "$CAPTURE" run plan.yaml --port "$PORT" --out out --yes
start_rig --protocol-major 0
expect 4 "" "nipbench-capture: $PORT: rig speaks protocol 0.0; this program knows 1.x: update the rig's firmware" \
    "$CAPTURE" identify "$PORT"
same "nothing was made" "calibration.json plan.yaml" "$(echo *)"
finish
