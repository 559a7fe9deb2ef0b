"""What ``learn`` was asked for, checked before the player presses anything."""

from __future__ import annotations

import argparse
from typing import Any

from ..config.faults import Faults, Place
from ..config.fields import Section
from ..config.json_source import table_of
from ..config.pedalboard_file import read_binding
from ..errors import CommandError, one_of

# Keys of a binding whose option is not called like them.
OPTIONS = {
    "long_press_s": "--long-press",
    "feedback": "--light",
    "pick_up": "--no-pick-up",
    "action": "ACTION",
}


def check_options(args: argparse.Namespace, keys: dict[str, Any], shown: dict[str, Any]) -> None:
    """Refuse what no switch could be learned for, each option with its choices.

    Args:
        args: of the command.
        keys: of the binding, as far as they are known before a switch is pressed.
        shown: the daemon's status.

    Raises:
        CommandError: a line for each fault.
    """
    voices = [str(voice["name"]) for voice in shown.get("voices", ())]
    lines = [
        f"--{what}: found {typed}; allowed: {one_of(typed, names) or 'none'}"
        for what, typed, names in (
            ("voice", args.voice, voices),
            ("scene", args.scene, list(shown.get("scenes", ()))),
        )
        if typed is not None and typed not in names
    ]
    # Which switch is not known yet: any controller, or any program where only that will do.
    any_program = args.action == "recall" and args.scene is None
    source = {"program": "any"} if any_program else {"controller": 1}
    faults = Faults()
    table = table_of({**source, **keys}, Place("learn", 0))
    read_binding(Section(table, faults), shown.get("program_numbers_from", 1))
    for place, text in faults.problems:
        option = OPTIONS.get(place.key, f"--{place.key.replace('_', '-')}")
        choices = f": {', '.join(voices)}" if place.key == "voice" else ""
        lines.append(f"{option}: {text}{choices}")
    if lines:
        raise CommandError("\n".join(f"learn {args.action}: {line}" for line in lines))
