# Hung weights from the operator's hands to READINGS.csv.
. "$(dirname "$0")/capture_common.sh"
. "$(dirname "$0")/capture_hands.sh"

weigh() {
    "$CAPTURE" weigh --port "$PORT" "$@"
}

# weigh_by_hand NAME OPTION...: unattended; each load is hung as the program asks for it.
weigh_by_hand() {
    local name=$1 line
    shift
    : >"$name.err"
    {
        weigh --out "$name.csv" --yes --timeout 600 "$@" 2>&1 >"$name.out" </dev/null
        echo "status $?"
    } | {
        while IFS= read -r line; do
            printf '%s\n' "$line" >>"$name.err"
            case $line in
            *"take all weights off") hand hang 0 ;;
            *"hang "*" kg ("*) hand hang "$(sed 's/.*hang \(.*\) kg (.*/\1/' <<<"$line" | awk '{printf "%.9f", $1 * 9.84375 * (1 - 1.2 / 8000)}')" ;;
            *"hang "*" N") hand hang "$(sed 's/.*hang \(.*\) N/\1/' <<<"$line")" ;;
            esac
        done
    }
    status=$(sed -n 's/^status //p' "$name.err")
    sed -i '/^status /d' "$name.err"
}

# Wrong words: exit 2, nothing opened, nothing made.
wrong() {
    local text=$1
    shift
    "$CAPTURE" weigh --port /dev/ttyNONE --out r.csv --yes "$@" >out.txt 2>err.txt </dev/null
    same "exit status of: $*" 2 $?
    same "standard output of: $*" "" "$(cat out.txt)"
    same "standard error of: $*" \
        "nipbench-capture weigh: $text Try \`nipbench-capture weigh --help' or \`nipbench-capture weigh --usage' for more information." \
        "$(tr '\n' ' ' <err.txt | sed 's/ $//')"
}
wrong "--loads is missing"
wrong "--loads: 2 are too few; a calibration needs at least 3 different loads" --loads 1,2
wrong "--loads: 2 kg is there twice; give each load once (it is hung again in every cycle)" --loads 1,2,2
wrong "--loads: 1 kg comes after 2 kg; give the loads rising (they are hung falling too)" --loads 2,1,3
wrong "--mass-unit: 'lb' is neither kg nor g" --loads 1,2,3 --mass-unit lb
wrong "unexpected argument 'x'" --loads 1,2,3 x
expect 2 "" "nipbench-capture: standard input is no terminal, so nobody can be asked to hang weights; use --yes to wait for each load instead" \
    "$CAPTURE" weigh --port /dev/ttyNONE --out r.csv --loads 1,2,3
expect 4 "" "nipbench-capture: /dev/ttyNONE: no such port" \
    "$CAPTURE" weigh --port /dev/ttyNONE --out r.csv --loads 1,2,3 --yes
same "nothing was made" 0 "$(find . -name 'r.*' | wc -l)"

# A cell with hysteresis and nothing else, so that every count is known: half of 0.08 N either way.
write_quiet_feeder 'hysteresis_n: 0.08'
start_rig_with_hands --feeder quiet.yaml --speedup 20 --serial bench-3
weigh_by_hand r --loads 4,8,12 --gravity 9.84375 --tolerance-mg 20 --cycles 2
same "status" 0 "$status"
same "result" "r.csv: 14 of 14 readings recorded" "$(cat r.out)"
same "readings" "load_n,reading_counts,direction,cycle
0.000000,12345.000,up,1
39.369094,169661.000,up,1
78.738187,327138.000,up,1
118.107281,484614.000,up,1
78.738187,327390.000,down,1
39.369094,169981.000,down,1
0.000000,12505.000,down,1
0.000000,12505.000,up,2
39.369094,169729.000,up,2
78.738187,327138.000,up,2
118.107281,484614.000,up,2
78.738187,327390.000,down,2
39.369094,169981.000,down,2
0.000000,12505.000,down,2" "$(cat r.csv)"
same "what was said" "gravity 9.84375 m/s2: as entered, operator's estimate
Nothing moves: the motor is cut. Hang the weights gently, and stand clear of where they could fall.
cycle 1 of 2, up: take all weights off
reading 1 of 14: 12345.000 counts, scatter 0.0 counts, n 1008
cycle 1 of 2, up: hang 4 kg (39.3691 N)
reading 2 of 14: 169661.000 counts, scatter 0.0 counts, n 1008
cycle 1 of 2, up: hang 8 kg (78.7382 N)
reading 3 of 14: 327138.000 counts, scatter 0.0 counts, n 1008
cycle 1 of 2, up: hang 12 kg (118.1073 N)
reading 4 of 14: 484614.000 counts, scatter 0.0 counts, n 1008
cycle 1 of 2, down: hang 8 kg (78.7382 N)" "$(head -11 r.err)"
same "the rest of the note" '"density_kg_m3": 7850.0,|"ended": "complete",|"origin": "entered",|"value_m_s2": 9.84375|"serial": "bench-3"|"simulated": true,|"tolerance_mg": 20.0,|"unit": "kg"|' \
    "$(grep -o '"density_kg_m3": .*\|"ended": .*\|"origin": .*\|"value_m_s2": .*\|"serial": .*\|"simulated": .*\|"tolerance_mg": .*\|"unit": .*' r.json | tr '\n' '|')"
same "estimates are named" "loads gravity density_kg_m3 air_density_kg_m3 tolerance_mg" \
    "$(sed -n '/"operator_estimates"/,/\]/p' r.json | grep -o '^    "[a-z0-9_]*' | tr -d ' "' | tr '\n' ' ' | sed 's/ $//')"
same "each reading has its own scatter" 14 "$(grep -c '"sd_counts": 0.0' r.json)"

# Nothing is written over.
before=$(sha256sum r.csv r.json)
expect 2 "" "nipbench-capture: r.csv: exists already; choose another name (nothing was changed)" \
    weigh --out r.csv --loads 1,2,3 --yes
mv r.csv other.csv
expect 2 "" "nipbench-capture: r.json: exists already; choose another name (nothing was changed)" \
    weigh --out r.csv --loads 1,2,3 --yes
mv other.csv r.csv
same "nothing was changed" "$before" "$(sha256sum r.csv r.json)"
expect 2 "" "nipbench-capture: none/r.csv: the folder of this file does not exist" \
    weigh --out none/r.csv --loads 1,2,3 --yes

# Nobody hangs anything.
hand hang 0
weigh --out late.csv --loads-n --loads 5,20,50 --timeout 5 --yes >late.out 2>late.err </dev/null
same "status when no load comes" 1 $?
same "message when no load comes" \
    "nipbench-capture: the reading with 5 N was not steady within 5 s: it is still what it was with the load before; 1 of 21 readings are kept" \
    "$(tail -1 late.err)"
same "what is kept" "load_n,reading_counts,direction,cycle
0.000000,12505.000,up,1" "$(cat late.csv)"
same "the note says so" 1 "$(grep -c '"ended": "interrupted"' late.json)"

# A stop while a load is awaited.
for signal in INT TERM HUP; do
    : >stop.err # of the signal before: the new program may come to it later than we do
    "$CAPTURE" weigh --port "$PORT" --out "$signal.csv" --loads-n --loads 5,20,50 --timeout 3000 --yes >stop.out 2>stop.err </dev/null &
    capture=$!
    wait_for 'up: hang 5 N' stop.err
    hand hang 5
    wait_for 'up: hang 20 N' stop.err
    kill -"$signal" "$capture"
    wait "$capture"
    same "status after $signal" 1 $?
    same "message after $signal" "nipbench-capture: $signal.csv: stopped by the operator after 2 of 21 readings; they are kept" \
        "$(tail -1 stop.err)"
    same "result after $signal" "$signal.csv: 2 of 21 readings recorded" "$(cat stop.out)"
    same "rows after $signal" 3 "$(wc -l <"$signal.csv")"
    hand hang 0
done
same "the rig can be used again" 0 "$("$CAPTURE" identify "$PORT" >/dev/null; echo $?)"

# At a terminal: Enter for each load; too early is asked for once more.
mkfifo keys
script -qefc "'$CAPTURE' weigh --port $PORT --out typed.csv --loads-n --loads 5,20,50" /dev/null <keys >typed.txt 2>&1 &
session=$!
exec {keys_fd}>keys
wait_for 'up: take all weights off - press Enter when ready, Ctrl-C to stop' typed.txt
echo >&"$keys_fd"
wait_for 'up: hang 5 N - press Enter' typed.txt
echo >&"$keys_fd"
wait_for 'The reading with 5 N was not steady: it is still what it was with the load before. Once more - press Enter' typed.txt
hand hang 5
echo >&"$keys_fd"
wait_for 'up: hang 20 N - press Enter' typed.txt
printf '\003' >&"$keys_fd"
wait "$session"
same "status at a terminal" 1 $?
same "readings at a terminal" "0.000000,12505.000,up,1
5.000000,32473.000,up,1" "$(tail -n +2 typed.csv)"

# The rig goes away.
hand hang 0
"$CAPTURE" weigh --port "$PORT" --out gone.csv --loads-n --loads 5,20,50 --yes >gone.out 2>gone.err </dev/null &
capture=$!
wait_for 'up: hang 5 N' gone.err
kill "$RIG_PID"
wait "$capture"
same "status when the rig goes away" 4 $?
same "message when the rig goes away" "nipbench-capture: $PORT: the port is gone; was the rig unplugged?" "$(tail -1 gone.err)"
same "rows when the rig goes away" 2 "$(wc -l <gone.csv)"

# A converter whose range ends at 42 N.
write_quiet_feeder 'counts_min: -180000' 'counts_max: 180000'
start_rig_with_hands --feeder quiet.yaml --speedup 20
weigh_by_hand full --loads-n --loads 20,40,50
same "status of a full converter" 4 "$status"
same "message of a full converter" "nipbench-capture: $PORT: with 50 N the reading is at the end of the converter's range (180000 counts), so the load cannot be read: take the weight off, then lower the amplifier's gain or leave out this load" \
    "$(tail -1 full.err)"
same "readings before are kept" "0.000000,12345.000,up,1
20.000000,92345.000,up,1
40.000000,172345.000,up,1" "$(tail -n +2 full.csv)"

# With noise the readings still are where they should be: within 0.1 N here (scatter 0.3 N, n 1008, drift).
start_rig_with_hands --speedup 20
weigh_by_hand noisy --loads-n --loads 5,20,50 --cycles 1
same "status with noise" 0 "$status"
same "readings with noise" "0 5 20 50 20 5 0" \
    "$(awk -F, 'NR > 1 {off = ($2 - 12345) / 4000 - $1; printf "%s%s", (NR > 2 ? " " : ""), (off < 0.1 && off > -0.1 ? $1 + 0 : "off by " off)}' noisy.csv)"
"$CAPTURE" weigh --help >help.txt 2>help.err
same "status of help" 0 $?
same "standard error of help" "" "$(cat help.err)"
for status in "0 done" "1 ran" "2 wrong use" "3 bad input" "4 port" "5 system"; do
    same "help tells $status" 1 "$(tr -s ' \n' '  ' <help.txt | grep -c "$status")"
done
finish
