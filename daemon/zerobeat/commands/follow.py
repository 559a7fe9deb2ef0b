"""``zerobeat follow``: keeps every voice in tune by what is played, or says what it is to do."""

from __future__ import annotations

import argparse
import signal
import time
from pathlib import Path
from typing import Any

from ..client.daemon_client import Client
from ..errors import CommandError, ConfigError, ControlError, FollowError, NotRunningError
from ..text import printable

LOOK_AGAIN_S = 1.0  # between two looks for the daemon


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = (
        "example: zerobeat follow               listen and keep every voice in tune\n"
        "         zerobeat follow --off         take back what it did, and stop\n"
        "         zerobeat follow reed --off    for one voice\n"
        "         zerobeat follow reed --here   a knob was turned: this is in tune now\n"
        "         zerobeat follow reed --back   a knob was turned: take it out\n\n"
        "Listens to the voices while they are played and takes their drift out: at the next\n"
        "note, and slowly on one that sounds. What it is not sure of it leaves alone; the\n"
        "status says why. Each voice needs an audio input in the rig."
    )
    parser.add_argument("voice", nargs="?", help="a voice (default: all)")
    acts = parser.add_mutually_exclusive_group()
    for name, text in (
        ("on", "follow it (again)"),
        ("off", "take back what follow did, and leave it alone"),
        ("here", "the knob that was turned is in tune where it stands"),
        ("back", "take the turn of the knob out"),
    ):
        acts.add_argument(f"--{name}", dest="act", action="store_const", const=name, help=text)
    parser.add_argument("--socket", type=Path, help="the daemon's control socket")
    parser.add_argument("--service", action="store_true", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    if args.act is None and args.voice is not None:
        args.act = "on"
    if args.act is not None:
        with Client(args.socket, role="stage") as client:
            answer = client.ask("following", voice=args.voice or "all", act=args.act)
        print(printable(str(answer.get("said", "done"))))
        return 0
    return _listen(args)


class _Stop:
    """Set by a signal."""

    def __init__(self) -> None:
        self.wanted = False
        self.began = False  # to follow: then a daemon that stops is waited for
        self.following: Any = None

    def __call__(self, number: int, frame: object) -> None:
        self.wanted = True
        if self.following is not None:
            self.following.stopping = True


def _listen(args: argparse.Namespace) -> int:
    stop = _Stop()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, stop)
    first, missed = True, False
    while not stop.wanted:
        try:
            if not _once(args, stop, first):
                return 0
            missed = False
        except NotRunningError as error:
            if first and not args.service and not stop.began:
                raise
            missed = missed or _say_once(str(error), missed)
        except (ControlError, FollowError, ConfigError, CommandError) as error:
            if first and not args.service and not stop.began:
                raise
            missed = missed or _say_once(str(error), missed)
        first = False
        end_s = time.monotonic() + LOOK_AGAIN_S
        while not stop.wanted and time.monotonic() < end_s:
            time.sleep(0.05)
    return 0


def _say_once(text: str, said: bool) -> bool:
    if not said:
        _say(f"{text}; looking for it again")
    return True


def _say(line: str) -> None:
    print(printable(line, 400), flush=True)


def _once(args: argparse.Namespace, stop: _Stop, first: bool) -> bool:
    """Follow one daemon until it stops; return whether to look for another."""
    from ..follow.kept_drift import KeptDrift, follow_folder
    from ..follow.live_follow import LiveFollow
    from ..state.state_directory import load_rig
    from ..state.store import Store

    with Client(args.socket, role="follow") as client:
        shown = client.status()
        follow = shown.get("follow", {})
        if follow.get("runs") and first and not args.service:
            print("zerobeat follows already; zerobeat status shows how")
            _on_again(args, follow)
            return False
        if args.service and not follow.get("enabled"):
            _say("the rig says follow: {enabled: false}; ended")
            return False
        if follow.get("runs"):
            raise CommandError("zerobeat follows already, in another process")
        if "rig" not in shown or "state_directory" not in shown:
            raise ControlError("zerobeat tells no status; its log says more")
        loaded = load_rig(Path(shown["rig"]), Store(Path(shown["state_directory"])))
        kept = KeptDrift(follow_folder(), str(shown["rig"]))
        following = LiveFollow(client, loaded, kept, _say, _power_on_s())
        names = following.follower.names
        if not names:
            raise CommandError(
                "follow: found no voice with an audio input; "
                "write input: under voices ('zerobeat ports --levels' lists them)"
            )
        off = follow.get("off", [])
        if first and not args.service:
            _on_again(args, follow)
            off = [name for name in off if name != "all"]
        if "all" in off:
            _say("is off, as it was left: zerobeat follow --on")
        else:
            _say(f"follows {', '.join(name for name in names if name not in off) or 'no voice'}")
            for name in off:
                _say(f"{name}: is off, as it was left: zerobeat follow {name}")
        stop.following = following
        if stop.wanted:
            return False
        stop.began = True
        following.run()
    return not stop.wanted


def _on_again(args: argparse.Namespace, follow: dict[str, Any]) -> None:
    """Undo ``follow --off``: a player who starts follow wants it."""
    if "all" in follow.get("off", []):
        with Client(args.socket, role="stage") as other:
            answer = other.ask("following", voice="all", act="on")
        print(printable(str(answer.get("said", "done"))))


def _power_on_s() -> float:
    """Return the monotonic time at which this machine was switched on."""
    return time.monotonic() - time.clock_gettime(time.CLOCK_BOOTTIME)
