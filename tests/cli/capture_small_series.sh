# A small plan from port to data set: what is written is what the descriptor says.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration
start_rig --speedup 50 "${TWO_GEARS[@]}"
"$CAPTURE" run plan.yaml --port "$PORT" --out series --yes >out.txt 2>err.txt </dev/null
same "status" 0 $?
same "result" "series: 4 of 4 runs recorded: 4 complete, 0 at a limit, 0 interrupted, 0 faults" "$(cat out.txt)"
same "cautions are shown" 1 "$(grep -c '^CAUTION' err.txt)"
same "a line for each run" 4 "$(grep -c '^run 000[1-4]  gear-[0-9]*mm  5 mm/s  peak [0-9.]* N  zero moved [-0-9.]* N  6.0 mm  ended: travel$' err.txt)"
same "each feeder is mounted once a block" 4 "$(grep -c '^Block [12]: mount feeder gear-' err.txt)"
same "no control characters without a terminal" "" "$(tr -d '\n -~' <err.txt)"
same "no unfinished run is left" "" "$(find series -name '*.part')"
same "files" "calibration.json datapackage.json plan.yaml runs" "$(ls series | tr '\n' ' ' | sed 's/ $//')"
same "the plan is the plan" "$(cat plan.yaml)" "$(cat series/plan.yaml)"

# Each hash and size of the descriptor against the file itself.
awk -F'"' '/"bytes"/ {sub(/.*: /, ""); sub(/,/, ""); bytes = $0} /"hash"/ {hash = $4} /"path"/ && hash != "" {print hash, bytes, $4; hash = ""}' \
    series/datapackage.json >listed.txt
same "files listed" 10 "$(wc -l <listed.txt)"
while read -r hash bytes path; do
    same "hash of $path" "$hash" "sha256:$(sha256sum <"series/$path" | cut -d' ' -f1)"
    same "size of $path" "$bytes" "$(stat -c %s "series/$path")"
done <listed.txt

for n in 1 2 3 4; do
    csv=series/runs/000$n.csv
    json=series/runs/000$n.json
    same "header of $csv" "time_us,force_counts,commanded_steps,encoder_counts,flags" "$(head -1 $csv)"
    same "rows of $csv" "$(($(wc -l <$csv) - 1))" "$(awk -F'[ ,]+' '/"rows"/ {print $3}' $json)"
    same "rows of $csv are whole numbers, on a grid of 1 ms, without a gap" "" \
        "$(awk -F, 'NR > 1 && ($0 !~ /^[0-9]+,-?[0-9]+,-?[0-9]+,-?[0-9]+,0$/ || $1 != 1000 * (NR - 2))' $csv | head -3)"
    same "$json is simulated and complete" 3 "$(grep -c '"simulated": true\|"ended": "complete"\|"frames_missing": 0' $json)"
done

# The rig is left disarmed and can be used again at once.
"$CAPTURE" identify "$PORT" >identity.txt
same "the rig still answers" 0 $?
same "its serial" 1 "$(grep -c '^rig          SIMULATED$' identity.txt)"

# The same once more at a terminal: the operator presses Enter for the cautions and for each feeder, when it is asked for.
mkfifo keys
script -qefc "'$CAPTURE' run plan.yaml --port $PORT --out attended" /dev/null <keys >typed.txt 2>&1 &
exec {keys_fd}>keys
for asked in 1 2 3 4 5; do
    timeout 60 bash -c "until [ \$(grep -c 'press Enter when ready' typed.txt) -ge $asked ]; do sleep 0.05; done" || fail "question $asked was not asked"
    echo >&"$keys_fd"
done
wait $!
same "status at a terminal" 0 $?
exec {keys_fd}>&-
same "asked to mount" 4 "$(grep -c 'mount feeder gear-.* - press Enter when ready' typed.txt)"
same "result at a terminal" 1 "$(grep -c 'attended: 4 of 4 runs recorded' typed.txt)"
same "a live line" 1 "$([ "$(grep -c $'run [1-4]/4  gear-[0-9]*mm  5 mm/s  \(at rest\|pushing\)' typed.txt)" -gt 0 ] && echo 1)"
same "runs" 4 "$(ls attended/runs/*.csv | wc -l)"

# Ctrl-C at the cautions: nothing has moved and nothing is made.
script -qefc "'$CAPTURE' run plan.yaml --port $PORT --out never" /dev/null <keys >typed.txt 2>&1 &
exec {keys_fd}>keys
timeout 60 bash -c "until grep -q 'press Enter when ready' typed.txt; do sleep 0.05; done" || fail "no question was asked"
printf '\003' >&"$keys_fd"
wait $!
same "status after Ctrl-C at the cautions" 1 $?
same "message after Ctrl-C" 1 "$(grep -c 'nipbench-capture: stopped by the operator before the first run' typed.txt)"
same "no folder after Ctrl-C" 1 "$([ ! -e never ] && echo 1)"
finish
