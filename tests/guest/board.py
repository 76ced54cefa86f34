"""A board with a USB serial adapter: a simulated rig behind the adapter that QEMU emulates.

Bytes go both ways between the adapter's socket and the rig's pseudo-terminal. The adapter's modem lines are read off
QEMU's trace; as on many boards, DTR going from off to on starts the board anew, with another boot number.
"""
import errno
import os
import re
import selectors
import signal
import socket
import subprocess
import threading
import time

DTR = 0x0001
DTR_MASK = 0x0100  # of FTDI's request SET_MODEM_CTRL: only masked lines change
SET_MODEM_CTRL = re.compile(r"usb_serial_handle_control .*0x4001, value 0x([0-9a-f]+)")
SET_BAUD = re.compile(r"usb_serial_set_baud .*?(\d+)\s*$")
MOVE, SAMPLES, EVENT = 0x04, 0x83, 0x84
EVENT_WATCHDOG = 6


def cobs_decode(data):
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        if code == 0 or at + code > len(data):
            return b""
        out += data[at + 1:at + code]
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    return bytes(out)


class Frames:
    """Cuts a stream into frames; a broken one comes out as rubbish, which no one here acts on."""

    def __init__(self):
        self.rest = b""

    def feed(self, data):
        *whole, self.rest = (self.rest + data).split(b"\0")
        for encoded in whole:
            frame = cobs_decode(encoded)
            if len(frame) >= 7:
                yield frame[0], frame[3:-4]


class Board:
    """Served by one thread. What has happened is in `moves`, `watchdogs` and `dtr` as (host seconds, value)."""

    def __init__(self, rig_command, log_folder, usb_socket, trace):
        self.rig_command = rig_command  # a function of the boot's count from 0: the command line
        self.log_folder = log_folder
        self.usb_socket = usb_socket
        self.trace = trace
        self.rig = None
        self.pty = -1
        self.usb = None
        self.backlog = b""  # from the rig, not yet taken by QEMU
        self.boots = 0
        self.dtr_on = False
        self.dtr = []
        self.bauds = []
        self.moves = []
        self.watchdogs = []
        self.host_heard_s = 0.0
        self.trace_rest = b""
        self.other_trace = []
        self.lock = threading.RLock()
        self.ended = threading.Event()
        self.failure = None
        os.set_blocking(trace.fileno(), False)
        self._power_up()
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _power_up(self):
        with open(os.path.join(self.log_folder, f"rig_{self.boots}.err"), "wb") as complaints:
            command = ["setpriv", "--pdeathsig", "KILL", *self.rig_command(self.boots)]
            self.rig = subprocess.Popen(command, stdout=subprocess.PIPE,
                                        stdin=subprocess.DEVNULL, stderr=complaints)
        path = self.rig.stdout.readline().decode().strip()
        if not path.startswith("/dev/pts/"):
            raise RuntimeError(f"the simulated rig did not start: '{path}'")
        self.pty = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self.from_rig = Frames()
        self.to_rig = Frames()
        self.boots += 1

    def _power_down(self):
        if self.pty >= 0:
            os.close(self.pty)
            self.pty = -1
        if self.rig is not None:
            self.rig.send_signal(signal.SIGTERM)
            try:
                self.rig.wait(5)
            except subprocess.TimeoutExpired:
                self.rig.kill()
                self.rig.wait(5)
            self.rig.stdout.close()
            self.rig = None

    def connect(self, limit_s):
        """The board's side of the cable: QEMU shows the adapter to the guest once this is done."""
        deadline = time.monotonic() + limit_s
        while True:
            usb = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                usb.connect(self.usb_socket)
                break
            except OSError as error:
                usb.close()
                if error.errno not in (errno.ENOENT, errno.ECONNREFUSED) or time.monotonic() > deadline:
                    raise
                time.sleep(0.02)
        usb.setblocking(False)
        with self.lock:
            self.usb = usb

    def disconnect(self):
        """The cable is out: what is under way in it is lost, and so is the state of the adapter's lines."""
        with self.lock:
            if self.usb is not None:
                self.usb.close()
            self.usb = None
            self.backlog = b""
            self.dtr_on = False

    def boot_count(self):
        with self.lock:
            return self.boots

    def dtr_drops(self):
        with self.lock:
            return sum(not on for _, on in self.dtr)

    def _take_trace(self):
        try:
            data = os.read(self.trace.fileno(), 65536)
        except BlockingIOError:
            return
        *lines, self.trace_rest = (self.trace_rest + data).split(b"\n")
        for line in lines:
            text = line.decode(errors="replace")
            modem = SET_MODEM_CTRL.search(text)
            baud = SET_BAUD.search(text)
            if baud:
                self.bauds.append((time.monotonic(), int(baud[1])))
            elif modem and int(modem[1], 16) & DTR_MASK:
                on = bool(int(modem[1], 16) & DTR)
                self.dtr.append((time.monotonic(), on))
                if on and not self.dtr_on:
                    self._power_down()
                    self._power_up()
                self.dtr_on = on
            elif not modem and "usb_serial_" not in text:
                self.other_trace.append(text)

    def _take_from_host(self):
        try:
            data = self.usb.recv(65536)
        except BlockingIOError:
            return
        if not data:
            self.disconnect()
            return
        self.host_heard_s = time.monotonic()
        self.moves += [self.host_heard_s for kind, _ in self.to_rig.feed(data) if kind == MOVE]
        try:
            os.write(self.pty, data)
        except BlockingIOError:
            pass  # a line without flow control loses what its other end does not take

    def _take_from_rig(self):
        try:
            data = os.read(self.pty, 4096)
        except BlockingIOError:
            return
        for kind, body in self.from_rig.feed(data):
            if kind == EVENT and body[4] == EVENT_WATCHDOG:
                silence_ms = int.from_bytes(body[5:9], "little", signed=True)
                self.watchdogs.append((time.monotonic(), silence_ms))
        if self.usb is not None:
            self.backlog += data
            self._send_backlog()

    def _send_backlog(self):
        try:
            self.backlog = self.backlog[self.usb.send(self.backlog):]
        except BlockingIOError:
            pass

    def _serve(self):
        try:
            while not self.ended.is_set():
                with self.lock:
                    selector = selectors.DefaultSelector()
                    selector.register(self.trace, selectors.EVENT_READ)
                    if self.usb is not None:
                        waits = selectors.EVENT_WRITE if self.backlog else 0
                        selector.register(self.usb, selectors.EVENT_READ | waits)
                    if not self.backlog:  # a rig whose bytes are not taken waits, and tells what it had to drop
                        selector.register(self.pty, selectors.EVENT_READ)
                    ready = {key.fileobj for key, _ in selector.select(0.005)}
                    selector.close()
                    # The trace first: QEMU writes of a line's change before any byte that follows it.
                    self._take_trace()
                    if self.usb is not None and self.usb in ready:
                        self._take_from_host()
                    if self.usb is not None and self.backlog:
                        self._send_backlog()
                    if self.pty in ready:
                        self._take_from_rig()
                time.sleep(0.0005)  # let others have the lock
        except Exception as error:  # told by whoever waits for something of the board
            self.failure = error

    def close(self):
        self.ended.set()
        self.thread.join(10)
        self.disconnect()
        self._power_down()
