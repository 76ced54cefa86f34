"""Bash completion of a program, from its help: commands, options, values that are a fixed list, files by how their name
ends. Makes a script that needs nothing but bash; the bash-completion package, where it is there, only finds and loads it.
"""
import re

from help_text import words_of

# `=` separates words for bash, so that `--out=DIR` arrives as three words; the script puts them together again.
SCRIPT = r"""# bash completion for @PROGRAM@, made from its --help; do not edit.

# Files whose name ends as $1 says (anything where it is empty) and folders that begin with the word at the cursor.
_@NAME@_files() {
    local ending=$1 path
    compopt -o filenames 2>/dev/null
    while IFS= read -r path; do
        [[ -d $path || $path == *"$ending" ]] && COMPREPLY+=("$path")
    done < <(compgen -f -- "$word")
}

# What one word may be: @W=a b c for fixed words, @D for folders, @P for ports, @F=.csv for files, @N for nothing known.
_@NAME@_value() {
    local path
    case $1 in
    @W=*) while IFS= read -r path; do COMPREPLY+=("$path"); done < <(compgen -W "${1#@W=}" -- "$word") ;;
    @D)
        compopt -o filenames 2>/dev/null
        while IFS= read -r path; do COMPREPLY+=("$path"); done < <(compgen -d -- "$word")
        ;;
    @P)
        while IFS= read -r path; do COMPREPLY+=("$path"); done < <(compgen -G '/dev/tty@(USB|ACM)*' | while IFS= read -r path; do
            [[ $path == "$word"* ]] && printf '%s\n' "$path"
        done)
        [[ $word == /dev/tty* && ${#COMPREPLY[@]} -gt 0 ]] || _@NAME@_files ''
        ;;
    @F=*) _@NAME@_files "${1#@F=}" ;;
    esac
}

_@NAME@() {
    local word option='' command='' place=0 index given value options='' valued='' usual='' opened='@ '
    local -a words=()
    COMPREPLY=()
    # Words up to the cursor, with what bash broke at `=` put together again.
    for ((index = 1; index <= COMP_CWORD; index++)); do
        given=${COMP_WORDS[index]}
        if [[ $given == '=' && ${#words[@]} -gt 0 && ${words[-1]} == --* && ${words[-1]} != *=* ]]; then
            words[-1]+='='
        elif [[ ${#words[@]} -gt 0 && ${words[-1]} == --*= ]]; then
            words[-1]+=$given
        else
            words+=("$given")
        fi
    done
    [[ ${#words[@]} -gt 0 ]] || words=('')
    word=${words[-1]}
    unset 'words[-1]'

    # Which command it is, and how many plain words stand in front of the cursor.
    local after_dashes='' waiting='' known
    for given in "${words[@]}"; do
        if [[ -n $waiting ]]; then
            waiting=''
            continue
        fi
        if [[ -z $after_dashes && $given == -- ]]; then
            after_dashes=1
        elif [[ -z $after_dashes && $given == -?* ]]; then
            _@NAME@_about "$command"
            [[ $given != *=* && " $valued " == *" $given "* ]] && waiting=$given
        else
            _@NAME@_about "$command"
            known=''
            for value in $opened; do [[ $value == "$given" ]] && known=1; done
            if [[ -n $known && $place -eq 0 ]]; then
                command+=" $given"
            else
                place=$((place + 1))
            fi
        fi
    done
    _@NAME@_about "$command"

    if [[ -n $waiting ]]; then
        _@NAME@_value "$(_@NAME@_takes "$command" "$waiting")"
    elif [[ -z $after_dashes && $word == --*=* ]]; then
        option=${word%%=*}
        word=${word#*=}
        _@NAME@_value "$(_@NAME@_takes "$command" "$option")"
        # Where `=` does not break words, the answer has to hold all of the word.
        if [[ $COMP_WORDBREAKS != *=* ]]; then
            for index in "${!COMPREPLY[@]}"; do COMPREPLY[index]=$option=${COMPREPLY[index]}; done
        fi
    elif [[ -z $after_dashes && $word == -* ]]; then
        while IFS= read -r value; do COMPREPLY+=("$value"); done < <(compgen -W "$options" -- "$word")
        # A value follows an option that ends in `=` at once.
        [[ ${#COMPREPLY[@]} -eq 1 && ${COMPREPLY[0]} == *= ]] && compopt -o nospace 2>/dev/null
    elif [[ -n $opened && $place -eq 0 ]]; then
        _@NAME@_value "@W=$opened"
    else
        _@NAME@_value "$(_@NAME@_place "$command" "$place")"
    fi
    return 0
}

# About a command ("" for the program): its options, those that take a value, and the commands below it.
_@NAME@_about() {
    options='' valued='' opened=''
    case $1 in
@ABOUT@
    esac
}

# What an option of a command takes.
_@NAME@_takes() {
    case "$1 $2" in
@TAKES@
    esac
}

# What a plain word of a command is, by its place from 0.
_@NAME@_place() {
    case "$1 $2" in
@PLACES@
    esac
}

complete -F _@NAME@ @PROGRAM@
"""


def kind(value):
    """The script's word for what a value is, as the help calls it."""
    fixed = words_of(value)
    first = value.strip("[]").removesuffix("...").removesuffix(",")
    if fixed:
        return "@W=" + " ".join(fixed)
    if first in ("DIR", "SERIES"):
        return "@D"
    if first == "PORT":
        return "@P"
    if first in ("FILE", "PATH"):
        return "@F="
    ending = re.fullmatch(r"[A-Z][A-Z0-9_]*(\.[a-z]+)", first)
    return "@F=" + ending[1] if ending else "@N"


def plain_words(usage):
    """Of "[OPTION...] MOTOR.yaml [SERIES...] --out DIR" those that are no option: MOTOR.yaml and [SERIES...]."""
    found = []
    previous = ""
    for word in usage.split():
        bare = word.strip("[]")
        if not bare.startswith("-") and bare != "OPTION..." and not previous.startswith("-") and bare != "...":
            found.append(word)
        previous = bare
    return found


def quoted(text):
    return "'" + text.replace("'", "'\\''") + "'"


def about(helped, path):
    names, valued = [], []
    for option in helped.options:
        takes = bool(option.value) and not option.value_optional
        names.append(f"--{option.name}" + ("=" if takes else ""))
        if takes:
            valued += [f"--{option.name}"] + ([f"-{option.letter}"] if option.letter else [])
    below = [command for command, _, _ in helped.commands]
    below += [word for word in helped.first_words if below and word not in below]
    return (f"    {quoted(path)}) options={quoted(' '.join(names))} valued={quoted(' '.join(valued))} "
            f"opened={quoted(' '.join(below))} ;;")


def takes(helped, path):
    for option in helped.options:
        if option.value and kind(option.value) != "@N":
            patterns = [f"{path} --{option.name}"] + ([f"{path} -{option.letter}"] if option.letter and not option.value_optional
                                                      else [])
            yield f"    {' | '.join(quoted(pattern) for pattern in patterns)}) printf %s {quoted(kind(option.value))} ;;"


def places(helped, path):
    """The kinds of the plain words by place; where usages differ, the first that knows one has its way, and a fixed first
    word of a command (new, check) is offered there."""
    if helped.commands:
        return
    known = {}
    last = None  # where words may be repeated from, and what they are
    if helped.first_words:
        known[0] = "@W=" + " ".join(helped.first_words)
    for usage in helped.usages:
        for place, word in enumerate(plain_words(usage)):
            if kind(word) != "@N":
                known.setdefault(place, kind(word))
            if word.strip("[]").endswith("..."):
                last = (place, kind(word))
    for place, what in sorted(known.items()):
        if last is None or place < last[0]:
            yield f"    {quoted(f'{path} {place}')}) printf %s {quoted(what)} ;;"
    if last is not None:
        yield f"    {quoted(path + ' ')}*) printf %s {quoted(last[1])} ;;"


def script(program):
    """The completion script of a program (Help)."""
    parts = {"ABOUT": [], "TAKES": [], "PLACES": []}
    for helped in program.everything():
        path = "".join(" " + word for word in helped.words[1:])
        parts["ABOUT"].append(about(helped, path))
        parts["TAKES"] += takes(helped, path)
        parts["PLACES"] += places(helped, path)
    name = program.words[0]
    made = SCRIPT.replace("@PROGRAM@", name).replace("@NAME@", name.replace("-", "_"))
    for part, lines in parts.items():
        made = made.replace(f"@{part}@", "\n".join(lines) or "    *) ;;")
    return made
