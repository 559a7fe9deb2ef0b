"""``zerobeat learn``: show what pedals send, and write their bindings."""

from __future__ import annotations

import argparse
import select
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from .. import midi
from ..client.ask_daemon import add_socket
from ..client.daemon_client import Client
from ..config.describe import named, program
from ..engine.pedals.bindings import ACTIONS, KINDS, SETTINGS
from ..errors import CommandError, ControlError
from ..midi import PRESSED, Message

WAIT_S = 30.0
SKIPPED_CONTROLLERS = (0, 32, *range(120, 128))  # bank select, channel modes: not a switch
MOVED_VALUES = 3  # so many different values make a pedal, not a switch
RELEASE_S = 2.0  # a switch that says nothing on release within this may latch
_Place = tuple[str, str, int, int]  # input, source, channel, number
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


# ---------------------------------------------------------------- what arrives


@dataclass(frozen=True, slots=True)
class Heard:
    """One message, when and where it came; ``lost`` counts those before it that were too many."""

    input: str
    at_s: float
    message: Message | None
    raw: bytes
    lost: int = 0


class Hearing:
    """Follows the raw input.

    Args:
        client: a connection that is used for nothing else meanwhile.
    """

    def __init__(self, client: Client) -> None:
        self._client = client
        self._waiting: deque[Heard] = deque()
        client.ask("listen")

    def until(self, end_s: float | None) -> Iterator[Heard]:
        """Yield what comes until a monotonic moment; None: for ever.

        What was heard and not taken comes first next time.

        Raises:
            ControlError: the daemon has stopped.
        """
        self._take()
        while True:
            while self._waiting:
                yield self._waiting.popleft()
            left_s = None if end_s is None else end_s - time.monotonic()
            if left_s is not None and left_s <= 0:
                return
            if select.select([self._client.fileno()], (), (), left_s)[0]:
                self._client.hear()
                self._take()

    def _take(self) -> None:
        for answer in self._client.answers():
            if answer.get("ok") is not True:
                raise ControlError(str(answer.get("error", "refused without a reason")))
            lost = int(answer.get("lost", 0))
            for told in answer.get("heard", ()):
                raw = bytes(told["bytes"])
                message = midi.parse(raw)
                self._waiting.append(Heard(told["input"], told["at_s"], message, raw, lost))
                lost = 0


def told(heard: Heard, numbers_from: int = 1, middle_c_octave: int = 4) -> str:
    """Return a message in words, with the numbers that a binding uses."""
    message = heard.message
    kind = type(message)
    if message is None or not hasattr(message, "channel"):
        return f"{kind.__name__.lower() if message else 'bytes'} {heard.raw.hex(' ')}"
    channel = f"channel number {message.channel + 1}"
    if kind is midi.ControlChange:
        state = "down" if message.value >= PRESSED else "up"
        return f"controller {message.controller}, {channel}, value {message.value} ({state})"
    if kind is midi.ProgramChange:
        return f"{program(message.program, numbers_from)}, {channel}"
    if kind is midi.NoteOn:
        return (
            f"note {named(message.note, middle_c_octave)}, {channel}, velocity {message.velocity}"
        )
    if kind is midi.NoteOff:
        return f"note {named(message.note, middle_c_octave)}, {channel}, released"
    if kind is midi.PitchBend:
        return f"wheel {message.bend:+d}, {channel}"
    return f"pressure {heard.raw[-1]}, {channel}"


# ---------------------------------------------------------------- which switch


@dataclass(slots=True)
class Found:
    """A switch: what it sends, and what it did in the moment after its press.

    ``keys`` are those of a binding; ``warnings`` say what may go wrong.
    """

    keys: dict[str, Any]
    warnings: list[str] = field(default_factory=list)


def wanted_place(heard: Heard, pedal: bool, any_program: bool) -> tuple[_Place, int] | None:
    """Return the switch a message may stand for and its value, or None.

    Args:
        heard: the message.
        pedal: a continuous pedal is looked for.
        any_program: only a program change will do.
    """
    message = heard.message
    kind = type(message)
    if kind is midi.ProgramChange and not pedal:
        return (heard.input, "program", message.channel, message.program), midi.NOTE_OFF_VELOCITY  # type: ignore[union-attr]
    if any_program:
        return None
    if kind is midi.ControlChange and message.controller not in SKIPPED_CONTROLLERS:  # type: ignore[union-attr]
        place = (heard.input, "controller", message.channel, message.controller)  # type: ignore[union-attr]
        return place, message.value  # type: ignore[union-attr]
    if kind in (midi.NoteOn, midi.NoteOff) and not pedal:
        value = 127 if kind is midi.NoteOn else 0
        return (heard.input, "note", message.channel, message.note), value  # type: ignore[union-attr]
    return None


def find_pedal(hearing: Hearing, allowed: Callable[[str], bool], end_s: float) -> Found | None:
    """Return the first pedal that moves."""
    values: dict[_Place, set[int]] = {}
    for heard in hearing.until(end_s):
        found = wanted_place(heard, True, False) if allowed(heard.input) else None
        if found is None:
            continue
        place, value = found
        values.setdefault(place, set()).add(value)
        if len(values[place]) >= MOVED_VALUES:
            return Found(_keys(place))
    return None


def find_switch(
    hearing: Hearing, allowed: Callable[[str], bool], end_s: float, any_program: bool
) -> Found | None:
    """Return the first switch that is pressed, with a look at how it comes up (F6)."""
    for heard in hearing.until(end_s):
        found = wanted_place(heard, False, any_program) if allowed(heard.input) else None
        if found is None or found[1] < PRESSED:
            continue
        place, value = found
        if place[1] == "program":
            return Found(_keys(place))
        return _watched(hearing, place, value)
    return None


def _watched(hearing: Hearing, place: _Place, first: int) -> Found:
    result = Found(_keys(place))
    values = {first}
    for heard in hearing.until(time.monotonic() + RELEASE_S):
        found = wanted_place(heard, False, False)
        if found is None or found[0] != place:
            continue
        values.add(found[1])
        if len(values) > MOVED_VALUES:
            result.warnings.append(
                "it moves like a pedal, not like a switch; for a setting that follows it: "
                "zerobeat learn set --setting NAME --lowest N --highest N"
            )
            return result
        if found[1] == 0:
            return result
    result.warnings.append(
        f"it sent nothing on release within {RELEASE_S:g} s: if it latches by itself, set it to "
        "momentary, or learn it with --kind latching; else every second press is lost"
    )
    return result


def _keys(place: _Place) -> dict[str, Any]:
    name, source, channel, number = place
    return {"input": name, source: number, "channel_number": channel + 1}
