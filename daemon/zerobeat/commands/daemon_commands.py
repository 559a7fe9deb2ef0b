"""The commands that only send a request to the running daemon: a row of a table each."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ..client.ask_daemon import add_socket, add_voice, ask_and_print
from ..client.daemon_client import ANSWER_S

RELOAD_S = 30.0  # a small computer with many scenes takes seconds; notes go on meanwhile

Parser = argparse.ArgumentParser
Arguments = argparse.Namespace


def _no_arguments(parser: Parser) -> None:
    """Add nothing."""


def _no_values(args: Arguments) -> dict[str, Any]:
    return {}


@dataclass(frozen=True, slots=True)
class DaemonCommand:
    """A command of the same name on the command line and on the control socket.

    Attributes:
        name: of both.
        example: shown by ``--help``.
        arguments: adds what the command takes besides ``--socket``.
        values: the parameters of the request.
        within_s: how long to wait for the answer.
    """

    name: str
    example: str
    arguments: Callable[[Parser], None] = _no_arguments
    values: Callable[[Arguments], dict[str, Any]] = _no_values
    within_s: float = ANSWER_S

    def add_arguments(self, parser: Parser) -> None:
        add_socket(parser, self.example)
        self.arguments(parser)

    def run(self, args: Arguments) -> int:
        return ask_and_print(args, self.name, self.within_s, **self.values(args))


def _add_required_voice(parser: Parser) -> None:
    add_voice(parser, required=True)


def _voice_on(args: Arguments) -> dict[str, Any]:
    return {"voice": args.voice, "on": args.state == "on"}


def _add_bypass(parser: Parser) -> None:
    add_voice(parser, required=False)
    parser.add_argument(
        "--keep-touch-up",
        action="store_true",
        help="without the profile, but with what touchup took out",
    )


def _bypass(args: Arguments) -> dict[str, Any]:
    kept = {"keep_touch_up": True} if args.keep_touch_up else {}
    if args.voice in ("on", "off"):  # zerobeat bypass off
        return {"voice": "all", "on": args.voice == "on", **kept}
    return {**_voice_on(args), **kept}


def _add_hold(parser: Parser) -> None:
    parser.add_argument(
        "hold",
        choices=("none", "note", "trigger", "sample"),
        help="what a changed setting waits for",
    )
    parser.add_argument("--voice", help="one voice alone (default: the scene)")


def _hold(args: Arguments) -> dict[str, Any]:
    voice = {} if args.voice is None else {"voice": args.voice}
    return {"hold": args.hold, **voice}


def _add_recalled_scene(parser: Parser) -> None:
    parser.add_argument("scene", nargs="+", help="a title, next, previous or a program's number")


def _add_stored_scene(parser: Parser) -> None:
    parser.add_argument("scene", nargs="*", help="its title, or a new one (default: the current)")
    parser.add_argument("--undo", action="store_true", help="bring back what was stored before")


def _store(args: Arguments) -> dict[str, Any]:
    values: dict[str, Any] = {"scene": " ".join(args.scene)} if args.scene else {}
    return {**values, "undo": True} if args.undo else values


_STORE_EXAMPLE = """zerobeat store
         zerobeat store calm
         zerobeat store calm --undo

Answered once it is on the disk. Your own files stay as they are: a store goes
to the state directory, and what is stored there is used from then on. The
version before is kept; --undo brings it back, and again the newer one."""

_UNDO_EXAMPLE = """zerobeat undo

Takes back the last change of a setting, whoever made it: a command or a pedal, for a
voice, the scene or tonight. Again takes back the one before. A store stays (store --undo)."""

_RECALL_EXAMPLE = """zerobeat recall drone
         zerobeat recall next
         zerobeat recall 5        (the scene of program 5)"""

DAEMON_COMMANDS: dict[str, DaemonCommand] = {
    row.name: row
    for row in (
        DaemonCommand("bypass", "zerobeat bypass reed on", _add_bypass, _bypass),
        DaemonCommand("cancel", "zerobeat cancel"),
        DaemonCommand("hold", "zerobeat hold trigger", _add_hold, _hold),
        DaemonCommand(
            "mute", "zerobeat mute reed; zerobeat mute all off", _add_required_voice, _voice_on
        ),
        DaemonCommand("panic", "zerobeat panic"),
        DaemonCommand(
            "recall",
            _RECALL_EXAMPLE,
            _add_recalled_scene,
            lambda args: {"scene": " ".join(args.scene)},
        ),
        DaemonCommand("reload", "zerobeat reload", within_s=RELOAD_S),
        DaemonCommand("revert", "zerobeat revert"),
        DaemonCommand(
            "solo", "zerobeat solo reed; zerobeat solo all off", _add_required_voice, _voice_on
        ),
        DaemonCommand("store", _STORE_EXAMPLE, _add_stored_scene, _store),
        DaemonCommand("trigger", "zerobeat trigger"),
        DaemonCommand("undo", _UNDO_EXAMPLE),
    )
}
