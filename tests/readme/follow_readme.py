#!/usr/bin/env python3
"""Does what README.md says, as it is printed there, from a copy of the tree's own page.

    follow_readme.py README.md --work DIR

DIR is emptied first; the programs get installed into it, and DIR/said.txt holds what all commands said. What the page tells
to be typed is in its fenced blocks, and the words behind the language of a block, which no reader sees, say what kind of
block it is:

    ```sh                       lines for a shell, done one after another from the top of the tree on; each must end
                                with status 0
    ```sh status=N              the same, and the last of them must end with status N
    ```sh second terminal       a program that goes on running while the rest is done
    ```text second terminal     lines typed into that program
    ```yaml plan.yaml           (or json, csv) a file to be saved under that name, in the folder where the reader then is
    ```text                     something to look at: not done

A block of any other kind fails: a page that shows a command which nobody ran is what this test is there to prevent.
Lines listed in ELSEWHERE are done by other parts of tests/run, which is checked too. The person at the bench (who hangs
weights, measures and presses Enter) is played by this script: what a person would do at a real rig, it tells the
simulated one.
"""
import argparse
import os
import queue
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time

TIMEOUT_S = 600
# What other checks of tests/run do, and a piece of text by which to find it there.
ELSEWHERE = {
    "./tests/run": "Everything that is checked",
    "./rig/demo --full": "./rig/demo --full --out",
}


class Block:
    def __init__(self, language, words, lines, number):
        self.language, self.words, self.lines, self.number = language, words, lines, number

    @property
    def text(self):
        return "\n".join(self.lines) + "\n"


def blocks_of(page):
    """The fenced blocks of a page, in its order."""
    found, block = [], None
    for number, line in enumerate(page.split("\n"), 1):
        fence = re.fullmatch(r"```(\S*)\s*(.*)", line)
        if block is not None:
            if fence and fence.group(1) == "":
                found.append(block)
                block = None
            else:
                block.lines.append(line)
        elif fence:
            block = Block(fence.group(1), fence.group(2).split(), [], number)
        elif line.startswith("    ") and line.strip():
            fail(f"line {number}: an indented block is neither done nor marked as something to look at")
    if block is not None:
        fail(f"line {block.number}: this block does not end")
    return found


def commands_of(block):
    """Lines of a shell block; a loop or a line that goes on after a backslash is one command."""
    commands, command, depth = [], "", 0
    for line in block.lines:
        if line.strip() == "" or line.startswith("#"):
            continue
        command += line + "\n"
        depth += len(re.findall(r"^\s*(?:for|while|if)\b", line)) - len(re.findall(r"^\s*(?:done|fi)\b", line))
        if line.endswith("\\") or depth > 0:
            continue
        commands.append(command.rstrip("\n"))
        command = ""
    if command:
        fail(f"line {block.number}: the last command of this block does not end")
    return commands


def fail(text):
    raise SystemExit(f"follow_readme: {text}")


class SecondTerminal:
    """The program that runs beside, and its keyboard."""

    def __init__(self, command, folder, environment):
        self.process = subprocess.Popen(["bash", "-c", "exec " + command], cwd=folder, env=environment, text=True,
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=sys.stderr,
                                        bufsize=1)
        self.answers = queue.Queue()
        threading.Thread(target=self.read, daemon=True).start()
        self.answer()  # where its port is

    def read(self):
        for line in self.process.stdout:
            self.answers.put(line.rstrip("\n"))
        self.answers.put(None)

    def answer(self):
        line = self.answers.get(timeout=30)
        if line is None:
            fail("the program in the second terminal has ended")
        return line

    def type(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        answer = self.answer()
        if answer.startswith("refused"):
            fail(f"second terminal: '{line}' was {answer}")
        return answer

    def end(self):
        self.process.send_signal(signal.SIGTERM)
        if self.process.wait(timeout=30) != 0:
            fail(f"the program in the second terminal ended with status {self.process.returncode}")


class Reader:
    """Somebody who follows the page."""

    def __init__(self, top, work):
        self.folder = top
        self.environment = dict(os.environ)
        root = os.path.join(work, "root")
        # Where 'meson install' puts things, and where the shell then finds them.
        self.environment["DESTDIR"] = root
        installed = os.path.join(root, "usr/local/bin")
        self.environment["PATH"] = installed + os.pathsep + self.environment["PATH"]
        self.environment["MANPATH"] = os.path.join(root, "usr/local/share/man") + ":"
        for name in ("NO_COLOR", "COLUMNS"):
            self.environment.pop(name, None)
        self.state = os.path.join(work, "folder")
        self.said = os.path.join(work, "said.txt")
        self.second = None
        self.done = 0

    def hands(self, line):
        """What a person does who reads this line of a program; None when it asks for nothing."""
        ready = line.endswith("Ctrl-C to stop:")
        if ready and self.second is not None:
            load = re.search(r"\(([\d.]+) N\)", line)
            if load:
                self.second.type(f"hang {load.group(1)}")
            elif "all weights off" in line or "no weight" in line:
                self.second.type("hang 0")
            elif "mark the filament" in line:
                self.second.type("measure")
        if ready:
            return ""
        if line.endswith("measured length in mm:"):
            # A rule is read to the nearest mark.
            length = abs(float(self.second.type("measure")))
            return f"{round(length / 0.05) * 0.05:.2f}"
        # Any other question is answered by Enter, which keeps what is offered.
        return "" if line.endswith(":") and " [" in line else None

    def shell(self, command):
        """Does one command; returns its status and what it said."""
        script = f"{command}\nstatus=$?\npwd >{shlex.quote(self.state)}\nexit $status\n"
        process = subprocess.Popen(["bash", "-c", script], cwd=self.folder, env=self.environment, stdin=subprocess.PIPE,
                                   stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1,
                                   start_new_session=True)
        late = threading.Timer(TIMEOUT_S, lambda: os.killpg(process.pid, signal.SIGKILL))
        late.start()
        said = []
        for line in process.stdout:
            said.append(line)
            answer = self.hands(line.rstrip("\n"))
            if answer is not None:
                try:
                    process.stdin.write(answer + "\n")
                    process.stdin.flush()
                except BrokenPipeError:
                    pass
        status = process.wait()
        late.cancel()
        with open(self.state) as file:
            self.folder = file.read().rstrip("\n")
        return status, "".join(said)

    def commands(self, block):
        wanted = 0
        for word in block.words:
            match = re.fullmatch(r"status=(\d)", word)
            if not match:
                fail(f"line {block.number}: '{word}' is no kind of block")
            wanted = int(match.group(1))
        commands = commands_of(block)
        for i, command in enumerate(commands):
            expected = wanted if i == len(commands) - 1 else 0
            began = time.monotonic()
            status, said = self.shell(command) if command not in ELSEWHERE else (0, "")
            with open(self.said, "a") as file:
                file.write(f"$ {command}\n{said}")
            if status != expected:
                fail(f"line {block.number}: '{command}' ended with status {status}, not {expected}:\n{said}")
            print(f"{time.monotonic() - began:6.1f} s  {command.splitlines()[0]}", flush=True)
            self.done += 1

    def follow(self, block):
        if block.words == ["second", "terminal"] and block.language == "sh":
            if self.second is not None:
                self.second.end()
            (command,) = commands_of(block)
            self.second = SecondTerminal(command, self.folder, self.environment)
            self.done += 1
        elif block.words == ["second", "terminal"] and block.language == "text":
            for line in block.lines:
                self.second.type(line)
                self.done += 1
        elif block.language == "sh":
            self.commands(block)
        elif block.language in ("yaml", "json", "csv") and len(block.words) == 1:
            with open(os.path.join(self.folder, block.words[0]), "w") as file:
                file.write(block.text)
        elif block.language != "text" or block.words:
            fail(f"line {block.number}: a block of kind '{' '.join([block.language, *block.words])}' is not known")


def check_elsewhere(top):
    with open(os.path.join(top, "tests/run")) as file:
        runner = file.read()
    for command, trace in ELSEWHERE.items():
        if trace not in runner:
            fail(f"'{command}' is said to be done by tests/run, which has no '{trace}'")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("page")
    parser.add_argument("--work", required=True, help="scratch folder; emptied first")
    words = parser.parse_args()
    top = os.path.dirname(os.path.abspath(words.page))
    work = os.path.abspath(words.work)
    shutil.rmtree(work, ignore_errors=True)
    os.makedirs(work)
    with open(words.page) as file:
        blocks = blocks_of(file.read())
    check_elsewhere(top)
    reader = Reader(top, work)
    try:
        for block in blocks:
            reader.follow(block)
    finally:
        if reader.second is not None:
            reader.second.end()
    if reader.done < 20:
        fail(f"only {reader.done} commands were found")
    print(f"follow_readme: {reader.done} commands done as printed")


if __name__ == "__main__":
    main()
