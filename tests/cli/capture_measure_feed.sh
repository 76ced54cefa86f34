# Known steps against measured lengths, from the operator's caliper to FEED.csv.
. "$(dirname "$0")/capture_common.sh"
. "$(dirname "$0")/capture_hands.sh"

GEAR=(--feeder quiet --full-steps 200 --microsteps 16 --reduction 1 --diameter 8.125)

wrong() {
    local text=$1
    shift
    "$CAPTURE" measure-feed --port /dev/ttyNONE --out f.csv "$@" >out.txt 2>err.txt </dev/null
    same "exit status of: $*" 2 $?
    same "standard output of: $*" "" "$(cat out.txt)"
    same "standard error of: $*" \
        "nipbench-capture measure-feed: $text Try \`nipbench-capture measure-feed --help' or \`nipbench-capture measure-feed --usage' for more information." \
        "$(tr '\n' ' ' <err.txt | sed 's/ $//')"
}
wrong "--feeder is missing"
wrong "--feeder: 'Quiet' must be 1 to 32 small letters, digits and hyphens" --feeder Quiet
wrong "--full-steps: '200.5' is not a whole number" --feeder quiet --full-steps 200.5
wrong "--lengths: one is too few; two or more tell feed from motion lost at a reversal" "${GEAR[@]}" --lengths 40
wrong "--measured: 3 lengths for 4 moves (2 lengths, 1 repeats, forward and back)" \
    "${GEAR[@]}" --lengths 20,40 --repeats 1 --measured 1,2,3
expect 2 "" "nipbench-capture: standard input is no terminal, so nobody can be asked to measure lengths; use --measured to state them beforehand" \
    "$CAPTURE" measure-feed --port /dev/ttyNONE --out f.csv "${GEAR[@]}" --lengths 20,40
expect 4 "" "nipbench-capture: /dev/ttyNONE: no such port" \
    "$CAPTURE" measure-feed --port /dev/ttyNONE --out f.csv "${GEAR[@]}" --lengths 20,40 --repeats 1 --measured 1,2,3,4
same "nothing was made" 0 "$(find . -name 'f.*' | wc -l)"

# The gear is of 8 mm and not of 8.125 as stated, so the feed is short by 1.54 %. Its rotor comes to rest on full
# steps, which are 0.126 mm apart; from there each move is as long as commanded.
write_quiet_feeder
start_rig_with_hands --feeder quiet.yaml --speedup 20 --serial bench-3
mkfifo keys
script -qefc "'$CAPTURE' measure-feed --port $PORT --out f.csv ${GEAR[*]} --lengths 40,15 --repeats 1 --resolution-mm 0.05" \
    /dev/null <keys >typed.txt 2>&1 &
session=$!
exec {keys_fd}>keys
wait_for 'I have read this and the rig is clear - press Enter' typed.txt
same "cautions are shown" 1 "$(grep -c '^CAUTION' typed.txt)"
echo >&"$keys_fd"
n=0
for move in '40 mm forward' '40 mm backward' '15 mm forward' '15 mm backward'; do
    n=$((n + 1))
    wait_for "move $n of 4, $move: mark the filament where you measure from - press Enter" typed.txt
    hand measure
    echo >&"$keys_fd"
    wait_for "move $n of 4, $move: measured length in mm:" typed.txt
    hand measure
    length=$(awk -v mm="$ANSWER" 'BEGIN {printf "%.2f", mm < 0 ? -mm : mm}')
    if [ "$n" = 2 ]; then
        echo "$length mm" >&"$keys_fd"
        wait_for "is not a number; type millimetres without a sign, such as 99.85" typed.txt
        echo 4 >&"$keys_fd"
        wait_for "4 mm is far from the 40 mm that were commanded; type it once more to keep it" typed.txt
    fi
    echo "$length" >&"$keys_fd"
done
wait "$session"
same "status at a terminal" 0 $?
same "result" 1 "$(grep -c 'f.csv: 4 of 4 lengths recorded' typed.txt)"
same "header" "feeder,commanded_steps,measured_mm,direction,repeat" "$(head -1 f.csv)"
same "moves" "quiet,5015,forward,1 quiet,5015,backward,1 quiet,1880,forward,1 quiet,1880,backward,1" \
    "$(tail -n +2 f.csv | cut -d, -f1,2,4,5 | tr '\n' ' ' | sed 's/ $//')"
same "lengths are those of an 8 mm gear" "" \
    "$(awk -F, 'NR > 1 {off = $3 - $2 * 3.14159265 * 8 / 3200; if (off > 0.07 || off < -0.07) print $0 ": off by " off}' f.csv)"
same "the note" '"drive_diameter_mm": 8.125,|"ended": "complete",|"force_limit_counts": 167772.0,|"full_steps_per_rev": 200,|"microsteps": 16,|"reduction": 1.0,|"resolution_mm": 0.05,|"serial": "bench-3"|"simulated": true,|' \
    "$(grep -o '"drive_diameter_mm": .*\|"ended": .*\|"force_limit_counts": .*\|"full_steps_per_rev": .*\|"microsteps": .*\|"reduction": .*\|"resolution_mm": .*\|"serial": .*\|"simulated": .*' f.json | tr '\n' '|')"
same "estimates are named" "measured_mm drive_diameter_mm resolution_mm" \
    "$(sed -n '/"operator_estimates"/,/\]/p' f.json | grep -o '^    "[a-z_]*' | tr -d ' "' | tr '\n' ' ' | sed 's/ $//')"

unattended() {
    "$CAPTURE" measure-feed --port "$PORT" --repeats 1 "$@" </dev/null
}
before=$(sha256sum f.csv f.json)
expect 2 "" "nipbench-capture: f.csv: exists already; choose another name (nothing was changed)" \
    unattended --out f.csv "${GEAR[@]}" --lengths 20,40 --measured 1,2,3,4
same "nothing was changed" "$before" "$(sha256sum f.csv f.json)"
expect 2 "" "nipbench-capture: --microsteps: the rig's driver is set to 16, not 8" \
    unattended --out g.csv "${GEAR[@]}" --microsteps 8 --lengths 20,40 --measured 1,2,3,4
same "nothing was made" 0 "$(find . -name 'g.*' | wc -l)"

unattended --out g.csv "${GEAR[@]}" --lengths 20,40 --measured 19.5,19.25,39.5,39.375 >out.txt 2>err.txt
same "status unattended" 0 $?
same "result unattended" "g.csv: 4 of 4 lengths recorded" "$(cat out.txt)"
same "file unattended" "feeder,commanded_steps,measured_mm,direction,repeat
quiet,2507,19.5,forward,1
quiet,2507,19.25,backward,1
quiet,5015,39.5,forward,1
quiet,5015,39.375,backward,1" "$(cat g.csv)"
same "what was said, after the cautions" "The filament must be free to move by 40 mm each way, with nothing at its end.
The resolution of the rule or caliper is not stated; --resolution-mm does.
move 1 of 4, 20 mm forward: mark the filament where you measure from
move 2 of 4, 20 mm backward: mark the filament where you measure from
move 3 of 4, 40 mm forward: mark the filament where you measure from
move 4 of 4, 40 mm backward: mark the filament where you measure from" "$(tail -n +7 err.txt)"
same "resolution is not stated" 1 "$(grep -c '"resolution_mm": null' g.json)"

# A stop in the middle of a move.
: >err.txt # of the program before: the new one may come to it later than we do
"$CAPTURE" measure-feed --port "$PORT" --out stop.csv "${GEAR[@]}" --lengths 5,800 --repeats 1 --measured 5,5,800,800 \
    >out.txt 2>err.txt </dev/null &
capture=$!
wait_for 'move 3 of 4' err.txt
kill -INT "$capture"
wait "$capture"
same "status after a stop" 1 $?
same "message after a stop" "nipbench-capture: stop.csv: stopped by the operator after 2 of 4 lengths; they are kept" "$(tail -1 err.txt)"
same "rows after a stop" 3 "$(wc -l <stop.csv)"
same "the note says so" 1 "$(grep -c '"ended": "interrupted"' stop.json)"

# Something in the way: the built-in feeder's filament ends half a millimetre before the blocked end.
start_rig --speedup 20
expect_last=$("$CAPTURE" measure-feed --port "$PORT" --out blocked.csv "${GEAR[@]}" --lengths 20,40 --repeats 1 \
    --measured 1,2,3,4 2>&1 >out.txt </dev/null | tail -1)
same "message when something is in the way" \
    "nipbench-capture: the move of 20 mm forward ended before its end: force limit on the rig; make the way free and begin anew (0 of 4 lengths are kept)" \
    "$expect_last"
same "nothing is left without a row" 0 "$(find . -name 'blocked.*' | wc -l)"
same "the rig can be used again" 0 "$("$CAPTURE" identify "$PORT" >/dev/null; echo $?)"
"$CAPTURE" measure-feed --help >help.txt 2>help.err
same "status of help" 0 $?
same "standard error of help" "" "$(cat help.err)"
for status in "0 done" "1 ran" "2 wrong use" "3 bad input" "4 port" "5 system"; do
    same "help tells $status" 1 "$(tr -s ' \n' '  ' <help.txt | grep -c "$status")"
done
finish
