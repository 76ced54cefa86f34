# Plans and calibrations that cannot be carried out: exit 3, the place named, nothing moved and nothing made.
. "$(dirname "$0")/capture_common.sh"
start_rig --speedup 50 "${TWO_GEARS[@]}" --serial R-17 --rate-max 50000
write_calibration

refuse() { # SED-COMMAND STDERR
    write_plan
    sed -i "$1" plan.yaml
    expect 3 "" "nipbench-capture: $2" "$CAPTURE" run plan.yaml --port "$PORT" --out out --yes
    same "no folder after: $1" 1 "$([ ! -e out ] && echo 1)"
}

refuse 's/^  time_s: 20/&\n  speed: 3/' 'plan.yaml:16:3: unknown key '"'speed'"'
    speed: 3
    ^'
refuse 's/\[5\]/[5, 900]/' 'plan.yaml:27:22: speeds_mm_s: 900 mm/s is outside 0 to 500 mm/s
      speeds_mm_s: [5, 900]
                       ^'
refuse 's/\[5\]/[5, 0]/' 'plan.yaml:27:22: speeds_mm_s: 0 mm/s is too slow: it must be above 0.01 mm/s
      speeds_mm_s: [5, 0]
                       ^'
refuse 's/rate_hz: 1000/rate_hz: 100000/' \
    'plan.yaml: rate_hz: this rig samples at most 50000 times a second, not 100000'
refuse 's/force_n: 130/force_n: 9000/' \
    'plan.yaml: force_n: 9000 N would read 36012345 counts, outside this rig'"'"'s converter (-8388607 to 8388607)'
refuse 's/drive_diameter_mm: 12/&\n    microsteps: 8/' \
    "plan.yaml: feeder gear-12mm: the rig's driver is set to 16 microsteps, the plan says 8"
refuse '/^simulated/d' "plan.yaml: the rig at $PORT is simulated (50 rig seconds a second): the plan must say 'simulated: true'"

# A calibration past the age that the plan allows; the days since then are counted by the clock.
age() { # DATE DAYS WANTED
    local got
    write_plan
    write_calibration
    sed -i "s/^seed/calibration_max_age_days: $2\\nseed/" plan.yaml
    sed -i "s/2031-03-02T09:15:00Z/$1/" calibration.json
    "$CAPTURE" run plan.yaml --port "$PORT" --out out --yes >.out 2>.err </dev/null
    same "exit status with a calibration of $1" 3 "$?"
    got=$(sed 's/[0-9.]* days/N days/' .err)
    same "message about a calibration of $1" "nipbench-capture: calibration.json: this calibration $3: calibrate anew, or change calibration_max_age_days in plan.yaml" "$got"
    same "no folder with a calibration of $1" 1 "$([ ! -e out ] && echo 1)"
}
age "$(date -u -d '40 days ago' +%Y-%m-%dT%H:%M:%SZ)" 30.5 "is N days old, but the plan allows only 30.5"
age "$(date -u -d '40 days' +%Y-%m-%d)" 30.5 "is dated N days ahead, so its age cannot be told"
write_calibration

write_plan
expect 3 "" "nipbench-capture: absent.yaml: cannot be opened: No such file or directory" \
    "$CAPTURE" run absent.yaml --port "$PORT" --out out --yes
sed -i 's/"rig_serial": ""/"rig_serial": "R-16"/' calibration.json
expect 3 "" "nipbench-capture: calibration.json: this calibration is of rig R-16, but the rig at $PORT is R-17" \
    "$CAPTURE" run plan.yaml --port "$PORT" --out out --yes
mkdir elsewhere
mv plan.yaml elsewhere/
expect 3 "" "nipbench-capture: elsewhere/calibration.json: no such file; elsewhere/plan.yaml names it as the rig's calibration: put it there, or correct 'calibration'" \
    "$CAPTURE" run elsewhere/plan.yaml --port "$PORT" --out out --yes
same "nothing was made" "calibration.json elsewhere" "$(echo *)"
finish
