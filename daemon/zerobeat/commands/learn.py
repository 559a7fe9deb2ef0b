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
from ..config.scene_voices import HOLDS
from ..engine.pedals.bindings import ACTIONS, KINDS, SETTINGS, UNITS
from ..errors import CommandError, ControlError, one_of
from ..midi import PRESSED, Message
from .learn_options import check_options

DEFAULT_WAIT_S = 30.0
LEARN_CURVE = "curve"
SKIPPED_CONTROLLERS = (*midi.BANK_CONTROLLERS, *midi.MODE_CONTROLLERS)  # not a switch
MOVED_VALUES = 3  # so many different values make a pedal, not a switch
LATCH_WAIT_S = 2.0  # a switch that says nothing on release within this may latch
SwitchAddress = tuple[str, str, int, int]  # input, source, channel, number


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat learn                      (show what arrives; Ctrl-C ends)\n"
        "         zerobeat learn next                 (then press the switch)\n"
        "         zerobeat learn recall               (then send any program)\n"
        "         zerobeat learn recall --scene drone\n"
        "         zerobeat learn bypass --voice reed --light\n"
        "         zerobeat learn set --setting detune_cents --voice horn --lowest 0 --highest 8\n"
        "         zerobeat learn curve --input keys   (then play softly, then hard)\n"
        "         zerobeat learn --list\n"
        "         zerobeat learn --forget 2\n\n"
        "What is learned is in force at once and after a restart, and takes the place\n"
        "of what a pedalboard file says of the same switch. What the switch did before,\n"
        "it does once more while it is learned. Keyboards are not listened to unless\n"
        "--input names one.",
    )
    parser.add_argument(
        "action", nargs="?", metavar="ACTION", help=f"{', '.join(ACTIONS)}; or {LEARN_CURVE}"
    )
    parser.add_argument(
        "--list", action="store_true", help="list what switches and pedals do, with numbers"
    )
    parser.add_argument("--forget", type=int, metavar="N", help="forget a learned switch")
    parser.add_argument("--input", help="listen to this input of the rig alone")
    parser.add_argument(
        "--wait", type=float, metavar="S", help=f"seconds (default {DEFAULT_WAIT_S:g})"
    )
    parser.add_argument("--kind", choices=KINDS, help="how the switch acts")
    parser.add_argument("--any-channel", action="store_true", help="whatever the channel")
    parser.add_argument("--light", action="store_true", help="light it up while it is on")
    parser.add_argument("--voice", help="the voice that it acts on")
    parser.add_argument("--scene", help="with recall and store: the scene")
    parser.add_argument("--hold", choices=HOLDS, help="with hold: what changes wait for")
    parser.add_argument("--setting", choices=SETTINGS, help="with set: the setting")
    parser.add_argument("--unit", choices=UNITS, help="with transpose (default: semitones)")
    for name, text in (
        ("lowest", "what the heel means"),
        ("highest", "what the toe means"),
        ("to", "the value"),
        ("by", "the step"),
    ):
        parser.add_argument(f"--{name}", type=float, metavar="N", help=text)
    parser.add_argument("--long-press", type=float, metavar="S", help="only when held so long")
    parser.add_argument(
        "--debounce-ms", type=float, metavar="MS", help="presses closer than this count once"
    )
    parser.add_argument("--keep-touch-up", action="store_true", help="with bypass")
    parser.add_argument("--no-pick-up", action="store_true", help="a pedal jumps to its place")


def run(args: argparse.Namespace) -> int:
    if args.action == LEARN_CURVE:
        from .learn_curve import learn_curve  # it reads what arrives as this module does

        return learn_curve(args)
    if args.action is not None and args.action not in ACTIONS:
        raise CommandError(f"action: found {args.action}; allowed: {one_of(args.action, ACTIONS)}")
    with Client(args.socket) as client:
        if args.list:
            return _list(client)
        if args.forget is not None:
            print(client.ask("forget", number=args.forget)["said"])
            return 0
        shown = client.status()
        inputs = [port["name"] for port in shown.get("ports", ()) if port["direction"] == "in"]
        if args.input is not None and args.input not in inputs:
            raise CommandError(f"input: found {args.input}; allowed: {one_of(args.input, inputs)}")
        if args.action is None:
            return _show(args, client, shown)
        return _learn(args, client, shown)


def _list(client: Client) -> int:
    found = client.ask("bindings").get("bindings", [])
    if not found:
        print("no switch does anything yet; zerobeat learn ACTION teaches one")
    for binding in found:
        number = f"{binding['number']:>3}" if "number" in binding else "   "
        state = "" if binding["in_force"] else "  (not in force)"
        print(f"{number}  {binding['text']}{state}")
    return 0


def _show(args: argparse.Namespace, client: Client, shown: dict[str, Any]) -> int:
    """Print each message that arrives until Ctrl-C, or for ``--wait`` seconds."""
    first, octave = shown.get("program_numbers_from", 1), shown.get("middle_c_octave", 4)
    before_s = time.monotonic()
    end_s = None if args.wait is None else before_s + args.wait
    print("listening; Ctrl-C ends (seconds since the message before)", flush=True)
    for incoming in IncomingMessages(client).until(end_s):
        if args.input in (None, incoming.input):
            if incoming.lost:
                print(f"... {incoming.lost} more, too many to show")
            text = message_text(incoming, first, octave)
            passed_s, before_s = max(0.0, incoming.at_s - before_s), incoming.at_s
            print(f"{passed_s:8.3f} s  {incoming.input}: {text}", flush=True)
    return 0


def _learn(args: argparse.Namespace, client: Client, shown: dict[str, Any]) -> int:
    names = [args.input] if args.input else list(shown.get("feet", ()))
    if not names:
        raise CommandError("the rig has no input with plays: false; name one: --input NAME")
    check_options(args, _options(args), shown)
    wait_s = DEFAULT_WAIT_S if args.wait is None else args.wait
    pedal = args.action == "set" and args.to is None and args.by is None
    any_program = args.action == "recall" and args.scene is None
    do = "move the pedal" if pedal else "send a program" if any_program else "press the switch"
    print(f"{args.action}: {do} ({', '.join(names)}); waiting {wait_s:g} s", flush=True)
    end_s = time.monotonic() + wait_s
    messages = IncomingMessages(client)
    allowed = names.__contains__
    if pedal:
        found = find_pedal(messages, allowed, end_s)
    else:
        found = find_switch(messages, allowed, end_s, any_program)
    if found is None:
        raise CommandError(
            f"{', '.join(names)} sent no switch or pedal that fits within {wait_s:g} s; "
            "zerobeat learn shows all that arrives"
        )
    answer = client.ask("bind", **_binding(args, found, shown))
    print(answer["said"])
    for warning in found.warnings:
        print(f"warning: {warning}", file=sys.stderr)
    return 0


def _binding(
    args: argparse.Namespace, found: DetectedSwitch, shown: dict[str, Any]
) -> dict[str, Any]:
    """Return the keys of a binding, as a pedalboard file has them."""
    keys = dict(found.keys)
    if "program" in keys:
        any_program = args.action == "recall" and args.scene is None
        keys["program"] = "any" if any_program else keys["program"] + shown["program_numbers_from"]
    if args.any_channel:
        del keys["channel_number"]
    return keys | _options(args)


def _options(args: argparse.Namespace) -> dict[str, Any]:
    """Return the keys of a binding that the command line gives."""
    keys: dict[str, Any] = {"action": args.action}
    plain = ("kind", "voice", "scene", "hold", "setting", "unit", "lowest", "highest", "to", "by")
    for name in plain:
        value = getattr(args, name)
        if value is not None:
            keys[name] = value
    if args.long_press is not None:
        keys["long_press_s"] = args.long_press
    if args.debounce_ms is not None:
        keys["debounce_ms"] = args.debounce_ms
    if args.light:
        keys["feedback"] = True
    if args.keep_touch_up:
        keys["keep_touch_up"] = True
    if args.no_pick_up:
        keys["pick_up"] = False
    return keys


# ---------------------------------------------------------------- what arrives


@dataclass(frozen=True, slots=True)
class IncomingMessage:
    """One MIDI message at an input of the daemon.

    Args:
        input: name of the input.
        at_s: monotonic time of its arrival.
        message: None where the bytes are no whole message.
        raw: its bytes.
        lost: how many messages before it were too many to pass on.
    """

    input: str
    at_s: float
    message: Message | None
    raw: bytes
    lost: int = 0


class IncomingMessages:
    """The MIDI messages that arrive at the daemon, as it streams them.

    Args:
        client: a connection that is used for nothing else meanwhile.
    """

    def __init__(self, client: Client) -> None:
        self._client = client
        self._queue: deque[IncomingMessage] = deque()
        client.ask("listen")

    def until(self, end_s: float | None) -> Iterator[IncomingMessage]:
        """Yield the messages that arrive until a monotonic time; None: for ever.

        Messages that were received but not yielded come first in the next call.

        Raises:
            ControlError: the daemon has stopped.
        """
        self._read()
        while True:
            while self._queue:
                yield self._queue.popleft()
            left_s = None if end_s is None else end_s - time.monotonic()
            if left_s is not None and left_s <= 0:
                return
            if select.select([self._client.fileno()], (), (), left_s)[0]:
                self._client.hear()
                self._read()

    def _read(self) -> None:
        for answer in self._client.answers():
            if answer.get("ok") is not True:
                raise ControlError(str(answer.get("error", "refused without a reason")))
            lost = int(answer.get("lost", 0))
            for sent in answer.get("heard", ()):
                raw = bytes(sent["bytes"])
                message = midi.parse(raw)
                self._queue.append(IncomingMessage(sent["input"], sent["at_s"], message, raw, lost))
                lost = 0


def message_text(incoming: IncomingMessage, numbers_from: int = 1, middle_c_octave: int = 4) -> str:
    """Return a message in words, with the numbers that a binding uses."""
    message = incoming.message
    kind = type(message).__name__.lower() if message else "bytes"
    if message is None or not hasattr(message, "channel"):
        return f"{kind} {incoming.raw.hex(' ')}"
    channel = f"channel number {message.channel + 1}"
    match message:
        case midi.ControlChange(controller=controller, value=value):
            state = "down" if value >= PRESSED else "up"
            return f"controller {controller}, {channel}, value {value} ({state})"
        case midi.ProgramChange(program=number):
            return f"{program(number, numbers_from)}, {channel}"
        case midi.NoteOn(note=note, velocity=velocity):
            return f"note {named(note, middle_c_octave)}, {channel}, velocity {velocity}"
        case midi.NoteOff(note=note):
            return f"note {named(note, middle_c_octave)}, {channel}, released"
        case midi.PitchBend(bend=bend):
            return f"wheel {bend:+d}, {channel}"
        case _:
            return f"pressure {incoming.raw[-1]}, {channel}"


# ---------------------------------------------------------------- which switch


@dataclass(slots=True)
class DetectedSwitch:
    """A switch or pedal that the player moved.

    Args:
        keys: what it sends, as keys of a binding.
        warnings: what may go wrong with it, a line each.
    """

    keys: dict[str, Any]
    warnings: list[str] = field(default_factory=list)


def switch_in(
    incoming: IncomingMessage, pedal: bool, any_program: bool
) -> tuple[SwitchAddress, int] | None:
    """Return the switch that may have sent a message and its value, or None.

    Args:
        incoming: the message.
        pedal: a continuous pedal is looked for.
        any_program: only a program change will do.
    """
    name = incoming.input
    match incoming.message:
        case midi.ProgramChange(channel, number) if not pedal:
            return (name, "program", channel, number), midi.NOTE_OFF_VELOCITY
        case _ if any_program:
            return None
        case midi.ControlChange(channel, number, value) if number not in SKIPPED_CONTROLLERS:
            return (name, "controller", channel, number), value
        case midi.NoteOn(channel, number) if not pedal:
            return (name, "note", channel, number), 127
        case midi.NoteOff(channel, number) if not pedal:
            return (name, "note", channel, number), 0
    return None


def find_pedal(
    messages: IncomingMessages, allowed: Callable[[str], bool], end_s: float
) -> DetectedSwitch | None:
    """Return the first pedal that moves; None if none does until ``end_s``."""
    values: dict[SwitchAddress, set[int]] = {}
    for incoming in messages.until(end_s):
        found = switch_in(incoming, True, False) if allowed(incoming.input) else None
        if found is None:
            continue
        address, value = found
        values.setdefault(address, set()).add(value)
        if len(values[address]) >= MOVED_VALUES:
            return DetectedSwitch(_binding_keys(address))
    return None


def find_switch(
    messages: IncomingMessages, allowed: Callable[[str], bool], end_s: float, any_program: bool
) -> DetectedSwitch | None:
    """Return the first switch that is pressed, having watched its release (F6)."""
    for incoming in messages.until(end_s):
        found = switch_in(incoming, False, any_program) if allowed(incoming.input) else None
        if found is None or found[1] < PRESSED:
            continue
        address, value = found
        if address[1] == "program":
            return DetectedSwitch(_binding_keys(address))
        return _watch_release(messages, address, value)
    return None


def _watch_release(
    messages: IncomingMessages, address: SwitchAddress, first: int
) -> DetectedSwitch:
    result = DetectedSwitch(_binding_keys(address))
    values = {first}
    for incoming in messages.until(time.monotonic() + LATCH_WAIT_S):
        found = switch_in(incoming, False, False)
        if found is None or found[0] != address:
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
        f"it sent nothing on release within {LATCH_WAIT_S:g} s: if it latches by itself, set it to "
        "momentary, or learn it with --kind latching; else every second press is lost"
    )
    return result


def _binding_keys(address: SwitchAddress) -> dict[str, Any]:
    name, source, channel, number = address
    return {"input": name, source: number, "channel_number": channel + 1}
