"""Manual pages in the man macros, one for each program and command: what the help says, and around it the hand-written
sections of pages/NAME.man. help2man would make pages of the same help, but heads them with the program's name alone, leaves
options and exit status inside DESCRIPTION, and gives neither completion nor tables, for which the help is taken apart anyway.
"""
import datetime
import os
import pathlib
import re

import help_text

ORDER = ["NAME", "SYNOPSIS", "DESCRIPTION", "CAUTIONS", "COMMANDS", "OPTIONS", "EXIT STATUS", "ENVIRONMENT", "FILES", "NOTES",
         "EXAMPLES", "SEE ALSO"]
MADE = ["NAME", "SYNOPSIS", "COMMANDS", "OPTIONS", "EXIT STATUS", "SEE ALSO"]  # from the help, never by hand
DOCUMENTS = "/usr/local/share/doc/nipbench"
PAGES = pathlib.Path(__file__).parent / "pages"
# What somebody may copy into a shell keeps its hyphens: roff would make typographic ones of them.
TYPED = re.compile(r"(?<![\w-])--?[a-z][\w-]*|nipbench-[a-z-]+|[\w./-]*[./_][\w./-]*")


class PageError(Exception):
    """A hand-written page that cannot be used; the text is one line."""


def escape(text):
    """Text of a help as roff."""
    text = text.replace("\\", "\\e")
    text = TYPED.sub(lambda match: match[0].replace("-", "\\-"), text)
    text = text.replace("'", "\\(aq").replace("`", "\\(ga")
    return "\\&" + text if text.startswith(".") else text


def styled(word):
    """A word of a usage: what is typed as it stands in bold, what stands for something in italics."""
    parts = re.split(r"([A-Z][A-Z0-9_]+(?:\.[a-z]+)?|\b[A-Z]\b)", word)
    made = ""
    for place, part in enumerate(parts):
        if place % 2:
            made += f"\\fI{escape(part)}\\fR"
        else:
            made += re.sub(r"[a-z0-9-][a-z0-9_.-]*[a-z0-9]", lambda match: "\\fB" + match[0].replace("-", "\\-") + "\\fR", part)
    return made


def usage(text):
    """[OPTION...] PLAN.yaml --out DIR, marked up; three dots stay dots."""
    return " ".join("[\\fIOPTION\\fR...]" if word == "[OPTION...]" else styled(word) for word in text.split())


def option_heading(option):
    value = styled(option.value)
    if option.value_optional:
        long = f"\\fB\\-\\-{escape_name(option.name)}\\fR[={value}]"
    else:
        long = f"\\fB\\-\\-{escape_name(option.name)}\\fR" + (f"={value}" if value else "")
    letter = f"\\fB\\-{option.letter}\\fR, " if option.letter else ""
    return letter + long


def escape_name(name):
    return name.replace("-", "\\-")


def read_sections(name, folder=PAGES):
    """Hand-written sections as {title: roff}; {} when there is no such file. Their first lines may be comments; `.so FILE'
    stands for a file beside them, so that a caution is written once."""
    path = folder / f"{name}.man"
    sections, title = {}, None
    if not path.is_file():
        return sections
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if line.startswith(".SH "):
            title = line[4:].strip().strip('"')
            if title not in ORDER or title in MADE or title in sections:
                raise PageError(f"{path}:{number}: section '{title}' is unknown, made from the help, or there twice")
            sections[title] = []
        elif line.startswith('.\\"'):
            continue
        elif title is None:
            raise PageError(f"{path}:{number}: text in front of the first section")
        elif line.startswith(".so "):
            sections[title] += (folder / line[4:].strip()).read_text(encoding="utf-8").splitlines()
        else:
            sections[title].append(line)
    return {title: "\n".join(lines) for title, lines in sections.items()}


def page_date():
    """Of the build, or what reproducible builds state."""
    stated = os.environ.get("SOURCE_DATE_EPOCH")
    if stated is not None:
        return datetime.datetime.fromtimestamp(int(stated), datetime.timezone.utc).date().isoformat()
    return datetime.date.today().isoformat()


def blocks(texts):
    return "\n.PP\n".join(escape(text) for text in texts)


def page(helped, what, others, folder=PAGES, documents=DOCUMENTS):
    """The page of one program or command. what: its one line for NAME. others: names of further pages for SEE ALSO.
    documents: where README.md and the examples are installed, which hand-written text calls @documents@."""
    own = {title: text.replace("@documents@", documents.replace("-", "\\-"))
           for title, text in read_sections(helped.page, folder).items()}
    name = " ".join(helped.words)
    sections = {"NAME": f"{escape_name(helped.page)} \\- {escape(what)}"}
    sections["SYNOPSIS"] = "\n.br\n".join(f".B {escape_name(name)}\n{usage(text)}".rstrip() for text in helped.usages)
    details = [text for text in helped.details if not text.startswith(("`", "COMMAND --help"))]
    summary = [text for text in helped.summary if not text.startswith("COMMAND --help")]
    sections["DESCRIPTION"] = blocks(summary + details)
    if "DESCRIPTION" in own:
        sections["DESCRIPTION"] += "\n.PP\n" + own.pop("DESCRIPTION")
    if helped.commands:
        sections["COMMANDS"] = "\n".join(
            f".TP\n.B {escape_name(command)}\n{escape(text)}; see\n.BR {escape_name(below.page)} (1)"
            for command, text, below in helped.commands)
    sections["OPTIONS"] = "\n".join(f".TP\n{option_heading(option)}\n{escape(option.text)}" for option in helped.options)
    sections["EXIT STATUS"] = "\n".join(f".TP\n.B {number}\n{escape(text)}" for number, text in helped.statuses)
    sections["SEE ALSO"] = ",\n".join(f".BR {escape_name(other)} (1)" for other in others)
    sections.update(own)
    title = escape_name(helped.page).upper()
    middle = "User Commands" if 2 * len(helped.page) + 25 <= 80 else ""
    head = f'.TH {title} 1 {page_date()} "nipbench {helped.version}" "{middle}"'
    # Neither hyphenated nor spread out: names of commands and files are to be read as they are typed.
    made = ['.\\" Made from --help and rig/manual/pages; do not edit.', head, ".nr HY 0", ".nh", ".ad l"]
    for title in ORDER:
        if sections.get(title):
            made += [f'.SH "{title}"' if " " in title else f".SH {title}", sections[title]]
    return "\n".join(made) + "\n"


def all_pages(programs, folder=PAGES, documents=DOCUMENTS):
    """{file name: text} of every page of these programs (Help of each)."""
    tops = [program.page for program in programs]
    made = {}
    for program in programs:
        made[f"{program.page}.1"] = page(program, help_text.first_sentence(program), [top for top in tops if top != program.page], folder,
                                         documents)
        made.update(command_pages(program, folder, documents))
    return made


def command_pages(above, folder, documents):
    made = {}
    names = [below.page for _, _, below in above.commands]
    for _, text, below in above.commands:
        others = [above.page] + [name for name in names if name != below.page]
        made[f"{below.page}.1"] = page(below, text, others, folder, documents)
        made.update(command_pages(below, folder, documents))
    return made


def without_words(programs, folder=PAGES):
    """Names of pages for which nothing is written by hand."""
    return [helped.page for program in programs for helped in program.everything() if not read_sections(helped.page, folder)]
