# The host keeps the limits of the plan a second time: on a rig that keeps none, the run still ends at the force limit.
. "$(dirname "$0")/capture_common.sh"
write_plan
write_calibration
sed -i 's/force_n: 130/force_n: 20/' plan.yaml
start_rig --speedup 2 --link port --faults limits-ignored --log log.jsonl "${TWO_GEARS[@]}"
"$CAPTURE" run plan.yaml --port port --out series --yes >out.txt 2>err.txt </dev/null
same "status" 0 $?
same "result" "series: 4 of 4 runs recorded: 0 complete, 4 at a limit, 0 interrupted, 0 faults" "$(cat out.txt)"
same "who found it" 4 "$(grep -l '"ended_why": "force limit, found by the host"' series/runs/*.json | wc -l)"
same "the rig was told to cut while it pushed" 4 "$(grep -c '"what":"cut","why":"host","armed":true,"moving":true' log.jsonl)"
"$ANALYZE" verify series >/dev/null
same "sound" 0 $?

# A rig that keeps them itself is first.
start_rig --speedup 2 --link second --log second.jsonl "${TWO_GEARS[@]}"
"$CAPTURE" run plan.yaml --port second --out native --yes >out.txt 2>err.txt </dev/null
same "status" 0 $?
same "who found it" 4 "$(grep -l '"ended_why": "force limit on the rig"' native/runs/*.json | wc -l)"
same "the rig cut by itself" 4 "$(grep -c '"what":"cut","why":"force-limit","armed":true,"moving":true' second.jsonl)"
finish
