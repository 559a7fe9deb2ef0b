"""``zerobeat set``: changes a setting of a voice, the scene or tonight."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ..client.ask_daemon import add_socket, value_of
from ..client.daemon_client import Client
from ..config.context import Context
from ..config.faults import Place
from ..config.json_source import node_of
from ..config.scale_field import read_scale_field, scale_to_plain
from ..state.store import Store
from ..text import printable

FLAGS = ("legato", "regate")
SWITCHED = {"on": True, "yes": True, "off": False, "no": False}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat set reed scale dorian\n"
        "         zerobeat set reed detune_cents -3.5\n"
        "         zerobeat set reed legato on\n"
        "         zerobeat set scene time_signature 7/8\n"
        "         zerobeat set scene triggers '[key, {clock: {every: 2, unit: bars}}]'\n"
        "         zerobeat set tonight concert_a_hz 442\n"
        "         zerobeat set tonight set_list 'drone, steps, drone'\n\n"
        "Keys and values are those of a scene file. WHO is a voice, all (voices),\n"
        "scene or tonight. null takes away a voice's own hold or start_key.",
    )
    parser.add_argument("who", help="a voice, all, scene or tonight")
    parser.add_argument("key", help="the setting")
    parser.add_argument("value", nargs="+", help="its value")


def run(args: argparse.Namespace) -> int:
    value = _value(args.key, " ".join(args.value))
    with Client(args.socket) as client:
        if args.key == "scale" and _names_a_file(value):
            value = _written_out(value, client)
        if args.who == "tonight" and args.key == "set_list":
            answer = client.ask("tonight", set_list=_names(value))
        elif args.who == "tonight":
            answer = client.ask("tonight", **{args.key: value})
        elif args.who == "scene":
            answer = client.ask("set_scene", changes={args.key: value})
        else:
            answer = client.ask("set", voice=args.who, changes={args.key: value})
    print(printable(str(answer.get("said", "done"))))
    return 0


def _value(key: str, text: str) -> Any:
    """Return a value as a file has it; a switch is also turned by on, off, yes and no."""
    return SWITCHED.get(text.lower(), value_of(text)) if key in FLAGS else value_of(text)


def _names(value: Any) -> Any:
    """Return a set list from a list, names between commas, or null for the rig's own."""
    if value is None:
        return []
    if isinstance(value, list):
        return value
    return [name.strip() for name in str(value).split(",") if name.strip()]


def _names_a_file(value: Any) -> bool:
    if isinstance(value, dict):
        return "file" in value
    return isinstance(value, str) and value.lower().endswith(".scl")


def _written_out(value: Any, client: Client) -> Any:
    """Return the content of a scale file, found as by the rig: the daemon opens no file itself."""
    shown = client.status()
    stored = Store(Path(str(shown.get("state_directory", "."))))
    context = Context(Path(str(shown.get("rig", "."))).parent, stored)
    scale, keyboard_map = read_scale_field(node_of(value, Place("set", 0, "scale")), context)
    context.faults.raise_any()
    return scale_to_plain(scale, keyboard_map)
