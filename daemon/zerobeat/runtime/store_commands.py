"""The commands `store` and `revert`.

| command | takes |
| --- | --- |
| `store` | `scene` (default: the one that plays), `undo` (default false) |
| `revert` | nothing |

A store is answered, and a recall takes it, once it is on the disk. It never
writes the player's own files: it goes to the state directory.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ..config.faults import Faults, Place
from ..config.fields import Section
from ..config.json_source import table_of
from ..config.rig import LoadedRig
from ..config.scene_file import scene_to_yaml
from ..engine import commands
from ..engine.engine import Engine
from ..engine.settings import Scene
from ..errors import CommandError, one_of
from ..json_value import JsonObject
from ..ports.deferred_answer import DeferredAnswer
from ..ports.interruptions import Interruptions
from ..state.previous_scene import EarlierScene, earlier_scene
from ..state.store_writer import Done
from .child_process import Outcome
from .persistence import Persistence, refused


class StoreCommands:
    """Handles requests to store scenes, from a client or a pedal.

    Args:
        persistence: the disk.
        engine: whose live settings are stored.
        loaded: what the rig's files say.
        folder: of the rig's file.
        act: hands a command to the engine; raises ``CommandError``.
        changed: called when a file of the rig's has changed.
        interruptions: what MIDI may interrupt.
    """

    def __init__(
        self,
        persistence: Persistence,
        engine: Engine,
        loaded: LoadedRig,
        folder: Path,
        act: Callable[[commands.Command], None],
        changed: Callable[[], None],
        interruptions: Interruptions,
    ) -> None:
        self._persistence = persistence
        self._engine = engine
        self._folder = folder
        self._act = act
        self._changed = changed
        self._interruptions = interruptions
        self.use(loaded)
        self._stored = set(persistence.store.names("scenes"))
        self.known: dict[str, Callable[[JsonObject], DeferredAnswer]] = {
            "store": self._store_command,
            "revert": self._revert,
        }

    def use(self, loaded: LoadedRig) -> None:
        """Use a reloaded rig."""
        self._files = dict(loaded.scene_files)  # title -> under which name it is stored

    def _store_command(self, values: JsonObject) -> DeferredAnswer:
        section = Section(table_of(values, Place("store", 0)), Faults())
        title = section.text("scene", None)
        undo = section.flag("undo", False)
        section.close()
        section.faults.raise_any()
        return self.undo(title) if undo else self.store(title)

    # ------------------------------------------------------------ out

    def store(self, title: str | None = None) -> DeferredAnswer:
        """Store the live settings; None means into the scene that plays.

        Raises:
            CommandError: another scene waits, or no file can have this name.
        """
        live = self._engine.live
        title = title or live.wanted().name
        scene = self._engine.persistence.to_store(title)
        name = self._file_of(title)
        first = self._engine.rig.program_numbers_from
        own = live.bank.get(title) if name not in self._stored else None
        with self._interruptions:
            before = None if own is None else scene_to_yaml(own, first)
            text = scene_to_yaml(scene, first)
        later, was = DeferredAnswer(), live.scene.name

        def stored(done: Done, now_s: float) -> None:
            if done.error:
                later.resolve(refused(done.error), now_s)
                return
            self._take(scene, name, was)
            said = f"scene {title} stored" if title == was else f"stored as scene {title}"
            later.resolve({"ok": True, "said": said, "file": str(done.path)}, now_s)

        self._persistence.save("scenes", name, text, before, stored)
        return later

    def _file_of(self, title: str) -> str:
        """Return under which name a scene is stored: the rig's for it, else its title."""
        known = self._files.get(title)
        if known is not None:
            return known
        other = next((t for t, file in self._files.items() if file == title), None)
        if other is not None:
            raise CommandError(f"scene: {title} is the file of scene {other}; store {other}")
        self._persistence.store.path("scenes", title)  # refuses what no file can be called
        return title

    def _take(self, scene: Scene, name: str, was: str | None) -> None:
        self._changed()
        self._files[scene.name] = name
        self._stored.add(name)
        self._act(commands.SceneStored(scene, was))

    # ------------------------------------------------------------ back

    def undo(self, title: str | None = None) -> DeferredAnswer:
        """Bring back what was stored before; what plays goes on, unsaved.

        Raises:
            CommandError: no such scene.
        """
        title = title or self._engine.live.wanted().name
        name = self._files.get(title)
        if name is None:
            allowed = one_of(title, self._files) or "none; nothing is stored yet"
            raise CommandError(f"scene: found {title!r}; allowed: {allowed}")
        later = DeferredAnswer()

        def read(outcome: Outcome, now_s: float) -> None:
            earlier = outcome.value
            if not isinstance(earlier, EarlierScene):
                later.resolve(refused(outcome.error), now_s)
                return
            try:
                self._persistence.save("scenes", name, earlier.text, None, stored(earlier.scene))
            except CommandError as error:
                later.resolve(refused(str(error)), now_s)

        def stored(scene: Scene) -> Callable[[Done, float], None]:
            def finish(done: Done, now_s: float) -> None:
                if done.error:
                    later.resolve(refused(done.error), now_s)
                    return
                self._take(scene, name, None)
                said = f"scene {title} is stored as it was before; what plays goes on"
                later.resolve({"ok": True, "said": said, "file": str(done.path)}, now_s)

            return finish

        path = self._persistence.store.path("scenes", name)
        store, rig = self._persistence.store, self._engine.rig
        self._persistence.work(read, earlier_scene, store, path, title, rig, self._folder)
        return later

    def _revert(self, values: JsonObject) -> DeferredAnswer:
        section = Section(table_of(values, Place("revert", 0)), Faults())
        section.close()
        section.faults.raise_any()
        later = DeferredAnswer()
        self._act(commands.Revert())
        live = self._engine.live
        when = "; heard as the hold says" if live.something_waits else ""
        said = f"scene {live.wanted().name} as it is stored{when}"
        later.resolve({"ok": True, "said": said}, self._engine.now_s)
        return later
