"""What a program says about itself, read from its --help and taken apart. The option tables in the C sources are the one
place where words about commands and options stand; manual pages, completion and the tables of README.md all come from here.

argp is told by ARGP_HELP_FMT to print every text on one line and the words about options in a column of their own, so that
nothing has to be guessed from how lines happen to be broken.
"""
import dataclasses
import os
import re
import subprocess

DOC_COLUMN = 120
FORMAT = f"rmargin=20000,opt-doc-col={DOC_COLUMN},no-dup-args-note"
OPTION = re.compile(r"  (?:-(?P<letter>\S)|    )(?:, )?(?:--(?P<name>[a-z0-9-]+)(?P<optional>\[)?(?:=(?P<value>[^\]]+))?\]?)?")
LISTED = re.compile(r" +(?P<name>\S+)(?P<more>(?: \S+)*?)(?: {2,}(?P<text>\S.*))?")
STANDARD = ("help", "usage", "version")


class HelpError(Exception):
    """A program whose help cannot be read; the text is one line."""


@dataclasses.dataclass
class Option:
    name: str
    letter: str  # "" where there is none
    value: str  # what it takes, as the help calls it, "" for nothing
    value_optional: bool
    text: str

    def choices(self):
        """The words that it takes when they are a fixed list, as in blocks|groups."""
        return words_of(self.value)

    def is_list(self):
        return self.value.endswith(",...")


@dataclasses.dataclass
class Help:
    words: list  # the program's name, then that of the command
    version: str
    usages: list  # each without the words above
    summary: list  # paragraphs in front of the options
    details: list  # paragraphs behind them
    options: list
    statuses: list  # (number, text)
    commands: list  # (name, text, Help)
    first_words: list  # what a command takes in the first place, where that is a fixed list

    @property
    def page(self):
        """Name of the manual page."""
        return "-".join(self.words)

    def everything(self):
        """This and all commands below, in their order."""
        yield self
        for _, _, below in self.commands:
            yield from below.everything()


def words_of(value):
    """["kg", "g"] of kg|g and [] of KG: fixed words are in lower case or numbers."""
    words = value.split("|")
    fixed = len(words) > 1 and all(re.fullmatch(r"[a-z0-9_.,-]+", word) for word in words)
    return words if fixed else []


def ask(program, words):
    """Standard output of PROGRAM WORDS, in the plainest surroundings."""
    surroundings = {name: value for name, value in os.environ.items() if name != "LD_PRELOAD"}
    surroundings.update(ARGP_HELP_FMT=FORMAT, LC_ALL="C")
    try:
        done = subprocess.run([program, *words], env=surroundings, stdin=subprocess.DEVNULL, capture_output=True, text=True,
                              timeout=60, check=False)
    except (OSError, subprocess.TimeoutExpired) as trouble:
        raise HelpError(f"{program}: {trouble}") from trouble
    if done.returncode != 0:
        raise HelpError(f"{' '.join([program, *words])}: status {done.returncode}: {done.stderr.strip()[:300]}")
    return done.stdout


def read_option(line):
    """The Option of a line of help, or None when it is none."""
    if line[:DOC_COLUMN].lstrip().startswith("-") and line[DOC_COLUMN - 1:DOC_COLUMN].strip():
        raise HelpError(f"the option '{line.split()[0]}' is too long to be told from what stands behind it")
    match = OPTION.fullmatch(line[:DOC_COLUMN].rstrip())
    if match is None or match["name"] is None or line[0] != " ":
        return None
    return Option(match["name"], match["letter"] or "", match["value"] or "", match["optional"] is not None,
                  line[DOC_COLUMN:].strip())


def take_list(lines, heading):
    """The indented lines below heading, which are taken out of lines, as (name, text)."""
    if heading not in lines:
        return []
    start = lines.index(heading)
    end = start + 1
    found = []
    while end < len(lines) and lines[end].startswith(" "):
        match = LISTED.fullmatch(lines[end].rstrip())
        if match is None:
            raise HelpError(f"'{lines[end].strip()}' below '{heading}' is not of the form 'NAME  what it is'")
        found.append((match["name"], match["text"] or ""))
        end += 1
    del lines[start:end]
    return found


def first_words(usages):
    """The fixed words that all usages begin with, as new and check of "new PLAN" and "check PLAN"."""
    found = []
    for usage in usages:
        words = [word for word in usage.split() if word != "[OPTION...]"]
        if not words or not re.fullmatch(r"[a-z][a-z-]*(\|[a-z][a-z-]*)*", words[0]):
            return []
        found += [word for word in words[0].split("|") if word not in found]
    return found


def parse(text, words, version=""):
    """Help without its commands' own help, from what PROGRAM --help prints under FORMAT."""
    lines = text.split("\n")
    prefix = " ".join(words)
    usages = []
    while lines:
        match = re.fullmatch(r"(?:Usage:|  or: ) *(.*)", lines[0])
        if match is None:
            break
        if not (match[1] + " ").startswith(prefix + " "):
            raise HelpError(f"the usage of '{prefix}' begins with '{match[1]}'")
        usages.append(match[1][len(prefix):].strip())
        lines.pop(0)
    options, before, after = [], [], []
    for line in lines:
        option = read_option(line) if line.strip() else None
        if option is not None:
            options.append(option)
        else:
            (after if options else before).append(line)
    if not usages or not options:
        raise HelpError(f"'{prefix} --help' shows no usage or no option")
    statuses = take_list(before, "Exit status:") + take_list(after, "Exit status:")
    commands = take_list(before, "Commands:") + take_list(after, "Commands:")
    options.sort(key=lambda option: (option.name in STANDARD, option.name))
    return Help(words, version, usages, paragraphs(before), paragraphs(after), options,
                [(int(number), what) for number, what in statuses], [(name, what, None) for name, what in commands],
                [] if len(words) == 1 else first_words(usages))


def paragraphs(lines):
    return [line.strip() for line in lines if line.strip()]


def grouped(found):
    """The commands of a help as (name, text), where `log new' and `log check' are one command log, as is `log new|check'."""
    texts = {}
    for command, text, _ in found.commands:
        texts.setdefault(command, []).append(text)
    return [(command, "; ".join(texts[command])) for command in texts]


def read(program, words=(), version=None):
    """Help of a program and, all the way down, of the commands that it lists."""
    if version is None:
        version = ask(program, ["--version"]).split()[-1]
    name = os.path.basename(program)
    found = parse(ask(program, [*words, "--help"]), [name, *words], version)
    found.commands = [(command, text, read(program, [*words, command], version)) for command, text in grouped(found)]
    for word in found.first_words:
        # Words such as new and check of `log new' and `log check' are commands when they have help of their own.
        try:
            below = read(program, [*words, word], version)
        except HelpError:
            continue
        found.commands.append((word, first_sentence(below), below))
    return found


def first_sentence(helped):
    """What a help begins with, as one line about it: up to a colon or full stop, its capital made small."""
    text = re.split(r"[.:](?: |$)", helped.summary[0])[0] if helped.summary else ""
    return text[:1].lower() + text[1:]
