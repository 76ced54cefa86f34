#!/bin/bash
# nipbench-capture watch: bad use, lines, JSON, the picture on a terminal, and what ends it.
. "$(dirname "$0")/capture_common.sh"

# What a terminal shows: runs a command on a pseudo-terminal of its own, as the foreground job of a session, and obeys
# the steps of a script. Understands only the cursor movements that are allowed here.
cat >terminal.py <<'END'
import fcntl, os, pty, re, select, signal, struct, sys, termios, time

class Screen:
    def __init__(self, columns, rows):
        self.columns, self.rows = columns, rows
        self.lines = [[]]
        self.row = self.column = 0
        self.cursor = True
        self.pictures = 0
        self.wrapped = False
        self.resized = False

    def resize(self, columns, rows):
        """What is too much is lost at the top, and the next picture may still be one for the old size."""
        self.columns, self.rows = columns, rows
        lost = max(0, len(self.lines) - rows)
        del self.lines[:lost]
        self.row = max(0, self.row - lost)
        self.resized = True

    def feed(self, text):
        while text:
            found = re.match(r"\x1b\[(\?25[lh]|\d*[AKJH])", text)
            if found:
                self.move(found[1])
                text = text[found.end():]
                continue
            if text[0] == "\x1b" and len(text) < 8:
                return text  # the rest is still to come
            assert text[0] != "\x1b", "unknown sequence %r" % text[:12]
            self.put(text[0])
            text = text[1:]
        return ""

    def move(self, what):
        n = int(re.match(r"\d*", what)[0] or 0)
        if what == "?25l":
            self.cursor = False
        elif what == "?25h":
            self.cursor = True
        elif what[-1] == "A":
            assert n <= self.row or self.resized, "above the top"
            self.row = max(0, self.row - n)
        elif what == "H":
            self.row = self.column = 0
        elif what == "2J":
            self.lines = [[] for _ in self.lines]
        elif what == "K":
            del self.lines[self.row][self.column:]
        elif what == "J":
            del self.lines[self.row][self.column:]
            del self.lines[self.row + 1:]
            self.pictures += 1
        else:
            raise AssertionError("unknown sequence " + what)

    def put(self, character):
        if character == "\r":
            self.column = 0
        elif character == "\n":
            self.row += 1
            while len(self.lines) <= self.row:
                self.lines.append([])
            if len(self.lines) > self.rows:
                self.lines.pop(0)
                self.row -= 1
        else:
            assert character >= " ", "control character %r" % character
            line = self.lines[self.row]
            line.extend(" " * (self.column + 1 - len(line)))
            line[self.column] = character
            self.column += 1
            self.wrapped = self.wrapped or self.column >= self.columns

    def text(self):
        return "\n".join("".join(line).rstrip() for line in self.lines).strip("\n")

class Job:
    """A command on a terminal. Its session leader does what a shell does for Ctrl-Z and fg."""
    def __init__(self, command, columns=80, rows=24):
        self.screen = Screen(columns, rows)
        self.rest = b""
        self.left = ""
        self.command_pid = None
        orders, self.orders = os.pipe()
        self.reports, reports = os.pipe()
        self.leader, self.fd = pty.fork()
        if self.leader == 0:
            lead(command, orders, reports)
        os.close(orders)
        os.close(reports)
        self.resize(columns, rows)
        self.screen.resized = False
        self.before = termios.tcgetattr(self.fd)
        os.write(self.orders, b"g")
        self.command_pid = int(self.report())

    def resize(self, columns, rows):
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.screen.resize(columns, rows)

    def report(self, seconds=20):
        """The leader's next word: pid, stopped, or ended N."""
        end = time.monotonic() + seconds
        word = b""
        while time.monotonic() < end:
            self.read(0.02)
            if select.select([self.reports], [], [], 0)[0]:
                byte = os.read(self.reports, 1)
                if byte in (b"\n", b""):
                    self.read(0.1)
                    return word.decode()
                word += byte
        raise AssertionError("nothing happened; the screen:\n" + self.screen.text())

    def read(self, seconds):
        end = time.monotonic() + seconds
        while True:
            ready = select.select([self.fd], [], [], max(0, end - time.monotonic()))[0]
            if not ready:
                return
            try:
                got = os.read(self.fd, 65536)
            except OSError:
                return
            self.rest += got
            text = self.rest.decode("utf-8", "ignore")
            self.rest = self.rest[len(text.encode()):]
            self.left = self.screen.feed(self.left + text)

    def until(self, pattern, seconds=20):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.read(0.05)
            found = re.search(pattern, self.screen.text(), re.M)
            if found:
                return found
        raise AssertionError("no %r on the screen:\n%s" % (pattern, self.screen.text()))

    def drawn(self, more, seconds=20):
        """Wait for so many more pictures."""
        wanted, end = self.screen.pictures + more, time.monotonic() + seconds
        while self.screen.pictures < wanted:
            assert time.monotonic() < end, "no picture; the screen:\n" + self.screen.text()
            self.read(0.05)

    def number(self, label):
        return float(self.until(r"^%s +(-?[0-9.]+) " % label)[1])

    def press(self, keys):
        os.write(self.fd, keys)

    def restored(self):
        self.read(0.1)
        assert termios.tcgetattr(self.fd) == self.before, "settings are not what they were"
        assert self.screen.cursor, "the cursor is hidden"

    def ended(self, status):
        word = self.report()
        assert word == "ended %d" % status, word + "\n" + self.screen.text()
        self.restored()
        os.write(self.orders, b"x")
        os.waitpid(self.leader, 0)

def lead(command, orders, reports):
    signal.signal(signal.SIGTTOU, signal.SIG_IGN)
    os.read(orders, 1)
    pid = os.fork()
    if pid == 0:
        os.setpgid(0, 0)
        os.tcsetpgrp(0, os.getpid())
        signal.signal(signal.SIGTTOU, signal.SIG_DFL)
        os.execvp(command[0], command)
    os.write(reports, b"%d\n" % pid)
    while True:
        _, how = os.waitpid(pid, os.WUNTRACED)
        os.tcsetpgrp(0, os.getpid())
        if not os.WIFSTOPPED(how):
            status = os.WEXITSTATUS(how) if os.WIFEXITED(how) else 128 + os.WTERMSIG(how)
            os.write(reports, b"ended %d\n" % status)
            os.read(orders, 1)
            os._exit(0)
        os.write(reports, b"stopped\n")
        os.read(orders, 1)
        os.tcsetpgrp(0, pid)
        os.killpg(pid, signal.SIGCONT)
END

# on_terminal WHAT: the Python statements on standard input, with watch(...) and hang(...).
on_terminal() {
    checks=$((checks + 1))
    { cat <<'END'
import os, signal, time
from terminal import Job
def watch(*more, **size):
    return Job([os.environ["CAPTURE"], "watch", os.environ["PORT"], *more], **size)
def hang(newton):
    with open("hands", "w") as hands:
        hands.write("hang %g\n" % newton)
END
    cat; } >steps.py
    PORT=$PORT python3 -B steps.py >"$WORK/.out" 2>&1 || fail "$1: $(cat "$WORK/.out")"
}

# start_hands OPTION...: a rig whose hands obey the pipe `hands'.
start_hands() {
    rm -f hands
    mkfifo hands
    exec {hands_fd}<>hands
    exec {rig_fd}< <(exec "$RIG" --hands "$@" <hands 2>"$WORK/.rig_err")
    RIG_PID=$!
    helpers+=("$RIG_PID")
    read -r PORT <&"$rig_fd" || { fail "the rig did not start: $(cat "$WORK/.rig_err")"; exit 1; }
}

hang() {
    echo "hang $1" >hands
    read -r _ <&"$rig_fd"
}

stop_rig() {
    kill "$RIG_PID"
    wait "$RIG_PID" 2>/dev/null
    exec {rig_fd}<&-
}

write_calibration
sed 's/"feeds": \[\]/"feeds": [{"feeder": "gear-8mm", "mm_per_microstep": 0.00785, "standard_uncertainty_mm_per_microstep": 0.00001, "degrees_of_freedom": null}]/' \
    calibration.json >with_feed.json

# Bad use.
export ARGP_HELP_FMT=rmargin=200
SEE='Try `nipbench-capture watch --help'"'"' or `nipbench-capture watch --usage'"'"' for more information.'
SAYS='nipbench-capture watch:'
expect 2 "" "$SAYS PORT is missing"$'\n'"$SEE" "$CAPTURE" watch
expect 2 "" "$SAYS unexpected argument 'b'"$'\n'"$SEE" "$CAPTURE" watch a b
expect 2 "" "$SAYS --feeder is empty"$'\n'"$SEE" "$CAPTURE" watch --feeder= a
for bad in --rate=fast --rate=0 --rate=1e9 --seconds=-1 --seconds=0 --seconds=nan; do
    "$CAPTURE" watch "$bad" /dev/null >.out 2>.err
    same "exit status of $bad" 2 $?
    same "standard output of $bad" "" "$(cat .out)"
    same "lines about $bad" 2 "$(wc -l <.err)"
done
expect 4 "" "nipbench-capture: nowhere: no such port" "$CAPTURE" watch nowhere
expect 3 "" "nipbench-capture: none.json: cannot be opened: No such file or directory" \
    "$CAPTURE" watch --calibration none.json nowhere

# A rig with two gears, whose log shows what it was told.
start_hands "${TWO_GEARS[@]}" --rate-max 2000 --log rig.log
expect 2 "" "nipbench-capture: --rate 3000 is too much for this rig; it samples up to 2000 times a second" \
    "$CAPTURE" watch --rate 3000 "$PORT"
"$CAPTURE" watch "$PORT" --feeder no-such-gear >.out 2>.err
same "exit status without such a gear" 4 $?
same "lines without such a gear" 1 "$(wc -l <.err)"
sed 's/"rig_serial": ""/"rig_serial": "other"/' calibration.json >other.json
expect 4 "" "nipbench-capture: this calibration is of rig other, but the rig at $PORT is SIMULATED" \
    "$CAPTURE" watch --calibration other.json --feeder gear-8mm "$PORT"

# Lines: a header, then one a second; columns stand under their names.
hang 19.62
"$CAPTURE" watch "$PORT" --feeder gear-8mm --calibration with_feed.json --seconds 3 >lines.txt 2>.err
same "exit status of lines" 0 $?
same "standard error of lines" "nipbench-capture: watching only: nothing moves, the rig is never armed" "$(cat .err)"
same "number of lines" 4 "$(wc -l <lines.txt)"
same "columns" "time_s force_n noise_n mains_n mains_hz feed_steps feed_mm encoder slip_mm rate_hz missing flags" \
    "$(sed -n 1p lines.txt | tr -s ' ' | sed 's/^ //')"
same "end of the columns before the last" 1 \
    "$(sed -E 's/  [a-z]+$//' lines.txt | awk '{print length}' | sort -u | wc -l)"
same "what the last line says" "force and noise, slip and rate, nothing missing, none" "$(tail -1 lines.txt | awk '
    {if ($2 > 18.6 && $2 < 20.6 && $3 > 0.2 && $3 < 0.5) printf "force and noise, "
     if ($9 == "0.000" && $10 > 990 && $10 < 1010) printf "slip and rate, "
     if ($11 == 0) printf "nothing missing, "
     print $12}')"

# Nothing to calibrate with: counts. Too few samples for the mains.
"$CAPTURE" watch "$PORT" --feeder gear-8mm --rate 80 --seconds 1 2>.err >lines.txt
same "exit status of counts" 0 $?
same "counts" "force_counts yes" "$(awk 'NR == 1 {name = $2} NR == 2 {print name, ($2 > 60000 && $2 < 120000 && $4 == "-" ? "yes" : $0)}' lines.txt)"

# JSON, one object a line.
"$CAPTURE" watch "$PORT" --feeder gear-8mm --calibration with_feed.json --seconds 2 --json >lines.json 2>.err
same "exit status of JSON" 0 $?
same "JSON" "2 N 1000 0.0 [] True True" "$(python3 -c '
import json
rows = [json.loads(line) for line in open("lines.json")]
r = rows[-1]
print(len(rows), r["force_unit"], round(r["sample_rate_hz"]), r["slip_mm"], r["flags"], abs(r["force"] - 19.62) < 1,
      r["mains"] in ("seen", "below the noise") and r["mains_amplitude"] < 0.2)')"
"$CAPTURE" watch "$PORT" --feeder gear-8mm --rate 80 --seconds 1 --json 2>.err >lines.json
same "JSON at 80 Hz" "counts None cannot be seen at this sample rate None" "$(python3 -c '
import json
r = json.loads(open("lines.json").readline())
print(r["force_unit"], r["slip_mm"], r["mains"], r["mains_hz"])')"
"$CAPTURE" watch "$PORT" --feeder gear-8mm 2>.err >/dev/full
same "exit status of a full output" 5 $?
same "a full output" "nipbench-capture: cannot write to standard output" "$(sed 1d .err)"

# Ctrl-C on lines.
: >lines.txt
"$CAPTURE" watch "$PORT" --feeder gear-8mm >lines.txt 2>.err &
watching=$!
helpers+=("$watching")
for _ in $(seq 200); do [ "$(wc -l <lines.txt)" -ge 2 ] && break; sleep 0.05; done
kill -INT "$watching"
wait "$watching"
same "exit status after Ctrl-C" 0 $?

# The picture, at three widths; z, q, resizing.
hang 40
export LC_ALL=C.UTF-8
for columns in 40 80 200; do
    on_terminal "picture at $columns columns" <<END
hang(40)
job = watch("--feeder", "gear-8mm", "--calibration", "with_feed.json", columns=$columns)
job.until("^last 60 s .*[▁▂▃▄▅▆▇█]")
assert abs(job.number("force") - 40) < 1.5, job.screen.text()
job.until("^range .*█░")
job.until("z zero   q quit\$")
job.until("^flags +none")
assert not job.screen.cursor
job.press(b"x\033[A")
job.press(b"z")
job.until("^force +-?[01][.][0-9]+ N")
assert abs(job.number("force")) < 1.5
job.until("^range .*█░")
before, begun = job.screen.pictures, time.monotonic()
job.read(2)
rate = (job.screen.pictures - before) / (time.monotonic() - begun)
assert 2 < rate <= 6, rate
assert not job.screen.wrapped
job.press(b"q")
job.ended(0)
assert job.screen.text().count("force") == 1, job.screen.text()
END
done
on_terminal "a terminal that changes its size" <<'END'
job = watch("--feeder", "gear-8mm", columns=120)
job.until("^nothing moves: never armed")
for columns, rows in (30, 24), (200, 8), (10, 3), (80, 24):
    job.resize(columns, rows)
    job.drawn(2)
    job.screen.wrapped = False
    job.drawn(1)
    lines = job.screen.text().split("\n")
    assert not job.screen.wrapped and len(lines) <= rows and max(map(len, lines)) < columns, lines
job.until("^nothing moves: never armed")
os.kill(job.command_pid, signal.SIGTERM)
job.ended(0)
END
for how in 'job.press(b"\x03")' 'job.press(b"\x1c")' 'os.kill(job.command_pid, signal.SIGHUP)'; do
    on_terminal "ended by $how" <<END
job = watch("--feeder", "gear-8mm")
job.until("^flags")
$how
job.ended(0)
END
done
on_terminal "killed by a signal that is no request" <<'END'
job = watch("--feeder", "gear-8mm")
job.until("^flags")
os.kill(job.command_pid, signal.SIGUSR1)
job.ended(128 + signal.SIGUSR1)
END
on_terminal "Ctrl-Z and fg" <<'END'
job = watch("--feeder", "gear-8mm", "--calibration", "with_feed.json")
job.until("^samples +[0-9]")
for _ in range(2):
    job.press(b"\x1a")
    assert job.report() == "stopped"
    job.restored()
    pictures = job.screen.pictures
    job.read(1.2)
    assert job.screen.pictures == pictures
    os.write(job.orders, b"g")
    job.drawn(3)
    assert not job.screen.cursor
    assert abs(job.number("force") - 40) < 1.5
    assert abs(job.number("samples") - 1000) < 20
job.until("^missing +0 frames")
os.kill(job.command_pid, signal.SIGSTOP)
assert job.report() == "stopped"
time.sleep(1.2)
os.write(job.orders, b"g")
job.drawn(3)
job.press(b"q")
job.ended(0)
END
export LC_ALL=C
on_terminal "a terminal without UTF-8" <<'END'
job = watch("--feeder", "gear-8mm", "--calibration", "with_feed.json")
job.until("^range .*#+[.]+")
assert job.screen.text().isascii()
job.press(b"q")
job.ended(0)
END
on_terminal "lines on a terminal that ends by itself" <<'END'
job = watch("--feeder", "gear-8mm", "--seconds", "1")
job.ended(0)
END
same "what the rig was told to do" "" "$(grep -E '"what": *"(armed|move)"' rig.log)"
same "the log is one" yes "$(grep -q '"configured"' rig.log && echo yes)"

# The window.
unset DISPLAY WAYLAND_DISPLAY
expect 5 "" "nipbench-capture: --plot needs a display, and neither DISPLAY nor WAYLAND_DISPLAY is set; over ssh use ssh -X, or leave out --plot" \
    "$CAPTURE" watch "$PORT" --feeder gear-8mm --plot
mkdir empty fake
expect 5 "" "nipbench-capture: --plot needs gnuplot, and there is none on the path; install it or leave out --plot" \
    env PATH="$WORK/empty" DISPLAY=:7 "$CAPTURE" watch "$PORT" --feeder gear-8mm --plot
cat >fake/gnuplot <<'END'
#!/bin/sh
case "$*" in
*GPVAL_TERMINALS*) echo " canvas dumb $FAKE_WINDOW svg " >&2 ;;
*) [ -z "$FAKE_COMPLAINT" ] || echo "$FAKE_COMPLAINT" >&2; exec cat >"$FAKE_OUT" ;;
esac
END
chmod +x fake/gnuplot
export FAKE_OUT=$WORK/plot.txt FAKE_WINDOW='' FAKE_COMPLAINT=''
expect 5 "" "nipbench-capture: this gnuplot cannot open windows (no terminal type qt, wxt or x11); install one that can or leave out --plot" \
    env PATH="$WORK/fake:$PATH" DISPLAY=:7 "$CAPTURE" watch "$PORT" --feeder gear-8mm --plot
export FAKE_WINDOW='x11 xterm'
PATH="$WORK/fake:$PATH" DISPLAY=:7 "$CAPTURE" watch "$PORT" --feeder gear-8mm --calibration with_feed.json --plot \
    --seconds 2 >lines.txt 2>.err
same "exit status with a window" 0 $?
same "commands to gnuplot" "set terminal x11 noraise noenhanced
set xlabel 'time before now, s'
set ylabel 'push force, N'
set xrange [-60:0]
set grid
unset key
plot '-' using 1:2 with lines
e" "$(grep -vE '^(-?[0-9.]+ -?[0-9.e+-]+)?$' plot.txt | awk '!seen[$0]++')"
if [ -n "$(command -v gnuplot)" ]; then
    { echo 'set terminal dumb'; sed '/^set terminal/d' plot.txt; } | gnuplot -d >drawn.txt 2>.err
    same "gnuplot takes the commands" "" "$(grep -vE '^(Warning: empty y range.*)?$' .err)" # of the first picture
    same "gnuplot draws them" yes "$(grep -q 'time before now' drawn.txt && echo yes)"
fi
export FAKE_COMPLAINT='qt.qpa.xcb: could not connect to display :7'
PATH="$WORK/fake:$PATH" DISPLAY=:7 "$CAPTURE" watch "$PORT" --feeder gear-8mm --plot >lines.txt 2>.err
same "exit status of a display that is not there" 5 $?
same "a display that is not there" "nipbench-capture: gnuplot has no window: qt.qpa.xcb: could not connect to display :7" \
    "$(tail -1 .err)"
stop_rig

# What ends it: a rig that restarts, falls silent, is unplugged. Lost frames are counted.
for fault in 'reboot@1.4=the rig restarted' 'mute@1.4+60=the rig has stopped sending samples' \
    'unplugged@1.4+60=the port is gone; was the rig unplugged?'; do
    start_hands --faults "${fault%%=*}"
    "$CAPTURE" watch "$PORT" >lines.txt 2>.err
    same "exit status of ${fault%%=*}" 4 $?
    same "message of ${fault%%=*}" "nipbench-capture: $PORT: ${fault#*=}" "$(sed 1d .err)"
    stop_rig
    start_hands --faults "${fault%%=*}"
    on_terminal "${fault%%=*} on a terminal" <<END
job = watch()
job.until("^flags")
job.ended(4)
assert job.screen.text().split("\n")[-1] == "nipbench-capture: " + os.environ["PORT"] + ": ${fault#*=}", job.screen.text()
assert job.screen.text().count("nipbench-capture") == 1
END
    stop_rig
done
start_hands --faults missing=0.1 --seed 5
"$CAPTURE" watch "$PORT" --json --seconds 2 >lines.json 2>.err
same "exit status with lost frames" 0 $?
same "lost frames are counted, and the rate is what came" "True True" "$(python3 -c '
import json
r = [json.loads(line) for line in open("lines.json")][-1]
print(r["frames_missing"] > 1, r["sample_rate_hz"] < 990)')"
stop_rig
start_hands --faults 'over-range@0.5+60,emergency-stop@0.5+60'
"$CAPTURE" watch "$PORT" --seconds 2 >lines.txt 2>.err
same "flags in words" "over range, emergency stop" "$(tail -1 lines.txt | sed 's/.*  //')"
stop_rig

# A bench of separate instruments.
exec {rig_fd}< <(exec "$RIG" --pair --feeder "$FEEDERS/gear-8mm.yaml" --link river 2>.rig_err)
RIG_PID=$!
helpers+=("$RIG_PID")
read -r _ <&"$rig_fd"
read -r _ <&"$rig_fd"
cp "$FEEDERS/../river/bench-streaming.yaml" bench.yaml
"$CAPTURE" identify bench.yaml >lines.txt 2>.err
same "exit status of identify with separate instruments" 0 $?
same "who they are" "RIVER-PAIR-1" "$(sed -n 's/^rig  *//p' lines.txt)"
"$CAPTURE" watch bench.yaml --seconds 2 >lines.txt 2>.err
same "exit status with separate instruments" 0 $?
same "what they show" "counts, rate, nothing missing, none" "$(tail -1 lines.txt | awk '
    {if ($2 > -100 && $2 < 100) printf "counts, "
     if ($10 > 45 && $10 < 55) printf "rate, "
     if ($11 == 0) printf "nothing missing, "
     print $12}')"
: >lines.txt
"$CAPTURE" watch bench.yaml >lines.txt 2>.err &
watching=$!
helpers+=("$watching")
for _ in $(seq 200); do [ "$(wc -l <lines.txt)" -ge 2 ] && break; sleep 0.05; done
stop_rig
wait "$watching"
same "exit status when they are unplugged" 4 $?
same "lines when they are unplugged" 1 "$(sed 1d .err | wc -l)"

finish
