"""The session: the settings that a restart restores.

``session.json`` in the state directory is the only file written without a
store, and only when something has changed.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from ..config.context import Context
from ..config.faults import Faults, Place
from ..config.fields import Section, read_text
from ..config.file_format import FORMAT
from ..config.json_source import table_of
from ..config.scene_file import plain_scene, read_scene
from ..config.scene_voices import HOLDS, plain_settings
from ..engine.limits import (
    CONCERT_A_RANGE_HZ,
    TOUCH_UP_OFFSET_CENTS,
    TOUCH_UP_REFERENCE_CENTS,
    TOUCH_UP_STRETCH_CENTS,
    TRANSPOSE_CENTS,
    TRANSPOSE_DEGREES,
    TRANSPOSE_SEMITONES,
)
from ..engine.settings import Hold, Rig, Scene, Tonight, TouchUp
from ..errors import NewerFormatError, StoreError
from .store import SESSION, Store
from .store_writer import Done, StoreWriter

WRITE_EVERY_S = 2.0  # the pace of a slow card, and of what changes without rest
SLOW_S = 0.25  # a write that takes longer is a slow card's
QUICK_WRITES = 3  # so many in a row, and the card counts as quick again
MOST_AT_ONCE = 60  # writes without a pause; one more is allowed each second


@dataclass(frozen=True, slots=True)
class Session:
    """The settings in force: the recalled ``scene``, by name, and its unsaved settings, ``live``.

    ``live`` is None where nothing has changed since the recall. ``follow`` is what follow took
    out, by voice, at its ``at_s``; ``follow_off`` the voices that it is to leave alone.
    """

    tonight: Tonight = Tonight()
    scene: str | None = None
    hold: Hold | None = None
    live: Scene | None = None
    follow: dict[str, TouchUp] = field(default_factory=dict)
    follow_off: frozenset[str] = frozenset()


# ---------------------------------------------------------------- in


def load_session(store: Store, rig: Rig) -> tuple[Session, list[str]]:
    """Return the stored session, and a warning for each part that could not be read.

    Whatever is damaged, of a later version's format or no longer in the rig is
    left out with a warning. Without a session, tonight has the rig's concert pitch.
    """
    plain = Session(Tonight(concert_a_hz=rig.concert_a_hz))
    try:
        stored = store.load_session()
    except NewerFormatError as error:
        return plain, [f"{error}; starting without a session, and none is kept meanwhile"]
    except StoreError as error:
        return plain, [f"{error}; starting without a session"]
    if stored is None:
        return plain, []
    faults = Faults(warnings=list(stored.warnings))
    if store.session_refusal():
        faults.warn(Place(str(store.directory / SESSION), 0), "no session is kept meanwhile")
    try:
        values = json.loads(stored.content)
        json.dumps(values, ensure_ascii=False).encode()  # refuses half a surrogate pair
        table = table_of(values, Place(str(stored.path), 0)) if isinstance(values, dict) else None
    except (ValueError, RecursionError):
        return plain, [*faults.warnings, f"{stored.path}: no JSON; starting without a session"]
    if table is None:
        return plain, [*faults.warnings, f"{stored.path}: found no object; starting without"]
    section = Section(table, faults, asked=["format"])
    session = Session(
        tonight=_tonight(section.section("tonight"), rig),
        scene=section.text("scene", None),
        hold=section.choice("hold", None, HOLDS),
        live=_live(section, store, rig),
        follow={name: _touch_up(inner) for name, inner in section.named_sections("follow")},
        follow_off=frozenset(section.names("follow_off")),
    )
    section.close()
    return session, [*faults.warnings, *(f"{line}; left out" for line in faults.lines())]


def _tonight(section: Section | None, rig: Rig) -> Tonight:
    if section is None:
        return Tonight(concert_a_hz=rig.concert_a_hz)
    known = [voice.name for voice in rig.voices]

    def voices(key: str) -> frozenset[str]:
        return frozenset(name for name in section.names(key) if name in known)

    tonight = Tonight(
        concert_a_hz=section.number("concert_a_hz", rig.concert_a_hz, *CONCERT_A_RANGE_HZ),
        transpose_semitones=section.whole("transpose_semitones", 0, *TRANSPOSE_SEMITONES),
        transpose_cents=section.number("transpose_cents", 0.0, *TRANSPOSE_CENTS),
        transpose_degrees=section.whole("transpose_degrees", 0, *TRANSPOSE_DEGREES),
        # A voice that is not in the rig now keeps its touch-up until it is again.
        touch_up={name: _touch_up(inner) for name, inner in section.named_sections("touch_up")},
        bypass=voices("bypass"),
        keep_touch_up=voices("keep_touch_up"),
        solo=voices("solo"),
        mute=voices("mute"),
        set_list=_set_list(section),
    )
    section.close()
    return tonight


def _set_list(section: Section) -> tuple[str, ...]:
    """Return tonight's order of scenes; one may come twice, and unknown ones are skipped."""
    found = [read_text(node, section.faults, None) for node in section.items("set_list")]
    return tuple(name for name in found if name is not None)


def _touch_up(section: Section) -> TouchUp:
    plain = TouchUp()
    touch_up = TouchUp(
        offset_cents=section.number("offset_cents", 0.0, *TOUCH_UP_OFFSET_CENTS),
        stretch_cents=section.number("stretch_cents", 0.0, *TOUCH_UP_STRETCH_CENTS),
        reference_cents=section.number(
            "reference_cents", plain.reference_cents, *TOUCH_UP_REFERENCE_CENTS
        ),
        at_s=section.number("at_s", 0.0, 0.0, 1e11),
    )
    section.close()
    return touch_up


def _live(section: Section, store: Store, rig: Rig) -> Scene | None:
    """Return the unsaved settings, all or none: half of them would be another scene."""
    inner = section.section("live")
    if inner is None:
        return None
    own = Faults(warnings=section.faults.warnings)
    folder = Path(section.place.file).parent
    context = Context.of_rig(rig, folder, store, own, unknown_voices_are_faults=False)
    context.program_numbers_from = 0
    scene = read_scene(Section(inner.table, own, rig.middle_c_octave), "start", context)
    section.faults.problems += own.problems
    return None if own.problems else scene


# ---------------------------------------------------------------- out


def session_to_json(session: Session) -> bytes:
    """Return the content of a session file; ``load_session`` reads back an equal session."""
    tonight = session.tonight
    plain: dict[str, Any] = {
        "format": FORMAT,  # first: it must be found near the file's beginning
        "tonight": {
            "concert_a_hz": tonight.concert_a_hz,
            "transpose_semitones": tonight.transpose_semitones,
            "touch_up": {name: asdict(touch_up) for name, touch_up in tonight.touch_up.items()},
            "bypass": sorted(tonight.bypass),
            "solo": sorted(tonight.solo),
            "mute": sorted(tonight.mute),
            "set_list": list(tonight.set_list),
        },
    }
    for name in ("transpose_cents", "transpose_degrees"):
        if getattr(tonight, name):
            plain["tonight"][name] = getattr(tonight, name)
    if tonight.keep_touch_up:
        plain["tonight"]["keep_touch_up"] = sorted(tonight.keep_touch_up)
    if session.scene is not None:
        plain["scene"] = session.scene
    if session.hold is not None:
        plain["hold"] = session.hold
    if session.follow:
        plain["follow"] = {name: asdict(one) for name, one in session.follow.items()}
    if session.follow_off:
        plain["follow_off"] = sorted(session.follow_off)
    # A line a key. ``indent`` would use the slow encoder, on the thread that plays.
    lines = [f'"{key}": {_json(value)}' for key, value in plain.items()]
    if session.live is not None:
        lines.append(f'"live": {_live_json(session.live)}')
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode()


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _live_json(scene: Scene) -> str:
    text = _json(plain_scene(replace(scene, voices={}), program_numbers_from=0))
    voices = []
    for name, settings in scene.voices.items():
        voices.append(f"{_json(name)}: {_json(plain_settings(settings))}")
    return f'{text[:-1]}, "voices": {{{", ".join(voices)}}}}}' if voices else text


class SessionKeeper:
    """Hands a changed session to the writer as soon as it is due; one write at a time.

    A slow card is written at most every ``WRITE_EVERY_S``, and so is any card once changes came
    without a pause for long. A stored session that only a later version reads is not written
    over: nothing is written then.

    Args:
        writer: what stores it.
        last: the session that is stored already.
    """

    def __init__(self, writer: StoreWriter, last: Session | None = None) -> None:
        self._writer = writer
        self._is_refused = bool(writer.store.session_refusal())
        self._last = last
        self._wanted = last
        self._ticket = 0
        self._next_s = float("-inf")
        self._began_s = 0.0
        self._allowed = float(MOST_AT_ONCE)
        self._slow_s = 0.0  # how long the last slow write took; 0: the card is quick
        self._quick = 0

    def want(self, session: Session) -> None:
        """Set the session to store; one equal to the last causes no write."""
        if not self._is_refused:
            self._wanted = session

    @property
    def wake_at_s(self) -> float | None:
        """Monotonic time of the next ``step``; None: nothing to write, or a write is under way."""
        return None if self._ticket or self._wanted == self._last else self._next_s

    def step(self, now_s: float) -> None:
        """Write the session if it changed and the last write is long enough ago."""
        wake_at_s = self.wake_at_s
        if wake_at_s is None or now_s < wake_at_s:
            return
        passed_s = now_s - self._began_s
        self._allowed = min(float(MOST_AT_ONCE), self._allowed + passed_s) - 1.0
        paced = self._slow_s or self._allowed < 1.0
        self._next_s = now_s + WRITE_EVERY_S if paced else now_s
        self._began_s = now_s
        self._write()

    def done(self, done: Done, now_s: float) -> None:
        """Handle a job's end; one that failed is tried again ``WRITE_EVERY_S`` later."""
        if done.ticket != self._ticket:
            return
        self._ticket = 0
        if done.error:
            self._last = None
            self._next_s = now_s + WRITE_EVERY_S
        elif done.seconds > SLOW_S:
            self._slow_s, self._quick = done.seconds, 0
            self._next_s = self._began_s + WRITE_EVERY_S
        else:
            self._quick += 1
            if self._quick >= QUICK_WRITES:
                self._slow_s = 0.0

    def slowness(self, now_s: float) -> str:
        """Return what a player should know of a slow card; "" of a quick one."""
        taken_s = now_s - self._began_s if self._ticket else 0.0
        if taken_s > WRITE_EVERY_S:
            return f"slow card: session.json being written for {taken_s:.0f} s"
        if not self._slow_s:
            return ""
        return (
            f"slow card: a write took {self._slow_s:.1f} s; "
            f"session.json is written every {WRITE_EVERY_S:g} s"
        )

    def finish(self) -> None:
        """Write a changed session at once, before the writer stops."""
        if self._wanted is not None and self._wanted != self._last:
            self._write()

    def _write(self) -> None:
        assert self._wanted is not None
        self._last = self._wanted
        self._ticket = self._writer.save_session(session_to_json(self._wanted))
