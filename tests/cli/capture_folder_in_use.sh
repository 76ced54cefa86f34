# An output folder with anything in it is refused, and nothing in it is touched.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration
mkdir -p series/runs other
printf '{"name": "earlier"}\n' >series/datapackage.json
printf 'time_us\n' >series/runs/0001.csv.part
printf 'mine\n' >other/notes.txt
before=$(sums series; sums other)
expect 2 "" "nipbench-capture: series: already holds a series; go on with it by run --resume, or choose another folder (nothing was changed)" \
    "$CAPTURE" run plan.yaml --port /dev/ttyNONE --out series --yes
expect 2 "" "nipbench-capture: other: is not empty; choose another folder (nothing was changed)" \
    "$CAPTURE" run plan.yaml --port /dev/ttyNONE --out other --yes
expect 2 "" "nipbench-capture: plan.yaml: cannot be used for a series: Not a directory" \
    "$CAPTURE" run plan.yaml --port /dev/ttyNONE --out plan.yaml --yes
same "files are as before" "$before" "$(sums series; sums other)"
same "no more files" "calibration.json other plan.yaml series" "$(echo *)"

# The folder above a new one must be there; that shows before anything moves.
start_rig --speedup 50 "${TWO_GEARS[@]}"
"$CAPTURE" run plan.yaml --port "$PORT" --out no/where --yes >out.txt 2>err.txt
same "status" 2 $?
same "message" "nipbench-capture: no/where: the folder cannot be made: No such file or directory" "$(tail -1 err.txt)"
same "nothing on standard output" "" "$(cat out.txt)"
finish
