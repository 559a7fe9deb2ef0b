"""The command line: finds the command, runs it, turns errors into one clear line.

Each command has ``add_arguments(parser)``, which also sets ``parser.epilog`` to
an example, and ``run(args) -> int``: it is a module in ``commands/``, or a row
of the table in ``commands/daemon_commands.py``. It is imported only when it is
used, so ``--help`` imports none of them.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn, Protocol, cast

from .errors import ConfigError, ZerobeatError, one_of

COMMAND_SUMMARIES: tuple[tuple[str, str], ...] = (
    ("init", "write a commented starter rig"),
    ("ports", "list MIDI ports by the names a rig uses"),
    ("check", "check a rig or any file it names, and show what it says"),
    ("run", "play: the daemon between keyboard and converter"),
    ("demo", "play a virtual case of oscillators, flawed on purpose"),
    ("render", "send a MIDI file through the same engine into a MIDI file"),
    ("tune", "show how far a panel is off and which way to tune"),
    ("measure", "measure a voice and keep its profile"),
    ("trim", "low and high note in turn, for the screwdriver"),
    ("warmup", "follow the drift of all voices until they have settled"),
    ("touchup", "measure what has drifted since, and take it out"),
    ("follow", "keep every voice in tune by what is played"),
    ("soundcheck", "walk all voices: cable, level, bend, pitch"),
    ("report", "write one page with tables and pictures of a profile"),
    ("status", "show what plays, what waits and what is wrong"),
    ("recall", "recall a scene"),
    ("store", "store the live settings into a scene"),
    ("revert", "drop changes since the scene was recalled"),
    ("undo", "take back the last change of a setting"),
    ("cancel", "drop what waits"),
    ("set", "change a setting of a voice, the scene or tonight"),
    ("hold", "set how long a changed setting waits"),
    ("trigger", "let what waits take effect now"),
    ("bypass", "play a voice or all without correction"),
    ("play", "sound a test note of one voice"),
    ("solo", "let one voice sound alone"),
    ("mute", "let a voice take no more keys"),
    ("panic", "release every note"),
    ("reload", "read the rig's files again, while it plays"),
    ("scales", "list scales and intervals, or keep a received tuning as files"),
    ("learn", "learn what a switch or pedal sends and what it is to do"),
    ("state", "show what is kept for which rig, or give it to another"),
    ("backup", "pack the state directory into one file, and back"),
    ("page", "serve the status to a phone; pair phones"),
    ("doctor", "look for what is wrong with the machine"),
    ("voices", "list the voices"),
    ("scenes", "list the scenes"),
    ("keys", "explain the keys of the files"),
    ("schema", "print a JSON Schema of a kind of file, for editors"),
    ("completion", "print what completes commands and names in your shell"),
    ("help", "show the help of a command"),
)
# Rows of the table in commands/daemon_commands.py; named here so that --help imports nothing.
ASK_DAEMON = frozenset(
    "bypass cancel hold mute panic recall reload revert solo store trigger undo".split()
)
EXTRAS = {
    "sounddevice": "audio",
    "jack": "jack",
    "alsa_midi": "alsa",
    "matplotlib": "report",
    "segno": "page",
}
EX_USAGE = 2  # argparse's own
EX_CONFIG = 78  # sysexits.h
INTERRUPTED = 130  # 128 + SIGINT, as shells show it
PIPE_CLOSED = 141  # 128 + SIGPIPE


class CommandModule(Protocol):
    """What a module in ``commands/`` or a row of the table offers."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None: ...

    def run(self, args: argparse.Namespace) -> int: ...


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status of the process."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    # numpy's BLAS would wait for work with all cores busy: four times the processor time for
    # a reading (tests/bench/pitch.py), and that beside a daemon that plays.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal's encoding lacks is shown escaped (requirement T4).
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        status = _run(arguments)
        sys.stdout.flush()
        return status
    except ConfigError as error:
        count = len(error.problems)
        _complain(f"{error}\n{count} problem{'s' if count != 1 else ''}")
        return EX_CONFIG
    except ZerobeatError as error:
        _complain(str(error))
        return 1
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # What is still buffered has no reader; keep the interpreter from trying again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED


def _complain(text: str) -> None:
    from .text import printable_lines  # --help imports nothing

    sys.stdout.flush()
    print(printable_lines(text), file=sys.stderr)  # a name may hold anything


class _Parser(argparse.ArgumentParser):
    """Shows what was typed, or came from a list of file names, printable."""

    def exit(self, status: int = 0, message: str | None = None) -> NoReturn:
        if message:
            from .text import printable_lines  # --help imports nothing

            message = f"{printable_lines(message)}\n"
        super().exit(status, message)


def _run(arguments: list[str]) -> int:
    name, rest = _split(arguments)
    command = load_command(name)
    parser = _Parser(
        prog=f"zerobeat {name}",
        description=f"{name}: {dict(COMMAND_SUMMARIES)[name]}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_arguments(parser)
    args = parser.parse_args(rest)
    try:
        return int(command.run(args))
    except ModuleNotFoundError as error:  # commands import what is heavy when they run
        raise _not_installed(name, error) from None


def _split(arguments: list[str]) -> tuple[str, list[str]]:
    """Return the command's name and its arguments; help and usage errors end here."""
    parser = _top_parser()
    if not arguments:
        parser.print_help(sys.stderr)
        raise SystemExit(EX_USAGE)
    if arguments[0].startswith("-"):
        parser.parse_args(arguments)  # --help and --version end the process
    name = arguments[0]
    names = [command for command, _ in COMMAND_SUMMARIES]
    if name not in names:
        text = f"zerobeat: found command {name}; allowed: {one_of(name, names)} (zerobeat --help)"
        parser.exit(EX_USAGE, f"{text}\n")
    return name, arguments[1:]


def _top_parser() -> argparse.ArgumentParser:
    lines = [f"  {name:<11} {summary}" for name, summary in COMMAND_SUMMARIES]
    parser = _Parser(
        prog="zerobeat",
        usage="zerobeat COMMAND [ARGUMENTS]",
        description="Keeps a case of oscillators in tune between keyboard and converter.",
        epilog="\n".join(["commands:", *lines, "", "example: zerobeat check --help"]),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--version", action=_ShowVersion, nargs=0, help="show the version, and where it came from"
    )
    return parser


class _ShowVersion(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        # Loaded only here: it takes as long as half of all else that a command imports.
        from .origin import VERSION, origin

        print(f"zerobeat {VERSION} ({origin()})")
        parser.exit()


def load_command(name: str) -> CommandModule:
    try:
        if name in ASK_DAEMON:
            from .commands.daemon_commands import DAEMON_COMMANDS

            return DAEMON_COMMANDS[name]
        return cast(CommandModule, import_module(f"{__package__}.commands.{name}"))
    except ModuleNotFoundError as error:
        raise _not_installed(name, error) from None


def _not_installed(name: str, error: ModuleNotFoundError) -> ZerobeatError:
    """Return the error for a package, or a command of ours, that is not installed."""
    missing = (error.name or "").split(".")[0]
    if missing == __package__.split(".")[0]:
        return ZerobeatError(f"{name}: this command is not in this version")
    extra = EXTRAS.get(missing)
    package = f"zerobeat[{extra}]" if extra else missing
    return ZerobeatError(
        f"{name}: found no Python package {missing}; install it with: pip install '{package}'"
    )
