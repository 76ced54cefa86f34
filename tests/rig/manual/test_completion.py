"""Bash completion as bash asks for it: words on the command line in, what fits at the cursor out.

    test_completion.py ROOT COMPLETIONS PROGRAM...     COMPLETIONS is the folder of the built scripts
"""
import os
import pathlib
import pty
import select
import subprocess
import sys
import tempfile
import time
import unittest

ROOT, COMPLETIONS, PROGRAMS = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]).resolve(), sys.argv[3:]
sys.path.insert(0, str(ROOT / "rig" / "manual"))
import bash_words  # noqa: E402
import help_text  # noqa: E402

READ = {os.path.basename(program): help_text.read(program) for program in PROGRAMS}
ASK = r"""
. "$1/$2"; shift
function=$(complete -p "$1"); function=${function#*-F }; function=${function%% *}
COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1))
[ -z "$NO_EQUALS" ] || COMP_WORDBREAKS=${COMP_WORDBREAKS//=}
"$function" "$1" "${@: -1}" "${@: -2:1}" || echo "status $?"
[ ${#COMPREPLY[@]} -eq 0 ] || printf '%s\n' "${COMPREPLY[@]}"
"""


class Completion(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        for name in ("plan.yaml", "motor.yaml", "readings.csv", "results.json", "two words.csv"):
            (self.folder / name).touch()
        for name in ("series", "report"):
            (self.folder / name).mkdir()

    def ask(self, *words, **surroundings):
        """The answers at the end of these words, the first being the program."""
        done = subprocess.run(["bash", "--norc", "--noprofile", "-u", "-c", ASK, "bash", COMPLETIONS, *words], cwd=self.folder,
                              env={"PATH": os.environ["PATH"], "NO_EQUALS": "", **surroundings}, capture_output=True, text=True, check=False)
        self.assertEqual(done.stderr, "")
        return sorted(done.stdout.splitlines())

    def test_every_command_of_the_help_is_offered(self):
        for name, helped in READ.items():
            if helped.commands:
                self.assertEqual(self.ask(name, ""), sorted(command for command, _, _ in helped.commands))
        self.assertEqual(self.ask("nipbench-analyze", "re"), ["repeats", "report"])

    def test_every_option_of_the_help_is_offered_and_no_other(self):
        for name, program in READ.items():
            for helped in program.everything():
                wanted = sorted(f"--{option.name}" + ("=" if option.value and not option.value_optional else "") for option in helped.options)
                self.assertEqual(self.ask(*helped.words, "--"), wanted)
        self.assertEqual(self.ask("nipbench-capture", "run", "--re"), ["--resume"])

    def test_values_that_are_a_fixed_list_are_offered(self):
        self.assertEqual(self.ask("nipbench-analyze", "repeats", "--design", "="), ["blocks", "groups"])
        self.assertEqual(self.ask("nipbench-analyze", "repeats", "--design", "=", "g"), ["groups"])
        self.assertEqual(self.ask("nipbench-analyze", "repeats", "--design", ""), ["blocks", "groups"])
        self.assertEqual(self.ask("nipbench-analyze", "calibrate", "-d", ""), ["1", "2", "auto"])
        self.assertEqual(self.ask("nipbench-capture", "weigh", "--mass-unit", "k"), ["kg"])

    def test_a_value_is_put_behind_its_equals_sign_where_that_breaks_no_word(self):
        self.assertEqual(self.ask("nipbench-analyze", "repeats", "--design=g", NO_EQUALS="1"), ["--design=groups"])

    def test_files_are_offered_by_how_they_end(self):
        self.assertEqual(self.ask("nipbench-analyze", "calibrate", ""), ["readings.csv", "report", "series", "two words.csv"])
        self.assertEqual(self.ask("nipbench-analyze", "predict", "m"), ["motor.yaml"])
        self.assertEqual(self.ask("nipbench-analyze", "report", "--check", "=", "res"), ["results.json"])
        self.assertEqual(self.ask("nipbench-capture", "run", "p"), ["plan.yaml"])

    def test_folders_are_offered_for_series_and_reports(self):
        self.assertEqual(self.ask("nipbench-analyze", "compare", ""), ["report", "series"])
        self.assertEqual(self.ask("nipbench-analyze", "compare", "series", ""), ["report", "series"])
        self.assertEqual(self.ask("nipbench-analyze", "predict", "motor.yaml", "s"), ["series"])
        self.assertEqual(self.ask("nipbench-analyze", "report", "series", "--out", "re"), ["report"])

    def test_a_port_may_be_a_file(self):
        self.assertIn("plan.yaml", self.ask("nipbench-capture", "identify", "p"))
        self.assertEqual(self.ask("nipbench-capture", "run", "--port", "mo"), ["motor.yaml"])

    def test_an_option_in_front_does_not_move_the_places(self):
        self.assertEqual(self.ask("nipbench-analyze", "predict", "--speeds", "5", "m"), ["motor.yaml"])
        self.assertEqual(self.ask("nipbench-analyze", "predict", "--speeds", "=", "5", "m"), ["motor.yaml"])
        self.assertEqual(self.ask("nipbench-analyze", "predict", "--json", "m"), ["motor.yaml"])

    def test_nothing_is_offered_where_nothing_is_known(self):
        self.assertEqual(self.ask("nipbench-analyze", "repeats", "--power", ""), [])
        self.assertEqual(self.ask("nipbench-analyze", "no-command", ""), [])
        self.assertEqual(self.ask("nipbench-capture", "run", "plan.yaml", ""), [])

    def test_behind_two_dashes_there_are_no_options(self):
        self.assertEqual(self.ask("nipbench-analyze", "compare", "--", "-"), [])

    def test_words_below_a_command_are_offered(self):
        deep = help_text.Help(["weir"], "1", ["COMMAND"], [], [], [], [], [], [])
        log = help_text.Help(["weir", "log"], "1", ["new LOG.csv", "check LOG.csv"], [], [], [], [], [], ["new", "check"])
        deep.commands = [("log", "", log)]
        (self.folder / "weir").write_text(bash_words.script(deep))
        done = subprocess.run(["bash", "-c", ASK, "bash", self.folder, "weir", "log", "ch"], env={"PATH": os.environ["PATH"], "NO_EQUALS": ""},
                              capture_output=True, text=True, check=False)
        self.assertEqual((done.stdout, done.stderr), ("check\n", ""))
        done = subprocess.run(["bash", "-c", ASK, "bash", self.folder, "weir", "log", "new", "rea"], cwd=self.folder,
                              env={"PATH": os.environ["PATH"], "NO_EQUALS": ""}, capture_output=True, text=True, check=False)
        self.assertEqual((done.stdout, done.stderr), ("readings.csv\n", ""))

    def test_bash_at_a_terminal_completes_with_the_tab_key(self):
        for typed, wanted in (("nipbench-analyze rep\t", "rep"), ("nipbench-analyze repeats --des\tg\t", "--design=groups"),
                              ("nipbench-analyze calibrate two\t", r"two\ words.csv"), ("nipbench-capture mea\t", "measure-feed"),
                              ("nipbench-analyze compare ser\t", "series/")):
            self.assertIn(wanted, self.type_at_a_terminal(typed))

    def type_at_a_terminal(self, typed):
        child, terminal = pty.fork()
        if child == 0:
            os.chdir(self.folder)
            os.execvpe("bash", ["bash", "--norc", "--noprofile", "-i"],
                       {"PATH": os.environ["PATH"], "TERM": "dumb", "PS1": "$ ", "HISTFILE": "", "COLUMNS": "200", "INPUTRC": "/dev/null"})
        seen = ""

        def until(mark):
            nonlocal seen
            deadline = time.monotonic() + 60
            while mark not in seen and time.monotonic() < deadline:
                if select.select([terminal], [], [], 1)[0]:
                    seen += os.read(terminal, 4096).decode(errors="replace")
            self.assertIn(mark, seen)

        try:
            for script in COMPLETIONS.iterdir():
                os.write(terminal, f". {script}\n".encode())
            os.write(terminal, b"echo read''y\n")
            until("ready")
            seen = ""
            # A colon in front keeps the completed line from being run; the terminal shows what it came to.
            os.write(terminal, typed.encode() + b" #don''e\x01: \n" + b"echo o''ver\n")
            until("over")
        finally:
            os.write(terminal, b"\x03exit\n")
            os.close(terminal)
            os.waitpid(child, 0)
        return seen


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0]])
