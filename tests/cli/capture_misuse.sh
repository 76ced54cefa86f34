# Wrong calls: exit 2, the wrong word named, nothing on standard output.
. "$(dirname "$0")/capture_common.sh"

# misuse NAME TEXT COMMAND...: the message, then where help is. Line breaks are the library's business.
misuse() {
    local name=$1 text=$2
    shift 2
    "$@" >out.txt 2>err.txt </dev/null
    same "exit status of: $*" 2 $?
    same "standard output of: $*" "" "$(cat out.txt)"
    same "standard error of: $*" \
        "$name: $text Try \`$name --help' or \`$name --usage' for more information." \
        "$(tr '\n' ' ' <err.txt | sed 's/ $//')"
}

write_plan
write_calibration

misuse "nipbench-capture" "a command is missing" "$CAPTURE"
misuse "nipbench-capture" "'wach' is no command" "$CAPTURE" wach
misuse "nipbench-capture" "unrecognized option '--fast'" "$CAPTURE" --fast run
misuse "nipbench-capture identify" "PORT is missing" "$CAPTURE" identify
misuse "nipbench-capture identify" "unexpected argument 'b'" "$CAPTURE" identify a b
misuse "nipbench-capture identify" "--baud: '9600x' is not a whole number" \
    "$CAPTURE" identify --baud 9600x a
misuse "nipbench-capture identify" "--baud: 7 is outside 1200 to 12000000" \
    "$CAPTURE" identify a --baud=7
misuse "nipbench-capture ports" "unexpected argument 'x'" "$CAPTURE" ports x
misuse "nipbench-capture run" "PLAN is missing" "$CAPTURE" run --port p --out o
misuse "nipbench-capture run" "--port is missing" "$CAPTURE" run plan.yaml --out o
misuse "nipbench-capture run" "--out is missing" "$CAPTURE" run plan.yaml --port p
expect 2 "" "nipbench-capture: standard input is no terminal, so nobody can be asked to mount feeders; use --yes to run unattended" \
    "$CAPTURE" run plan.yaml --port /dev/ttyNONE --out out
same "no folder was made" 1 "$([ ! -e out ] && echo 1)"

# Asked for, help and version go to standard output with status 0, and help tells all exit statuses.
for words in "--help" "ports --help" "identify --help" "run --help"; do
    # shellcheck disable=SC2086
    "$CAPTURE" $words >help.txt 2>help.err
    same "status of $words" 0 $?
    same "standard error of $words" "" "$(cat help.err)"
    for status in "0 done" "1 ran" "2 wrong use" "3 bad input" "4 port" "5 system"; do
        same "$words tells $status" 1 "$(tr -s ' \n' '  ' <help.txt | grep -c "$status")"
    done
done
"$CAPTURE" --version >version.txt
same "version" 1 "$(grep -c '^nipbench-capture [0-9]' version.txt)"
"$CAPTURE" ports >/dev/full 2>err.txt
status=$?
if "$CAPTURE" ports 2>/dev/null | grep -q .; then
    same "status with a full output" 5 "$status"
    same "message with a full output" "nipbench-capture: cannot write to standard output" "$(cat err.txt)"
fi
same "JSON list of ports" "[" "$("$CAPTURE" ports --json | cut -c1 | head -1)"
finish
