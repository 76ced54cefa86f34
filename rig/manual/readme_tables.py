"""The tables of README.md that tell commands, options and exit statuses: made from the help, and put between a line
`<!-- NAME: begin ... -->` and a line `<!-- NAME: end -->` that stand in README.md already.
"""
import re

import help_text

MARK = re.compile(r"<!-- (?P<name>[a-z-]+): (?P<end>begin|end)\b[^>]*-->")


class TableError(Exception):
    """Marks that are not there or do not fit; the text is one line."""


def cell(text):
    text = re.sub(r"([|<*`\\])", r"\\\1", text)
    return text[:1].upper() + text[1:]


def code(text):
    """In fixed width within a cell, which a bar would end even there."""
    return "`" + text.replace("|", "\\|") + "`"


def commands(programs):
    rows = ["| command | what it does |", "|---|---|"]
    for program in programs:
        rows.append(f"| {code(program.words[0])} | {cell(help_text.first_sentence(program))} |")
        for helped in program.everything():
            rows += [f"| {code(' '.join(below.words))} | {cell(text)} |" for _, text, below in helped.commands]
    return rows


def form(option):
    value = option.value
    if value:
        value = f"[={value}]" if option.value_optional else f"={value}"
    return (f"-{option.letter}, " if option.letter else "") + f"--{option.name}{value}"


def options(programs, standard):
    """A table for each program and command that has options of its own."""
    rows = []
    for program in programs:
        for helped in program.everything():
            own = [option for option in helped.options if option.name not in standard]
            if not own and helped.commands:
                continue
            name = " ".join(helped.words)
            rows += ["", " or\n".join(f"`{name} {usage}".strip() + "`" for usage in helped.usages) + ("" if own else ": no more."), ""]
            if own:
                rows += ["| option | meaning |", "|---|---|", *(f"| {code(form(option))} | {cell(option.text)} |" for option in own)]
    return "\n".join(rows).strip("\n").replace("\n\n\n", "\n\n").split("\n")


def statuses(programs):
    every = {tuple(helped.statuses) for program in programs for helped in program.everything()}
    if len(every) != 1:
        raise TableError("the programs do not all tell the same exit statuses")
    return ["| status | meaning |", "|---|---|", *(f"| {number} | {cell(text)} |" for number, text in programs[0].statuses)]


def tables(programs, standard):
    return {"commands": commands(programs), "options": options(programs, standard), "exit-status": statuses(programs)}


def put_in(text, made):
    """text with what stands between its marks replaced."""
    lines, seen, open_name = [], [], None
    for number, line in enumerate(text.split("\n"), 1):
        match = MARK.fullmatch(line.strip())
        if match is None:
            if open_name is None:
                lines.append(line)
            continue
        name = match["name"]
        if name not in made:
            raise TableError(f"line {number}: no table is called '{name}'; there are {', '.join(made)}")
        if (match["end"] == "begin") != (open_name is None) or open_name not in (None, name):
            raise TableError(f"line {number}: the mark '{line.strip()}' is out of place")
        if match["end"] == "begin":
            open_name = name
            lines += [line, "", *made[name], ""]
        else:
            open_name = None
            seen.append(name)
            lines.append(line)
    if open_name is not None:
        raise TableError(f"the table '{open_name}' has no end mark")
    if sorted(seen) != sorted(made):
        raise TableError(f"marks of these tables are wanted, each once: {', '.join(made)}; found: {', '.join(seen) or 'none'}")
    return "\n".join(lines)


def first_difference(have, want):
    """(line number of have, line there, line wanted) of the first line that differs, or None."""
    old, new = have.split("\n"), want.split("\n")
    for place in range(max(len(old), len(new))):
        there = old[place] if place < len(old) else "(end of the file)"
        wanted = new[place] if place < len(new) else "(end of the file)"
        if there != wanted:
            return place + 1, there, wanted
    return None
