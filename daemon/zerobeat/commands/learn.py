"""``zerobeat learn``: show what pedals send, and write their bindings."""

from __future__ import annotations

import argparse
import sys
import time
from typing import Any

from ..client.ask_daemon import add_socket
from ..client.daemon_client import Client
from ..engine.pedals.bindings import ACTIONS, KINDS, SETTINGS
from ..errors import CommandError
from .learn_incoming import Hearing, told
from .learn_switch import Found, find_pedal, find_switch

WAIT_S = 30.0
HOLDS = ("none", "note", "trigger", "sample")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat learn                      (show what arrives; Ctrl-C ends)\n"
        "         zerobeat learn next                 (then press the switch)\n"
        "         zerobeat learn recall               (then send any program)\n"
        "         zerobeat learn recall --scene drone\n"
        "         zerobeat learn bypass --voice reed --light\n"
        "         zerobeat learn set --setting detune_cents --voice horn --lowest 0 --highest 8\n"
        "         zerobeat learn --list\n"
        "         zerobeat learn --forget 2\n\n"
        "What is learned is in force at once and after a restart, and takes the place\n"
        "of what a pedalboard file says of the same switch. What the switch did before,\n"
        "it does once more while it is learned. Keyboards are not listened to unless\n"
        "--input names one.",
    )
    parser.add_argument(
        "action", nargs="?", choices=ACTIONS, metavar="ACTION", help=", ".join(ACTIONS)
    )
    parser.add_argument("--list", action="store_true", help="list the bindings, with their numbers")
    parser.add_argument("--forget", type=int, metavar="N", help="take a learned binding away")
    parser.add_argument("--input", help="listen to this input of the rig alone")
    parser.add_argument("--wait", type=float, metavar="S", help=f"seconds (default {WAIT_S:g})")
    parser.add_argument("--kind", choices=KINDS, help="how the switch acts")
    parser.add_argument("--any-channel", action="store_true", help="whatever the channel")
    parser.add_argument("--light", action="store_true", help="light it up while it is on")
    parser.add_argument("--voice")
    parser.add_argument("--scene")
    parser.add_argument("--hold", choices=HOLDS)
    parser.add_argument("--setting", choices=SETTINGS)
    for name, text in (
        ("lowest", "what the heel means"),
        ("highest", "what the toe means"),
        ("to", "the value"),
        ("by", "the step"),
    ):
        parser.add_argument(f"--{name}", type=float, metavar="N", help=text)
    parser.add_argument("--long-press", type=float, metavar="S", help="only when held so long")
    parser.add_argument("--debounce-ms", type=float, metavar="MS")
    parser.add_argument("--no-pick-up", action="store_true", help="a pedal jumps to its place")


def run(args: argparse.Namespace) -> int:
    with Client(args.socket) as client:
        if args.list:
            return _list(client)
        if args.forget is not None:
            print(client.ask("forget", number=args.forget)["said"])
            return 0
        shown = client.status()
        inputs = [port["name"] for port in shown.get("ports", ()) if port["direction"] == "in"]
        if args.input is not None and args.input not in inputs:
            raise CommandError(f"input: found {args.input}; allowed: {', '.join(inputs)}")
        if args.action is None:
            return _show(args, client, shown)
        return _learn(args, client, shown)


def _list(client: Client) -> int:
    found = client.ask("bindings").get("bindings", [])
    if not found:
        print("no bindings; zerobeat learn ACTION makes one")
    for binding in found:
        number = f"{binding['number']:>3}" if "number" in binding else "   "
        state = "" if binding["in_force"] else "  (not in force)"
        print(f"{number}  {binding['text']}{state}")
    return 0


def _show(args: argparse.Namespace, client: Client, shown: dict[str, Any]) -> int:
    """Print each message until Ctrl-C, or for so long."""
    first, octave = shown.get("program_numbers_from", 1), shown.get("middle_c_octave", 4)
    end_s = None if args.wait is None else time.monotonic() + args.wait
    print("listening; Ctrl-C ends", flush=True)
    for heard in Hearing(client).until(end_s):
        if args.input in (None, heard.input):
            if heard.lost:
                print(f"... {heard.lost} more, too many to show")
            print(f"{heard.at_s:10.3f}  {heard.input}: {told(heard, first, octave)}", flush=True)
    return 0


def _learn(args: argparse.Namespace, client: Client, shown: dict[str, Any]) -> int:
    feet = shown.get("feet", ())
    names = [args.input] if args.input else list(feet)
    if not names:
        raise CommandError("the rig has no input with plays: false; name one: --input NAME")
    wait_s = WAIT_S if args.wait is None else args.wait
    pedal = args.action == "set" and args.to is None and args.by is None
    any_program = args.action == "recall" and args.scene is None
    do = "move the pedal" if pedal else "send a program" if any_program else "press the switch"
    print(f"{args.action}: {do} ({', '.join(names)}); waiting {wait_s:g} s", flush=True)
    end_s = time.monotonic() + wait_s
    hearing = Hearing(client)
    allowed = names.__contains__
    if pedal:
        found = find_pedal(hearing, allowed, end_s)
    else:
        found = find_switch(hearing, allowed, end_s, any_program)
    if found is None:
        raise CommandError(
            f"nothing fitting arrived at {', '.join(names)} within {wait_s:g} s; "
            "zerobeat learn shows all that arrives"
        )
    answer = client.ask("bind", **_binding(args, found, shown))
    print(answer["said"])
    for warning in found.warnings:
        print(f"warning: {warning}", file=sys.stderr)
    return 0


def _binding(args: argparse.Namespace, found: Found, shown: dict[str, Any]) -> dict[str, Any]:
    """Return the keys of a binding, as a pedalboard file has them."""
    keys = dict(found.keys)
    if "program" in keys:
        any_program = args.action == "recall" and args.scene is None
        keys["program"] = "any" if any_program else keys["program"] + shown["program_numbers_from"]
    if args.any_channel:
        del keys["channel_number"]
    keys["action"] = args.action
    for name in ("kind", "voice", "scene", "hold", "setting", "lowest", "highest", "to", "by"):
        value = getattr(args, name)
        if value is not None:
            keys[name] = value
    if args.long_press is not None:
        keys["long_press_s"] = args.long_press
    if args.debounce_ms is not None:
        keys["debounce_ms"] = args.debounce_ms
    if args.light:
        keys["feedback"] = True
    if args.no_pick_up:
        keys["pick_up"] = False
    return keys
