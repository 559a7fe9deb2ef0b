#!/usr/bin/env python3
"""Writes what is made from the program itself: key reference, schemas, completion, manual pages.

    .venv/bin/python docs/generate.py            # writes what differs
    .venv/bin/python docs/generate.py --check    # only says what differs; tests/test_generated.py

Needs the extra ``test`` (shtab, argparse-manpage).
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

os.environ["COLUMNS"] = "80"  # help is wrapped to the terminal's width

import shtab
from manual_pages import manual_pages

from zerobeat import cli
from zerobeat.config.key_reference import KINDS_OF_FILES, reference_page, schema

ROOT = Path(__file__).resolve().parent.parent
GENERATED = ROOT / "daemon" / "zerobeat" / "generated"
NAMES = ("voices", "scenes", "scales")
# Which names complete an argument, by its destination.
COMPLETED = {
    "voice": "voices",
    "who": "whose",
    "scene": "scenes",
    "key": "settings",
    "name": "scales",
}
FILES = ("file", "rig", "source", "target", "out", "readings", "wav", "volts", "socket")


def whole_parser() -> argparse.ArgumentParser:
    """Return one parser with all commands."""
    parser = argparse.ArgumentParser(
        prog="zerobeat",
        description="Keeps a case of oscillators in tune between keyboard and converter.",
    )
    parser.add_argument("--version", action="store_true", help="show the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, summary in cli.COMMAND_SUMMARIES:
        one = commands.add_parser(
            name,
            help=summary,
            description=summary,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        cli.load_command(name).add_arguments(one)
        for action in one._actions:
            _complete(action)
    return parser


def parsers() -> dict[str, argparse.ArgumentParser]:
    """Return the parser of each command."""
    (commands,) = (
        action
        for action in whole_parser()._actions
        if isinstance(action, argparse._SubParsersAction)
    )
    return dict(commands.choices)


def _complete(action: Any) -> None:
    names = COMPLETED.get(action.dest)
    if names is not None and not action.choices:
        action.complete = dict.fromkeys(("bash", "zsh"), f"_zerobeat_{names}")
        action.complete["fish"] = f"({_listing(names)})"
    elif action.dest in FILES:
        action.complete = shtab.FILE


def _command_of(names: str) -> str:
    return "keys --settings" if names == "settings" else f"{names} --names"


def _listing(names: str) -> str:
    """Return the command of a shell that lists names, a line each."""
    if names == "whose":  # what ``set`` changes
        return f"{_listing('voices')}; printf 'all\\nscene\\ntonight\\n'"
    return f"zerobeat {_command_of(names)} 2>/dev/null"


def _preamble(shell: str) -> str:
    lines = []
    for names in (*NAMES, "settings", "whose"):
        if shell == "bash":
            lines.append(
                # As it must be typed: a name may have spaces.
                f"_zerobeat_{names}() {{\n  local name\n"
                f'  while IFS= read -r name; do\n    printf -v name %q "$name"\n'
                f'    [[ $name == "$1"* ]] && printf "%s\\n" "$name"\n'
                f"  done < <({_listing(names)})\n}}\n"
            )
        elif shell == "zsh":
            lines.append(
                f"_zerobeat_{names}() {{\n  local -a found\n"
                f'  found=("${{(@f)$({_listing(names)})}}")\n  compadd -a found\n}}\n'
            )
    return "\n".join(lines)


def pages() -> Iterator[tuple[Path, str]]:
    yield ROOT / "docs" / "keys.md", reference_page()
    for kind in KINDS_OF_FILES:
        yield GENERATED / f"{kind}.schema.json", json.dumps(schema(kind), indent=2) + "\n"
    for shell in ("bash", "zsh", "fish"):
        preamble = {shell: _preamble(shell)} if shell != "fish" else None
        text = shtab.complete(whole_parser(), shell=shell, preamble=preamble)
        yield GENERATED / f"completion.{shell}", text.rstrip() + "\n"
    for name, text in manual_pages(parsers(), dict(cli.COMMAND_SUMMARIES)):
        yield GENERATED / "man" / f"{name}.1", text


def main() -> int:
    differing = [
        (path, text)
        for path, text in pages()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    for path, text in differing:
        print(path.relative_to(ROOT))
        if "--check" not in sys.argv:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
    return 1 if differing and "--check" in sys.argv else 0


if __name__ == "__main__":
    sys.exit(main())
