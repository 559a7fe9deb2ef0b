"""Makes the manual pages from the help of the commands; ``docs/generate.py`` writes them.

One page a command, ``zerobeat-COMMAND(1)``, and ``zerobeat(1)``, which names them all. man finds
a command's page by ``man zerobeat COMMAND``, too.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from argparse_manpage.manpage import Manpage

CHANGELOG = Path(__file__).resolve().parent.parent / "CHANGELOG.md"
BEFORE_THE_FIRST_VERSION = "2026-12-01"
IN_SHORT = "keeps a case of oscillators in tune between keyboard and converter"
BEGINNING = (
    ("zerobeat init rig.yaml", "write a starter rig; edit it"),
    ("zerobeat check rig.yaml", "what is wrong with it, each fault with its line"),
    ("zerobeat run rig.yaml", "play; Ctrl-C ends it"),
    ("zerobeat status", "in a second terminal: what plays, and what to do"),
)


def _date() -> str:
    """Return the day of the newest version, so that a page stays the same until the next."""
    found = re.search(r"^## \d.* (\d{4}-\d\d-\d\d)$", CHANGELOG.read_text(), re.MULTILINE)
    return found[1] if found else BEFORE_THE_FIRST_VERSION


def manual_pages(
    commands: Mapping[str, argparse.ArgumentParser], summaries: Mapping[str, str]
) -> Iterator[tuple[str, str]]:
    """Yield name and source of each page."""
    yield "zerobeat", _main_page(summaries)
    for name, parser in commands.items():
        yield f"zerobeat-{name}", _page(name, parser, summaries[name])


def _roff(text: str) -> str:
    """Return text as roff shows it: a line never begins with a request."""
    lines = text.replace("\\", "\\e").replace("-", "\\-").splitlines()
    return "\n".join(f"\\&{line}" if line[:1] in (".", "'") else line for line in lines)


def _page(name: str, parser: argparse.ArgumentParser, summary: str) -> str:
    usage = " ".join(parser.format_usage().split(":", 1)[1].split())
    _, _, arguments = usage.replace("[-h] ", "").replace("[-h]", "").strip().partition(name)
    examples, rest = _parts_of(parser.epilog or "")
    parser.description = parser.epilog = None
    page = Manpage(parser)
    page.prog, page.description = f"zerobeat-{name}", summary
    page.date, page.source, page.manual = _date(), "zerobeat", "zerobeat"
    synopsis = f"\\fBzerobeat {name}\\fR{_roff(arguments)}"
    page.add_section("synopsis", "=", synopsis)
    about = [f"{summary[0].upper()}{summary[1:]}.", *rest]
    page.add_section("description", "=", "\n.PP\n".join(map(_roff, about)))
    page.add_section("examples", "=", f".nf\n{_roff(examples)}\n.fi")
    page.add_section("see also", "=", "\\fBzerobeat\\fR(1)")
    return _without_gaps(str(page).replace(_roff(page.date), page.date, 1))


def _parts_of(epilog: str) -> tuple[str, list[str]]:
    """Return the examples of a help text, and the paragraphs below them."""
    first, *rest = epilog.split("\n\n")
    lines = first.replace("examples:\n", "").replace("example: ", "").splitlines()
    return "\n".join(line.strip() for line in lines), rest


def _without_gaps(text: str) -> str:
    """Return the source without empty lines, which roff shows as well."""
    return "".join(f"{line}\n" for line in text.splitlines() if line)


def _main_page(summaries: Mapping[str, str]) -> str:
    def listed(rows: Iterator[tuple[str, str]]) -> str:
        return "\n".join(f".TP\n{head}\n{_roff(text)}" for head, text in rows)

    commands = listed(
        (f"\\fBzerobeat\\-{_roff(name)}\\fR(1)", text) for name, text in summaries.items()
    )
    beginning = listed((f"\\fB{_roff(line)}\\fR", text) for line, text in BEGINNING)
    return f"""\
.TH ZEROBEAT "1" "{_date()}" "zerobeat" "zerobeat"
.SH NAME
zerobeat \\- {IN_SHORT}
.SH SYNOPSIS
\\fBzerobeat\\fR \\fICOMMAND\\fR [\\fIARGUMENTS\\fR]
.br
\\fBzerobeat \\-\\-version\\fR
.SH DESCRIPTION
Stands between the keyboard and a multichannel MIDI\\-to\\-CV interface, and sends for every note
the number and the bend that make each oscillator sound the pitch that is wanted. The rig, all
that is plugged in, is described in one file, rig.yaml.
.PP
Each command has a page of its own, by \\fBman zerobeat\\fR \\fICOMMAND\\fR, and help, by
\\fBzerobeat help\\fR \\fICOMMAND\\fR. The keys of all files: \\fBzerobeat keys\\fR.
.SH EXAMPLES
{beginning}
.SH COMMANDS
{commands}
.SH EXIT STATUS
.TP
0
done
.TP
1
not done; one line says why
.TP
2
the command line has a fault
.TP
78
a file has faults, each listed with its line
"""
