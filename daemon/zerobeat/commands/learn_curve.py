"""``zerobeat learn curve``: a velocity curve from a player's soft and hard playing."""

from __future__ import annotations

import argparse
import time

from ..client.daemon_client import Client
from ..errors import CommandError, one_of
from ..midi import NoteOn
from ..tuning.response_curve import learned_points
from .learn import DEFAULT_WAIT_S, IncomingMessages

NOTES_EACH_WAY = 8  # of each way of playing


def learn_curve(args: argparse.Namespace) -> int:
    """Listen to soft, then hard playing, and print the line for the rig."""
    with Client(args.socket) as client:
        shown = client.status()
        feet = shown.get("feet", ())
        inputs = [
            port["name"]
            for port in shown.get("ports", ())
            if port["direction"] == "in" and port["name"] not in feet
        ]
        name = args.input or (inputs[0] if len(inputs) == 1 else "")
        if name not in inputs:
            found = f"found {name}" if name else "found no --input"
            raise CommandError(f"input: {found}; allowed: {one_of(name, inputs)}")
        wait_s = DEFAULT_WAIT_S if args.wait is None else args.wait
        messages = IncomingMessages(client)
        heard = []
        for how in ("softly", "hard"):
            print(f"{name}: play {NOTES_EACH_WAY} notes {how}; waiting {wait_s:g} s", flush=True)
            heard.append(_velocities(messages, name, time.monotonic() + wait_s))
            if len(heard[-1]) < NOTES_EACH_WAY:
                found = f"found {len(heard[-1])} notes of {name} within {wait_s:g} s"
                raise CommandError(f"{found}; needed: {NOTES_EACH_WAY}")
    points = learned_points(*heard)
    if points is None:
        raise CommandError("soft and hard playing are too alike; play softer, then harder")
    shown_points = ", ".join(f"[{before}, {after}]" for before, after in points)
    print(f"in the rig, under inputs, {name}:")
    print(f"    curve: [{shown_points}]")
    return 0


def _velocities(messages: IncomingMessages, name: str, end_s: float) -> list[int]:
    found: list[int] = []
    for incoming in messages.until(end_s):
        if incoming.input == name and isinstance(incoming.message, NoteOn):
            found.append(incoming.message.velocity)
            if len(found) == NOTES_EACH_WAY:
                break
    return found
