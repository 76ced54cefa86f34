# Sourced by rig/demo: the simulated rig, and the person who stands at it. Not a program of its own. rig, capture,
# analyze, speedup and work (a folder for what is not kept) are set by rig/demo.
# shellcheck shell=bash disable=SC2154

rig_pid=
port=
# start_rig TRUTH FEEDER-FILE...: its path is in port; `hand` speaks to it.
start_rig() {
    local truth=$1 words=() file
    shift
    for file in "$@"; do words+=(--feeder "$file"); done
    rm -f "$work/hands" "$work/answers"
    mkfifo "$work/hands" "$work/answers"
    "$rig" --hands --seed 20261125 --speedup "$speedup" --truth "$truth" "${words[@]}" \
        <"$work/hands" >"$work/answers" 2>"$work/rig.log" &
    rig_pid=$!
    exec {hands}>"$work/hands" {answers}<"$work/answers"
    read -r -t 10 port <&"$answers" || die "the simulated rig did not start: $(cat "$work/rig.log")"
}

stop_rig() {
    [ -n "$rig_pid" ] || return 0
    exec {hands}>&- {answers}<&-
    kill "$rig_pid" 2>/dev/null || true
    wait "$rig_pid" 2>/dev/null || true
    rig_pid=
}

# hand ANSWER WORD...: what the hands at the rig do; the rig must answer with a line that begins with ANSWER.
hand() {
    local wanted=$1 answer=
    shift
    echo "$*" >&"$hands"
    read -r -t 10 answer <&"$answers" || true
    case $answer in "$wanted"*) ;; *) die "the rig does not take '$*': $answer" ;; esac
}

# weigh_as_operator DIR STATED: hangs weights, and puts what was weighed and fitted into DIR. The first version of the
# calibration is what data sheets state; the fitted one replaces it and takes over the encoder's scale.
weigh_as_operator() {
    local into=$1 stated=$2
    say "hanging weights on the load cell: 2 to 12 kg and back, three times"
    mkdir "$into/calibration"
    "$capture" weigh --port "$port" --out "$into/calibration/readings.csv" --feeder gear-8mm --loads 2,4,6,8,10,12 \
        --cycles 3 --latitude 47.5 --height 380 --tolerance-mg 100 --timeout 600 --yes 2>&1 >"$work/weighed" </dev/null |
        hang_what_is_asked
    cat "$work/weighed"
    cp "$stated" "$into/calibration.json"
    "$analyze" calibrate "$into/calibration/readings.csv" --out "$into/calibration.json" >"$into/calibration/calibration.txt"
    head -n 8 "$into/calibration/calibration.txt"
    tail -n 1 "$into/calibration/calibration.txt"
    say "the whole fit is in $into/calibration/calibration.txt"
}

# hang_what_is_asked: reads what `weigh` says, hangs each load that it asks for and passes on whatever is no part of the
# dialogue.
hang_what_is_asked() {
    local line force
    while IFS= read -r line; do
        case $line in
        *"take all weights off") force=0 ;;
        *" kg ("*" N)")
            force=${line##*(}
            force=${force% N)}
            ;;
        "reading "*) continue ;;
        *)
            printf '%s\n' "$line" >&2
            continue
            ;;
        esac
        hand "hung $force" hang "$force"
    done
}

# run_as_operator PLAN SERIES LOG: captures a series, doing at the bench what the program asks for. Prints its result;
# all that it said goes to LOG.
run_as_operator() {
    local plan=$1 series=$2 log=$3 capture_pid enter line
    rm -f "$work/told" "$work/enter"
    mkfifo "$work/told" "$work/enter"
    "$capture" run "$plan" --port "$port" --out "$series" <"$work/enter" 2>"$work/told" &
    capture_pid=$!
    exec {enter}>"$work/enter"
    while IFS= read -r line; do
        printf '%s\n' "$line" >>"$log"
        case $line in
        *" - press Enter when ready, Ctrl-C to stop:")
            change_the_bench "${line% - press Enter*}"
            echo >&"$enter"
            ;;
        *", Ctrl-C to stop:") echo >&"$enter" ;; # any other question: the condition stays, and the run is not repeated
        esac
    done <"$work/told"
    exec {enter}>&-
    wait "$capture_pid"
}

# change_the_bench INSTRUCTION: one line of `run`, "Block 1: mount feeder gear-8mm; fit the blocked end". Feeder and nip
# preload the simulated rig takes from the program itself.
change_the_bench() {
    local thing number
    local rest=${1#Block *: }
    while [ -n "$rest" ]; do
        thing=${rest%%; *}
        [ "$thing" = "$rest" ] && rest= || rest=${rest#*; }
        number=${thing##*to }
        number=${number%% *}
        case $thing in
        "I have read this and the rig is clear" | "mount feeder "* | "set the nip preload to "*) ;;
        "take the hot end away, which may still burn") ;;
        "fit the blocked end") hand set end blocked ;;
        "leave the end of the filament free") hand set end free ;;
        "fit the brake and set it to "* | "set the brake to "*) hand set end brake "$number" ;;
        "fit the hot end, wait "*) hand set end hot 215 ;;
        "fit the hot end and set it to "*", wait "* | "set the hot end to "*", wait "*)
            number=${thing%% °C*}
            hand set end hot "${number##* }"
            ;;
        "fit the guide tube, bent by "*)
            number=${thing#*bent by }
            hand set tube "${number%% *}"
            ;;
        "bend the guide tube to "*) hand set tube "$number" ;;
        "take the guide tube away" | "fit no guide tube") hand set tube 0 ;;
        "clean the drive gear") hand set clean ;;
        *) die "the operator does not understand '$thing'" ;;
        esac
    done
}
