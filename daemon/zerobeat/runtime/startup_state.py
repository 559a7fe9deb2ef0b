"""The state restored at start: global settings, scene and unsaved settings."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from operator import is_
from pathlib import Path

from ..config.rig import LoadedRig
from ..engine.commands import Follow
from ..engine.engine import Engine
from ..engine.settings import Rig, Scene, Tonight
from ..errors import StoreError
from ..ports.interruptions import Interruptions
from ..state.backup import recover
from ..state.session import WRITE_EVERY_S, Session, SessionKeeper, load_session
from ..state.state_lock import StateLock
from ..state.store import Store
from ..state.store_writer import Done, StoreWriter
from ..text import printable
from .global_commands import ALL

LOOK_S = 0.02  # changes are looked for at most this often
FOLLOW_EVERY_S = 60.0  # what follow took out is kept so often, and at a stop
FOLLOW_LASTS_S = 1800.0  # after a longer rest the case has another temperature
REST_S = 0.4  # a pedal that has not moved for so long rests


class StateAccess:
    """The state directory, locked for this process and recovered, before it is read.

    Args:
        directory: of the rig that plays.
        rig_name: whose it is; "" of rigs without a name.

    Attributes:
        store: what reads and writes it.
        refusal: why nothing may be written; "" if it may.
        lines: for the player.
    """

    def __init__(self, directory: Path, rig_name: str = "") -> None:
        self.rig_name = rig_name
        self.store = Store(directory)
        self._lock = StateLock(directory)
        self.refusal = self._lock.why
        self.lines: list[str] = [self.refusal] if self.refusal else []
        try:
            self.lines += [] if self.refusal else recover(directory)
        except StoreError as error:
            self.lines.append(str(error))

    def close(self) -> None:
        """Release the lock; a second call does nothing."""
        self._lock.close()


@dataclass(frozen=True, slots=True)
class StartupState:
    """How to start; ``unsaved`` plays if it differs from the start scene."""

    state: StateAccess
    rig: Rig
    tonight: Tonight
    unsaved: Scene | None
    session: Session
    lines: tuple[str, ...] = ()

    def engine(self, scenes: Iterable[Scene]) -> Engine:
        """Return an engine in this state."""
        engine = Engine(self.rig, scenes, self.tonight, self.unsaved)
        for voice, touch_up in self.session.follow.items():
            if voice in engine.states and 0.0 <= time.time() - touch_up.at_s <= FOLLOW_LASTS_S:
                engine.receive(Follow(voice, touch_up), "", 0.0, [])
        engine.shared.follow_off = self.session.follow_off & {ALL, *engine.states}
        return engine


def restore_startup_state(
    state: StateAccess, loaded: LoadedRig, asked: str | None = None
) -> StartupState:
    """Return the state of the last session, as far as this rig still has it.

    Args:
        state: the state directory.
        loaded: the rig.
        asked: a scene to start with instead; settings that were not stored are dropped.
    """
    session, lines = _session(state.store, loaded)
    rig, unsaved = loaded.rig, session.live
    scenes = {scene.name: scene for scene in loaded.scenes}
    if asked is not None:
        rig, unsaved = replace(rig, start_scene=asked), None
        if session.live is not None:
            lines = [*lines, f"settings of scene {session.live.name} were not stored; dropped"]
    elif session.scene in scenes:
        rig = replace(rig, start_scene=session.scene)
        scene = scenes[session.scene]
        if unsaved is not None:  # a voice that is new to the rig plays as its scene says
            unsaved = replace(unsaved, voices={**scene.voices, **unsaved.voices})
        if unsaved is None and session.hold not in (None, scene.hold):
            unsaved = replace(scene, hold=session.hold)
    elif session.scene is not None and unsaved is None and scenes:
        name = rig.start_scene or next(iter(scenes))
        lines = [*lines, f"scene {session.scene} of last time has gone; {name} plays"]
    if unsaved is not None:
        lines = [*lines, f"back to scene {unsaved.name} as it was, unsaved"]
    return StartupState(state, rig, session.tonight, unsaved, session, tuple(lines))


def _session(store: Store, loaded: LoadedRig) -> tuple[Session, list[str]]:
    """Return the session; a file that makes its reader fail is ignored with one line."""
    rig = loaded.rig
    try:
        session, lines = load_session(store, rig)
        Engine(rig, loaded.scenes, session.tonight, session.live)
    except Exception as error:  # noqa: BLE001 - no file keeps the daemon from starting
        plain = Session(Tonight(concert_a_hz=rig.concert_a_hz))
        why = printable(f"{type(error).__name__}: {error}", 120)
        return plain, [f"{store.directory}/session.json: can't be used ({why}); left out"]
    return session, lines


class SessionWriter:
    """Looks for changes of the session and hands them to the store writer.

    What a press, a key or a command changed is handed over at the next look; what a pedal
    moves, when the pedal rests, or every ``WRITE_EVERY_S`` if it does not.

    Args:
        engine: that plays.
        writer: the store writer.
        last: the session that is stored already, if there is one.
        interruptions: what MIDI may interrupt.
    """

    def __init__(
        self,
        engine: Engine,
        writer: StoreWriter,
        last: Session | None,
        interruptions: Interruptions,
    ) -> None:
        self._engine = engine
        self._keeper = SessionKeeper(writer, last)
        self._interruptions = interruptions
        self._seen: tuple[object, ...] = ()
        self._acts = -1
        self._changed_s: float | None = None  # since when something is to be handed over
        self._look_at_s = float("-inf")
        self._wake_at_s: float | None = None
        self._follow = engine.shared.follow
        self._follow_at_s = float("-inf")

    @property
    def wake_at_s(self) -> float | None:
        """When ``step`` has something to do."""
        moments = [m for m in (self._wake_at_s, self._keeper.wake_at_s) if m is not None]
        return min(moments, default=None)

    def step(self, now_s: float) -> None:
        """Note changes; hand them over when they are due."""
        if now_s >= self._look_at_s:
            self._look_at_s = now_s + LOOK_S
            self._wake_at_s = self._look(now_s)
        elif self._wake_at_s is None:
            self._wake_at_s = self._look_at_s  # something happened since the last look
        if now_s >= self._follow_at_s:  # its moves are no discrete acts: once a minute
            self._follow_at_s = now_s + FOLLOW_EVERY_S
            if self._engine.shared.follow is not self._follow:
                self._hand_over()
        if self._keeper.wake_at_s is not None:
            with self._interruptions:
                self._keeper.step(now_s)

    def _look(self, now_s: float) -> float | None:
        """Hand over what has changed; return when to look again, None if nothing is left."""
        live, shared = self._engine.live, self._engine.shared
        seen = (*live.parts(), shared.follow_off)
        if len(seen) != len(self._seen) or not all(map(is_, seen, self._seen)):
            self._seen = seen
            self._changed_s = now_s if self._changed_s is None else self._changed_s
        if self._changed_s is not None:
            rest_at_s = min(shared.pedal_moved_s + REST_S, self._changed_s + WRITE_EVERY_S)
            if shared.acts == self._acts and now_s < rest_at_s:
                return rest_at_s
            self._hand_over()
        self._acts = shared.acts
        return None

    def _hand_over(self) -> None:
        live = self._engine.live
        self._changed_s = None
        wanted = live.wanted()
        unsaved = wanted if live.unsaved else None
        self._follow = self._engine.shared.follow
        self._keeper.want(
            Session(
                live.base_tonight,
                wanted.name,
                wanted.hold,
                unsaved,
                self._follow,
                self._engine.shared.follow_off,
            )
        )

    def done(self, done: Done, now_s: float) -> None:
        """Handle the end of a write."""
        self._keeper.done(done, now_s)

    def slowness(self, now_s: float) -> str:
        """Return what a player should know of a slow card; "" of a quick one."""
        return self._keeper.slowness(now_s)

    def finish(self) -> None:
        """Hand over the last change, before the writer stops."""
        self._hand_over()
        self._keeper.finish()
