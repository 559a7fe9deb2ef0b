"""The commands `put_profile` and `undo_profile`; answered once the profile is on the disk.

| command | takes |
| --- | --- |
| `put_profile` | `voice`, `profile`: the keys of a profile file |
| `undo_profile` | `voice`: brings the profile before back; again: the newer one |

An answer names the ``generation`` (the first digits of the checksum in the file)
and the ``file``.
"""

from __future__ import annotations

from collections.abc import Callable

from ..config.file_lookup import stored_name
from ..config.profile_file import Profile
from ..config.rig import LoadedRig
from ..engine import commands
from ..engine.engine import Engine
from ..engine.settings import Voice
from ..errors import CommandError, one_of
from ..json_value import JsonObject
from ..ports.deferred_answer import Accepted, DeferredAnswer
from ..state.measured_profile import (
    ReadyProfile,
    earlier_profile,
    generation_of,
    ready_profile,
)
from ..state.store_writer import Done
from .child_process import Outcome
from .persistence import Persistence, refused


class ProfileCommands:
    """Handles the commands that store profiles.

    Args:
        persistence: the disk.
        engine: whose voices are measured.
        loaded: what the rig's files say.
        act: hands a command to the engine; raises ``CommandError``.
        changed: called when a file of the rig's has changed.
    """

    def __init__(
        self,
        persistence: Persistence,
        engine: Engine,
        loaded: LoadedRig,
        act: Callable[[commands.Command], None],
        changed: Callable[[], None],
    ) -> None:
        self._persistence = persistence
        self._engine = engine
        self._act = act
        self._changed = changed
        self.use(loaded)
        self.known: dict[str, Callable[[JsonObject], DeferredAnswer]] = {
            "put_profile": self._put_profile,
            "undo_profile": self._undo_profile,
        }

    def use(self, loaded: LoadedRig) -> None:
        """Use a reloaded rig."""
        self._loaded = loaded
        self._profiles: dict[str, Profile] = dict(loaded.profiles)

    def _put_profile(self, values: JsonObject) -> DeferredAnswer:
        voice, name = self._measured_voice(values, ("voice", "profile"))
        profile = values.get("profile")
        if not isinstance(profile, dict):
            raise CommandError(f"{voice.name}: profile: found none; needed: keys of a profile file")
        later = DeferredAnswer()

        def checked(outcome: Outcome, now_s: float) -> None:
            self._keep_profile(later, voice.name, name, outcome, now_s, "is measured")

        behind = self._loaded.converters[voice.output]
        self._persistence.work(
            checked,
            ready_profile,
            profile,
            voice,
            behind,
            self._engine.rig.middle_c_octave,
            self._profiles.get(voice.name),
        )
        return later

    def _undo_profile(self, values: JsonObject) -> DeferredAnswer:
        voice, name = self._measured_voice(values, ("voice",))
        later = DeferredAnswer()

        def read(outcome: Outcome, now_s: float) -> None:
            self._keep_profile(
                later, voice.name, name, outcome, now_s, "has its profile before back"
            )

        path = self._persistence.store.path("profiles", name)
        behind = self._loaded.converters[voice.output]
        self._persistence.work(
            read, earlier_profile, path, voice, behind, self._engine.rig.middle_c_octave
        )
        return later

    def _keep_profile(
        self,
        later: DeferredAnswer,
        voice: str,
        name: str,
        outcome: Outcome,
        now_s: float,
        said: str,
    ) -> None:
        """Store a checked profile; the voice plays by it once it is on the disk."""
        ready = outcome.value
        if not isinstance(ready, ReadyProfile):
            later.resolve(refused(outcome.error), now_s)
            return

        def stored(done: Done, now_s: float) -> None:
            if done.error:
                later.resolve(refused(done.error), now_s)
                return
            self._changed()
            self._profiles[voice] = ready.profile
            try:
                self._act(
                    commands.UseProfile(
                        voice, ready.voice.curve, ready.voice.note_errors_cents, ready.voice.stale
                    )
                )
            except CommandError as error:
                later.resolve(refused(f"{error}; the profile is stored"), now_s)
                return
            answer: Accepted = {
                "ok": True,
                "said": f"{voice} {said}; the new correction starts at its next note",
                "generation": generation_of(ready.text),
                "file": str(done.path),
            }
            later.resolve(answer, now_s)

        try:
            self._persistence.save("profiles", name, ready.text, ready.before, stored)
        except CommandError as error:
            later.resolve(refused(str(error)), now_s)

    def _measured_voice(self, values: JsonObject, allowed: tuple[str, ...]) -> tuple[Voice, str]:
        """Return the voice of a request, and the name of its profile."""
        for key in values:
            if key not in allowed:
                raise CommandError(f"{key[:40]}: found unknown key; allowed: {', '.join(allowed)}")
        asked = values.get("voice")
        voices = {voice.name: voice for voice in self._engine.rig.voices}
        if not isinstance(asked, str) or asked not in voices:
            raise CommandError(
                f"voice: found {str(asked)[:40]}; allowed: {one_of(str(asked), voices)}"
            )
        files = self._loaded.profile_files
        name = files.get(asked, stored_name(asked))
        if not name:
            raise CommandError(f"{asked}: the rig says profile: none; remove that line first")
        sharing = [other for other, file in files.items() if file == name and other != asked]
        if sharing:
            raise CommandError(
                f"{asked}: {', '.join(sharing)} plays by the same profile, {name}; "
                "give each a profile of its own in the rig"
            )
        return voices[asked], name
