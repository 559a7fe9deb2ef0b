"""``zerobeat run``: runs the daemon in the foreground."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from ..config.rig import LoadedRig
from ..errors import CommandError, ConfigError, PortError, ServerSilentError, StoreError
from ..runtime.journal import CapturedOutput, Journal
from ..runtime.runner import SERVER_GONE, Runner
from ..runtime.server_wait import (
    Keeps,
    StartedAgain,
    start_again,
    wait_for_server,
    was_started_again,
)
from ..runtime.startup_state import StateAccess, restore_startup_state
from ..state.last_good import keep_last_good, last_good_rig, load_last_good
from ..state.rig_state import state_of_rig
from ..state.state_directory import load_rig, state_directory

AGAIN_AFTER_WAIT_S = 0.5
RESTART_PAUSE_S = 10.0  # a service manager that restarts it at once would fill the log


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat run rig.yaml\n\n"
        "Stop with Ctrl-C: every note is released first. Without a terminal, SIGHUP\n"
        "reads the files again; a broken file changes nothing."
    )
    parser.add_argument(
        "rig", nargs="?", default="rig.yaml", type=Path, help="the rig (default: rig.yaml)"
    )
    parser.add_argument(
        "--scene", help="scene to start with (default: the last one, else the rig's)"
    )
    parser.add_argument(
        "--backend",
        choices=("auto", "alsa", "jack"),
        default="auto",
        help="MIDI system (default: ALSA's sequencer where there is one, else JACK)",
    )
    parser.add_argument(
        "--or-last-good",
        action="store_true",
        help="if the rig is broken, play the last one that was not, and say so (for a service)",
    )


def run(args: argparse.Namespace) -> int:
    with CapturedOutput() as output:
        journal = Journal(output.writer)
        waited = was_started_again()
        if waited and not wait_for_server(journal):
            return 0
        keeps: Keeps = "what played"
        if waited is not None and waited.keeps == keeps:
            args.scene = None  # it goes on from where it was
        name, lines = state_of_rig(args.rig) if waited is None else (waited.rig_name, [])
        try:
            status = _run(args, journal, name, lines)
        except PortError as error:
            if waited is None and not isinstance(error, ServerSilentError):
                raise
            if waited is None or waited.keeps != keeps:
                keeps = "what was asked for"
            journal.log(str(error))  # the server has gone again, or lists our old clients still
            time.sleep(AGAIN_AFTER_WAIT_S)
            status = SERVER_GONE
    if status == SERVER_GONE:
        start_again(StartedAgain(keeps, name))
    return status


def _run(args: argparse.Namespace, journal: Journal, rig_name: str, lines: list[str]) -> int:
    """Play until the end.

    Args:
        args: of the command line.
        journal: the log.
        rig_name: whose state is used.
        lines: to be logged.
    """
    state = StateAccess(state_directory(rig_name), rig_name)
    loaded, instead = _load(args.rig, state, args.or_last_good)
    if args.scene is not None:
        names = [scene.name for scene in loaded.scenes]
        if args.scene not in names:
            raise CommandError(f"scene: found {args.scene!r}; allowed: {', '.join(names)}")
    startup = restore_startup_state(state, loaded, args.scene)
    runner = Runner(args.rig, loaded, startup, journal, args.backend, args.or_last_good, instead)
    for line in (*lines, *state.lines, *loaded.warnings, *startup.lines):
        journal.log(line)
    return runner.run()


def _load(rig: Path, state: StateAccess, or_last_good: bool) -> tuple[LoadedRig, str]:
    """Return a rig to play, and a line if it is not the requested one."""
    try:
        loaded = load_rig(rig, state.store, state.rig_name)
    except ConfigError as error:
        if not or_last_good:
            raise
        return _last_good(rig, state, error)
    if or_last_good and not state.refusal:
        try:
            keep_last_good(state.store.directory, rig, loaded.files_read)
        except StoreError as error:
            print(error, file=sys.stderr, flush=True)
    return loaded, ""


def _last_good(rig: Path, state: StateAccess, error: ConfigError) -> tuple[LoadedRig, str]:
    """Return the last good rig and the line that says so.

    Raises:
        ConfigError: there is none; raised after ten seconds, so that a service manager that
            restarts it at once does not fill the log.
    """
    print(error, file=sys.stderr, flush=True)
    try:
        loaded = load_last_good(state.store, state.rig_name)
    except ConfigError as second:
        print(second, file=sys.stderr, flush=True)
        loaded = None
    if loaded is None:
        time.sleep(RESTART_PAUSE_S)
        raise ConfigError([f"{rig}: is broken, and no last good rig is kept; mend it"])
    kept = last_good_rig(state.store.directory)
    line = f"{rig} is broken: playing {kept}, the last that was not"
    return loaded, line
