"""Touch-up by ear: tunes a voice against another until the beating stops."""

from __future__ import annotations

import select
import sys
import time
from typing import Any

from ..console.live_line import LiveLine
from ..errors import MeasureError
from .arguments import note_of
from .measuring_session import MeasuringSession

REACH_CENTS = 25.0  # at the end of the wheel's travel, one side
POLL_S = 0.26  # the daemon builds its status at most four times a second
DEFAULT_NOTE = 60


def by_ear(
    session: MeasuringSession,
    names: list[str],
    against: str | None,
    note: str | None,
    line: LiveLine,
) -> int:
    """Play one voice against another; the wheel moves it, a pedal or Enter keeps the change.

    A played key ends the command without a change. In a terminal, a number of
    cents, as +0.5, moves the voice too.

    Raises:
        MeasureError: the voices named are not two different ones, or a key was played.
    """
    if len(names) != 1:
        raise MeasureError(f"--by-ear: found {len(names)} voices; allowed: one")
    (name,) = names
    others = [other for other in session.voices if other != name]
    if not others:
        raise MeasureError("--by-ear: found no other voice in the rig to sound against")
    other = against or others[0]
    session.voice(other)
    if other == name:
        raise MeasureError(f"--against: found {name} itself; allowed: {', '.join(others)}")
    key = DEFAULT_NOTE if note is None else note_of(note, session.loaded.rig.middle_c_octave)
    session.wait_for_outputs([name, other])
    session.play(other, corrected=True, pitch_cents=100.0 * key)
    line.say(
        f"{name} sounds against {other}; turn the wheel until the beating stops, then a pedal or "
        "Enter keeps it; a key leaves it as it was"
    )
    moved = _until_kept(session, name, 100.0 * key, line)
    shown = _voice_status(session.client.status(), name)["touch_up"]
    session.release()
    # The cents that stop the beating are those by which the voice sounded flat.
    offset = shown["offset_cents"] - moved
    session.client.ask("touch_up", voice=name, offset_cents=round(offset, 3))
    line.say(f"{name}: moved by {moved:+z.2f} cents, kept")
    return 0


def _voice_status(shown: dict[str, Any], name: str) -> dict[str, Any]:
    return next(one for one in shown["voices"] if one["name"] == name)


def _until_kept(session: MeasuringSession, name: str, pitch_cents: float, line: LiveLine) -> float:
    """Return the cents that the player added, when a pedal or Enter keeps them."""
    wheels = {one.name: one.wheel_cents or 1.0 for one in session.loaded.rig.inputs}
    typed_cents = 0.0
    before = session.client.status()["foot_presses"]
    while True:
        shown = session.client.status()
        turned = [
            cents / wheels[source]
            for source, cents in shown["wheel_cents"].items()
            if source in wheels
        ]
        moved = typed_cents + REACH_CENTS * max(turned, key=abs, default=0.0)
        session.play(name, corrected=True, pitch_cents=pitch_cents + moved)
        line.show(f"{name}: {moved:+z.2f} cents")
        if shown["foot_presses"] != before:
            return moved
        if sys.stdin is not None and select.select([sys.stdin], (), (), POLL_S)[0]:
            text = sys.stdin.readline()
            if not text.strip():
                if text or sys.stdin.isatty():
                    return moved
                time.sleep(POLL_S)  # the end of standard input is no Enter
                continue
            try:
                typed_cents += float(text)
            except ValueError:
                line.say(f"found {text.strip()[:20]!r}; allowed: cents, as +0.5, or Enter to keep")
