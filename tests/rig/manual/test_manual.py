"""Manual pages and the tables of README.md, made of the programs' --help: how help is read, and what came out of it.

    test_manual.py ROOT PAGES PROGRAM...     PAGES is the folder of the built pages
"""
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import unittest

ROOT, PAGES, PROGRAMS = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), sys.argv[3:]
sys.path.insert(0, str(ROOT / "rig" / "manual"))
import help_text  # noqa: E402
import man_page  # noqa: E402
import readme_tables  # noqa: E402

READ = [help_text.read(program) for program in PROGRAMS]
EVERY = [helped for program in READ for helped in program.everything()]


def option_line(heading, text):
    return f"{heading:<{help_text.DOC_COLUMN}}{text}"


def made_help(*options, usage="Usage: weir [OPTION...] LEVEL.csv", more=()):
    return "\n".join([usage, "Tell the level.", "", *options, option_line("  -?, --help", "Give this help list"), "", *more, ""])


# A program with a command whose first word is another, one with help of its own and one without.
FAKE = f"""#!/bin/sh
case $* in
--version) echo weir 1.5 ;;
--help) printf 'Usage: weir [OPTION...] COMMAND\\nTell the level.\\n\\nCommands:\\n  log  keep a log\\n\\n%s\\n' '{option_line("      --usage", "U")}' ;;
'log --help') printf 'Usage: weir log [OPTION...] new\\n  or:  weir log [OPTION...] check LOG.csv\\nKeep.\\n\\n%s\\n' '{option_line("      --usage", "U")}' ;;
'log new --help') printf 'Usage: weir log new [OPTION...]\\nBegin a log: empty. No more.\\n\\n%s\\n' '{option_line("      --out=LOG.csv", "New")}' ;;
*) exit 2 ;;
esac
"""


class Reading(unittest.TestCase):
    def test_an_option_is_taken_apart(self):
        helped = help_text.parse(made_help(option_line("  -r, --rate=HZ", "Readings a second"), option_line("      --pair[=LIST]", "Two"),
                                           option_line("      --unit=kg|g", "Unit")), ["weir"])
        by_name = {option.name: option for option in helped.options}
        self.assertEqual((by_name["rate"].letter, by_name["rate"].value, by_name["rate"].text), ("r", "HZ", "Readings a second"))
        self.assertEqual((by_name["pair"].value, by_name["pair"].value_optional), ("LIST", True))
        self.assertEqual(by_name["unit"].choices(), ["kg", "g"])
        self.assertEqual(by_name["rate"].choices(), [])

    def test_options_are_sorted_by_name_and_the_standard_ones_are_last(self):
        helped = help_text.parse(made_help(option_line("      --zero", "Z"), option_line("  -z, --after", "A")), ["weir"])
        self.assertEqual([option.name for option in helped.options], ["after", "zero", "help"])

    def test_an_option_longer_than_its_column_is_still_one(self):
        long = "      --" + "deep-" * 30 + "water=M"
        with self.assertRaises(help_text.HelpError):
            help_text.parse("Usage: weir\nTell.\n\n" + long + "   how deep\n", ["weir"])

    def test_commands_and_statuses_are_lists(self):
        more = ["Commands:", "  gauge        read one", "  tide A.csv   read many", "", "Exit status:", "  0  done", "  3  bad file"]
        helped = help_text.parse(made_help(more=more), ["weir"])
        self.assertEqual([(name, text) for name, text, _ in helped.commands], [("gauge", "read one"), ("tide", "read many")])
        self.assertEqual(helped.statuses, [(0, "done"), (3, "bad file")])
        self.assertEqual(helped.summary, ["Tell the level."])
        self.assertEqual(helped.details, [])

    def test_fixed_first_words_of_a_command_are_seen(self):
        usage = "Usage: weir log [OPTION...] new LOG.csv\n  or:  weir log [OPTION...] check LOG.csv"
        self.assertEqual(help_text.parse(made_help(usage=usage), ["weir", "log"]).first_words, ["new", "check"])
        self.assertEqual(help_text.parse(made_help(usage="Usage: weir log [OPTION...] new|check LOG.csv"), ["weir", "log"]).first_words,
                         ["new", "check"])
        self.assertEqual(help_text.parse(made_help(usage="Usage: weir log [OPTION...] LOG.csv"), ["weir", "log"]).first_words, [])

    def test_a_command_that_is_listed_by_its_second_words_is_one(self):
        more = ["Commands:", "  log new LOG.csv    begin one", "  log check LOG.csv  look at one", "  tide               read"]
        self.assertEqual(help_text.grouped(help_text.parse(made_help(more=more), ["weir"])),
                         [("log", "begin one; look at one"), ("tide", "read")])

    def test_words_with_help_of_their_own_are_commands(self):
        with tempfile.TemporaryDirectory() as folder:
            program = pathlib.Path(folder) / "weir"
            program.write_text(FAKE)
            program.chmod(0o755)
            helped = help_text.read(str(program))
        log = helped.commands[0][2]
        self.assertEqual([(name, text) for name, text, _ in helped.commands], [("log", "keep a log")])
        self.assertEqual([(name, text) for name, text, _ in log.commands], [("new", "begin a log")])
        self.assertEqual(log.first_words, ["new", "check"])
        self.assertEqual([page.page for page in helped.everything()], ["weir", "weir-log", "weir-log-new"])
        self.assertEqual(log.commands[0][2].options[0].name, "out")

    def test_help_of_another_program_is_refused(self):
        with self.assertRaises(help_text.HelpError):
            help_text.parse(made_help(), ["sluice"])

    def test_roff_is_escaped(self):
        self.assertEqual(man_page.escape(".so it isn't"), "\\&.so it isn\\(aqt")
        self.assertEqual(man_page.escape("a\\b, --dry-run, well-kept, a-b.csv"), "a\\eb, \\-\\-dry\\-run, well-kept, a\\-b.csv")


class HandWritten(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)

    def test_a_section_that_is_made_cannot_be_written(self):
        for title in ("OPTIONS", "HISTORY"):
            (self.folder / "weir.man").write_text(f".SH {title}\nx\n")
            with self.assertRaises(man_page.PageError):
                man_page.read_sections("weir", self.folder)

    def test_shared_text_is_put_in(self):
        (self.folder / "weir.man").write_text(".SH CAUTIONS\n.so wet.man\nMind it.\n")
        (self.folder / "wet.man").write_text("Water is wet.\n")
        self.assertEqual(man_page.read_sections("weir", self.folder), {"CAUTIONS": "Water is wet.\nMind it."})

    def test_every_command_has_words_of_its_own(self):
        missing = man_page.without_words(READ)
        self.assertFalse(missing, "write rig/manual/pages/NAME.man, and list it in rig/manual/meson.build, for: " + ", ".join(missing))

    def test_no_page_is_left_over_or_unlisted(self):
        names = {path.stem for path in man_page.PAGES.glob("*.man")} - {"cautions"}
        self.assertEqual(names - {helped.page for helped in EVERY}, set(), "pages of no command")
        listed = (man_page.PAGES.parent / "meson.build").read_text()
        self.assertEqual([name for name in names if f"'pages/{name}.man'" not in listed], [], "not listed in meson.build")


class Programs(unittest.TestCase):
    def test_every_command_tells_all_exit_statuses_alike(self):
        for helped in EVERY:
            with self.subTest(helped.page):
                self.assertEqual([number for number, _ in helped.statuses], [0, 1, 2, 3, 4, 5])
                self.assertEqual(helped.statuses, READ[0].statuses)

    def test_every_option_is_explained_in_one_form(self):
        for helped in EVERY:
            for option in helped.options:
                with self.subTest(f"{helped.page} --{option.name}"):
                    self.assertRegex(option.text, r"^[A-Z0-9]")
                    self.assertNotRegex(option.text, r"\.$")
                    self.assertNotIn("(default", option.text, "say 'the default is X'")

    def test_every_number_has_a_unit(self):
        units = {"MM_S": "mm/s", "HZ": "Hz|a second", "MM": "mm", "PERCENT": "%", "KG_M3": "kg/m3", "MG": "mg", "M": "in m",
                 "SECONDS": "second|long|wait"}
        for helped in EVERY:
            for option in helped.options:
                value = option.value.removesuffix(",...")
                if value in units and option.name != "margin":
                    with self.subTest(f"{helped.page} --{option.name}"):
                        self.assertRegex(option.text, units[value])

    def test_help_lines_fit_a_terminal(self):
        surroundings = {name: value for name, value in os.environ.items() if name not in ("ARGP_HELP_FMT", "LD_PRELOAD")}
        for helped in EVERY:
            program = next(program for program in PROGRAMS if os.path.basename(program) == helped.words[0])
            text = subprocess.run([program, *helped.words[1:], "--help"], env=surroundings, capture_output=True, text=True, check=True).stdout
            self.assertLessEqual(max(map(len, text.split("\n"))), 80, helped.page)


class Pages(unittest.TestCase):
    def test_there_is_a_page_for_each_command_and_no_other(self):
        self.assertEqual(sorted(path.name for path in PAGES.iterdir()), sorted(f"{helped.page}.1" for helped in EVERY))
        self.assertGreater(len(EVERY), 10)

    def test_pages_name_every_option_and_status(self):
        for helped in EVERY:
            shown = show(PAGES / f"{helped.page}.1")
            for option in helped.options:
                self.assertIn(f"--{option.name}", shown)
            for _, text in helped.statuses:
                self.assertIn(flat(text), flat(shown))
            titles = ["NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS", "EXIT STATUS", "SEE ALSO"]
            titles += ["EXAMPLES"] if helped.page not in man_page.without_words(READ) else []
            for title in titles:
                self.assertRegex(shown, rf"(?m)^{title}$", helped.page)
            self.assertNotIn("Exit status", shown)

    def test_lines_fit_80_columns(self):
        for path in PAGES.iterdir():
            for line in show(path).split("\n"):
                self.assertLessEqual(len(line), 80, f"{path.name}: {line}")

    def test_formatters_find_nothing_to_complain_of(self):
        for path in sorted(PAGES.iterdir()):
            for words in (["groff", "-ww", "-man", "-Tutf8", "-z", path], ["mandoc", "-Tlint", "-W", "warning", path]):
                if shutil.which(words[0]) is None:
                    self.skipTest(f"{words[0]} is not installed")
                done = subprocess.run(words, capture_output=True, text=True, check=False)
                self.assertEqual(done.stdout + done.stderr, "", path.name)
                self.assertEqual(done.returncode, 0)

    def test_examples_end_before_more_is_said_and_each_file_stands_for_itself(self):
        """Formatters take either for text that goes on."""
        for path in sorted(PAGES.iterdir()):
            lines = path.read_text().split("\n")
            marks = [line for line in lines if line in (".EX", ".EE")]
            self.assertEqual(marks, [".EX", ".EE"] * (len(marks) // 2), path.name)
            inside = False
            for line in lines:
                inside = line == ".EX" or (inside and line != ".EE")
                if inside and line != ".EX":
                    self.assertNotRegex(line, r"^[A-Z].*:$|^\.", f"{path.name}: {line}")
            files = lines[lines.index(".SH FILES"):] if ".SH FILES" in lines else []
            for before, line in zip(files, files[1:]):
                if line.startswith((".I ", ".IR ")):
                    self.assertFalse(before.endswith("."), f"{path.name}: {line} begins an entry without .TP")

    def test_moving_commands_say_what_hurts(self):
        for name in ("nipbench-capture", "nipbench-capture-run", "nipbench-capture-measure-feed"):
            shown = flat(show(PAGES / f"{name}.1"))
            self.assertIn("wear eye protection", shown)
            self.assertIn("not a safety function", shown)


class Readme(unittest.TestCase):
    def marks(self):
        return "a\n" + "\n".join(f"<!-- {name}: begin; x -->\nold text\n<!-- {name}: end -->" for name in ("commands", "options", "exit-status")) + "\nz"

    def test_tables_are_put_between_the_marks_and_stay(self):
        tables = readme_tables.tables(READ, help_text.STANDARD)
        once = readme_tables.put_in(self.marks(), tables)
        self.assertTrue(once.startswith("a\n<!-- commands: begin; x -->\n\n| command |"))
        self.assertTrue(once.endswith("<!-- exit-status: end -->\nz"))
        self.assertNotIn("old text", once)
        self.assertEqual(readme_tables.put_in(once, tables), once)

    def test_marks_that_do_not_fit_are_refused(self):
        tables = readme_tables.tables(READ, help_text.STANDARD)
        for text in ("nothing", self.marks().replace("<!-- options: end -->", ""), self.marks().replace("options", "opinions"),
                     self.marks() + "\n" + self.marks()):
            with self.assertRaises(readme_tables.TableError):
                readme_tables.put_in(text, tables)

    def test_bars_do_not_end_a_cell(self):
        for line in readme_tables.options(READ, help_text.STANDARD):
            if line.startswith("|"):
                self.assertEqual(len(re.findall(r"(?<!\\)\|", line)), 3, line)

    def test_usages_show_their_bars_as_they_are(self):
        helped = help_text.parse(made_help(usage="Usage: weir log [OPTION...] new|check LOG.csv"), ["weir", "log"])
        self.assertEqual(readme_tables.options([helped], help_text.STANDARD), ["`weir log [OPTION...] new|check LOG.csv`: no more."])

    def test_check_fails_when_a_table_is_old_and_update_mends_it(self):
        with tempfile.TemporaryDirectory() as folder:
            readme = pathlib.Path(folder) / "README.md"
            readme.write_text(self.marks())
            manual = [sys.executable, "-B", ROOT / "rig/manual/manual.py"]
            for option, wanted in (("--check", 1), ("--update", 0), ("--check", 0)):
                done = subprocess.run([*manual, option, readme, *PROGRAMS], capture_output=True, text=True, check=False)
                self.assertEqual(done.returncode, wanted, done.stderr)

    def test_readme_says_what_the_programs_say(self):
        have = (ROOT / "README.md").read_text(encoding="utf-8")
        want = readme_tables.put_in(have, readme_tables.tables(READ, help_text.STANDARD))
        self.assertIsNone(readme_tables.first_difference(have, want), "ninja update_readme in the build folder writes the tables")


def show(path):
    """A page as man shows it at 80 columns, without bold and underline."""
    text = subprocess.run(["groff", "-man", "-Tutf8", "-P-cbou", "-rLL=78n", path], capture_output=True, text=True, check=True).stdout
    return re.sub("\x1b\\[[0-9;]*m|.\b", "", text)


def flat(text):
    return " ".join(text.split()).replace("‐", "-").replace("−", "-")


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0]])
