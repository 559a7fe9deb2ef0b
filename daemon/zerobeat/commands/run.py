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
from ..runtime.server_wait import Keeps, start_again, wait_for_server, was_started_again
from ..runtime.startup_state import StateAccess, restore_startup_state
from ..state.last_good import keep_last_good, last_good_rig, load_last_good
from ..state.rig_state import state_of_rig
from ..state.state_directory import choose, is_chosen, load_rig, state_directory

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
        if waited == keeps:
            args.scene = None  # it goes on from where it was
        try:
            status = _run(args, journal)
        except PortError as error:
            if not waited and not isinstance(error, ServerSilentError):
                raise
            keeps = "what was asked for" if waited != keeps else keeps
            journal.log(str(error))  # the server has gone again, or lists our old clients still
            time.sleep(AGAIN_AFTER_WAIT_S)
            status = SERVER_GONE
    if status == SERVER_GONE:
        start_again(keeps)
    return status


def _run(args: argparse.Namespace, journal: Journal) -> int:
    lines: list[str] = []
    if not is_chosen():  # else it was started again
        name, lines = state_of_rig(args.rig)
        choose(state_directory(name), name)
    state = StateAccess(state_directory())
    loaded, instead = _load(args.rig, args.or_last_good, not state.refusal)
    if args.scene is not None:
        names = [scene.name for scene in loaded.scenes]
        if args.scene not in names:
            raise CommandError(f"scene: found {args.scene!r}; allowed: {', '.join(names)}")
    startup = restore_startup_state(state, loaded, args.scene)
    runner = Runner(args.rig, loaded, startup, journal, args.backend, args.or_last_good, instead)
    for line in (*lines, *state.lines, *loaded.warnings, *startup.lines):
        journal.log(line)
    return runner.run()


def _load(rig: Path, or_last_good: bool, keep: bool) -> tuple[LoadedRig, str]:
    """Return a rig to play, and a line if it is not the requested one."""
    try:
        loaded = load_rig(rig)
    except ConfigError as error:
        if not or_last_good:
            raise
        return _last_good(rig, error)
    if or_last_good and keep:
        try:
            keep_last_good(rig, loaded.files_read)
        except StoreError as error:
            print(error, file=sys.stderr, flush=True)
    return loaded, ""


def _last_good(rig: Path, error: ConfigError) -> tuple[LoadedRig, str]:
    """Return the last good rig and the line that says so.

    Raises:
        ConfigError: there is none; raised after ten seconds, so that a service manager that
            restarts it at once does not fill the log.
    """
    print(error, file=sys.stderr, flush=True)
    try:
        loaded = load_last_good()
    except ConfigError as second:
        print(second, file=sys.stderr, flush=True)
        loaded = None
    if loaded is None:
        time.sleep(RESTART_PAUSE_S)
        raise ConfigError([f"{rig}: is broken, and no last good rig is kept; mend it"])
    line = f"{rig} is broken: playing {last_good_rig()}, the last that was not"
    return loaded, line
