"""What a restart comes back to: tonight, the scene, and settings that were not stored."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from operator import is_
from pathlib import Path

from ..config.rig import LoadedRig
from ..engine.engine import Engine
from ..engine.settings import Rig, Scene, Tonight
from ..errors import StoreError
from ..state.backup import recover
from ..state.session import Session, SessionKeeper, load_session
from ..state.state_lock import StateLock
from ..state.store import Store
from ..state.store_writer import Done, StoreWriter

LOOK_S = 0.5  # how often a change is looked for


class State:
    """The state directory, before anything is read from it: ours alone, and whole.

    Attributes:
        store: what reads and writes it.
        refusal: why nothing may be written; "" if it may.
        lines: what the player should know.
    """

    def __init__(self, directory: Path) -> None:
        self.store = Store(directory)
        self._lock = StateLock(directory)
        self.refusal = self._lock.why
        self.lines: list[str] = [self.refusal] if self.refusal else []
        try:
            self.lines += [] if self.refusal else recover(directory)
        except StoreError as error:
            self.lines.append(str(error))

    def close(self) -> None:
        """Give it back; a second time does nothing."""
        self._lock.close()


@dataclass(frozen=True, slots=True)
class Evening:
    """How to start: ``unsaved`` is what plays if it differs from the start scene."""

    state: State
    rig: Rig
    tonight: Tonight
    unsaved: Scene | None
    session: Session
    lines: tuple[str, ...] = ()

    def engine(self, scenes: Iterable[Scene]) -> Engine:
        """Return an engine that goes on from here."""
        return Engine(self.rig, scenes, self.tonight, self.unsaved)


def come_back(state: State, loaded: LoadedRig, asked: str | None = None) -> Evening:
    """Return what the last session left, as far as this rig still has it.

    Args:
        state: the state directory.
        loaded: the rig.
        asked: a scene to start with instead; settings that were not stored are dropped.
    """
    session, lines = load_session(state.store, loaded.rig)
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
    return Evening(state, rig, session.tonight, unsaved, session, tuple(lines))


class Remembering:
    """Looks for changes now and then, and has them written.

    Args:
        engine: that plays.
        writer: the only one who writes.
        last: the session that is stored already, if there is one.
    """

    def __init__(self, engine: Engine, writer: StoreWriter, last: Session | None) -> None:
        self._engine = engine
        self._keeper = SessionKeeper(writer, last)
        self._seen: tuple[object, ...] = ()
        self._look_at_s = float("-inf")

    @property
    def wake_at_s(self) -> float | None:
        """When ``step`` has something to write."""
        return self._keeper.wake_at_s

    def step(self, now_s: float) -> None:
        """Note what has changed; hand it over when the last write is long enough ago."""
        if now_s >= self._look_at_s:
            self._look_at_s = now_s + LOOK_S
            self._look()
        self._keeper.step(now_s)

    def _look(self) -> None:
        live = self._engine.live
        seen = live.parts()
        if len(seen) == len(self._seen) and all(map(is_, seen, self._seen)):
            return
        self._seen = seen
        wanted = live.wanted()
        unsaved = wanted if live.unsaved else None
        self._keeper.want(Session(live.base_tonight, wanted.name, wanted.hold, unsaved))

    def done(self, done: Done) -> None:
        """Hear of a write's end."""
        self._keeper.done(done)

    def finish(self) -> None:
        """Before the writer stops: have the last change written."""
        self._look()
        self._keeper.finish()
