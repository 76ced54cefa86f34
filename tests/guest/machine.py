"""A Linux guest under QEMU's software emulation that obeys commands; see init for how they come and go."""
import base64
import json
import os
import re
import signal
import socket
import subprocess
import threading
import time

BOOT_LIMIT_S = 180


class Answer:
    def __init__(self, status, out, err, at_s):
        self.status, self.out, self.err, self.at_s = status, out, err, at_s

    def __repr__(self):
        return f"status {self.status}, output {self.out!r}, messages {self.err!r}"


def accept(listener, limit_s, process):
    """The connection of a process that is to call; its end is noticed at once."""
    deadline = time.monotonic() + limit_s
    listener.settimeout(0.2)
    while True:
        try:
            connection = listener.accept()[0]
            listener.close()
            return connection
        except socket.timeout:
            if process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError("QEMU did not start")


class Machine:
    def __init__(self, work, kernel, initrd):
        self.work = work
        self.usb_socket = os.path.join(work, "usb.sock")
        self.number = 0
        self.kernel_lines = []  # (host seconds, text)
        self.qmp_rest = b""
        self.rest = b""
        listeners = {name: self._listen(name) for name in ("console", "agent", "qmp")}
        command = ["setpriv", "--pdeathsig", "KILL", "qemu-system-x86_64", "-accel", "tcg", "-machine", "q35",
                   "-cpu", "max", "-m", "256", "-nodefaults", "-nographic", "-no-reboot", "-kernel", kernel,
                   "-initrd", initrd, "-append", "console=ttyS0 quiet panic=-1"]
        for name in ("console", "agent"):
            command += ["-chardev", f"socket,id={name},path={work}/{name}.sock,server=off",
                        "-serial", f"chardev:{name}"]
        command += ["-qmp", f"unix:{work}/qmp.sock,server=off", "-device", "qemu-xhci,id=hc",
                    "-chardev", f"socket,id=cable,path={self.usb_socket},server=on,wait=off",
                    "-device", "usb-serial,chardev=cable,id=adapter,bus=hc.0", "-trace", "usb_serial_*"]
        self.started_s = time.monotonic()
        # Its own session: whatever happens, the whole of it can be ended.
        self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                                        stderr=subprocess.PIPE, start_new_session=True, bufsize=0)
        try:
            self.console = accept(listeners["console"], 20, self.process)
            self.agent = accept(listeners["agent"], 20, self.process)
            self.qmp = accept(listeners["qmp"], 20, self.process)
            self._qmp_read(20)  # the greeting
            self.ask_qmp("qmp_capabilities")
        except BaseException:
            self.close()
            raise
        threading.Thread(target=self._read_console, daemon=True).start()

    def _listen(self, name):
        path = os.path.join(self.work, name + ".sock")
        if os.path.exists(path):
            os.unlink(path)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.bind(path)
        listener.listen(1)
        return listener

    @property
    def trace(self):
        return self.process.stderr

    def _read_console(self):
        rest = b""
        try:
            while True:
                data = self.console.recv(4096)
                if not data:
                    return
                now_s = time.monotonic()
                *lines, rest = (rest + data).split(b"\n")
                self.kernel_lines += [(now_s, line.decode(errors="replace").strip()) for line in lines]
        except OSError:
            return

    def kernel_said(self, pattern, since_s, limit_s):
        """Host time at which the kernel's line came."""
        deadline = time.monotonic() + limit_s
        while time.monotonic() < deadline:
            for at_s, text in list(self.kernel_lines):
                if at_s >= since_s and re.search(pattern, text):
                    return at_s
            time.sleep(0.005)
        raise RuntimeError(f"the kernel did not say '{pattern}' within {limit_s:g} s")

    def _qmp_read(self, limit_s):
        self.qmp.settimeout(limit_s)
        while b"\n" not in self.qmp_rest:
            data = self.qmp.recv(65536)
            if not data:
                raise RuntimeError("QEMU has closed its control line")
            self.qmp_rest += data
        line, self.qmp_rest = self.qmp_rest.split(b"\n", 1)
        return json.loads(line)

    def ask_qmp(self, command, **arguments):
        """Carry out a command of QEMU; device_del also waits until the device is gone."""
        self.qmp.sendall(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
        answered = deleted = False
        while not answered or (command == "device_del" and not deleted):
            message = self._qmp_read(20)
            if "error" in message:
                raise RuntimeError(f"QEMU refused {command}: {message['error']['desc']}")
            answered = answered or "return" in message
            deleted = deleted or message.get("event") == "DEVICE_DELETED"

    def _agent_line(self, deadline_s):
        while b"\n" not in self.rest:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                raise RuntimeError("the guest did not answer in time")
            self.agent.settimeout(left_s)
            try:
                data = self.agent.recv(65536)
            except socket.timeout:
                continue
            if not data:
                raise RuntimeError("the guest has ended")
            self.rest += data
        line, self.rest = self.rest.split(b"\n", 1)
        return line.decode(errors="replace")

    def wait_ready(self):
        while self._agent_line(self.started_s + BOOT_LIMIT_S) != "@ready":
            pass
        return time.monotonic() - self.started_s

    def send(self, command):
        assert "\n" not in command
        self.number += 1
        self.agent.sendall(f"{self.number} {command}\n".encode())

    def take(self, limit_s):
        """The answer to what was sent last; its at_s is the host's time at which the command ended."""
        deadline_s = time.monotonic() + limit_s
        done = self._agent_line(deadline_s).split()
        at_s = time.monotonic()
        if done[:2] != ["@done", str(self.number)]:
            raise RuntimeError(f"the guest answered '{' '.join(done)}' out of turn")
        texts = []
        for mark in ("@err", "@end"):
            lines = []
            while (line := self._agent_line(deadline_s)) != mark:
                lines.append(line)
            texts.append(base64.b64decode("".join(lines)))
        return Answer(int(done[2]), texts[0], texts[1].decode(errors="replace"), at_s)

    def do(self, command, limit_s=60):
        self.send(command)
        return self.take(limit_s)

    def put(self, path, text):
        encoded = base64.b64encode(text.encode()).decode()
        answer = self.do(f"echo {encoded} | base64 -d >{path}")
        if answer.status != 0:
            raise RuntimeError(f"cannot write {path} in the guest: {answer}")

    def waited_for_processor_ms(self):
        """How long QEMU's threads were kept waiting by other work of this machine, since they began."""
        waited_ns = 0
        folder = f"/proc/{self.process.pid}/task"
        for task in os.listdir(folder):
            try:
                with open(f"{folder}/{task}/schedstat", encoding="ascii") as file:
                    waited_ns += int(file.read().split()[1])
            except OSError:
                pass  # a thread that has ended meanwhile, or a kernel that does not tell
        return waited_ns / 1e6

    def close(self):
        try:
            os.killpg(self.process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        self.process.wait(10)
