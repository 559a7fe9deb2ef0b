"""The socket command ``tuning``: what each key of a voice sounds by its keyboard map."""

from __future__ import annotations

from collections.abc import Callable

from ..engine.engine import Engine
from ..errors import CommandError, one_of
from ..json_value import JsonObject
from ..ports.deferred_answer import DeferredAnswer, Tuning
from ..text import printable


def tuning_request(engine: Engine) -> Callable[[JsonObject], DeferredAnswer]:
    """Return the handler of ``tuning``."""

    def tuning(values: JsonObject) -> DeferredAnswer:
        for key in values:
            if key != "voice":
                raise CommandError(f"tuning: found {printable(key, 60)}; allowed: voice")
        maps = {name: state.wanted_base.keyboard_map for name, state in engine.states.items()}
        voice = values.get("voice")
        if voice is None:
            voice = next((name for name, found in maps.items() if found is not None), None)
            if voice is None:
                raise CommandError("no voice has a tuning that was received, or a keyboard map")
        if not isinstance(voice, str) or voice not in maps:
            shown = printable(str(voice), 60)
            raise CommandError(f"voice: found {shown}; allowed: {one_of(str(voice), maps)}")
        found = maps[voice]
        if found is None:
            raise CommandError(f"{voice} has neither a received tuning nor a keyboard map")
        later = DeferredAnswer()
        pitches = list(found.pitches_cents)
        answer: Tuning = {"voice": voice, "name": found.name, "pitches_cents": pitches}
        later.resolve({"ok": True, "tuning": answer}, engine.now_s)
        return later

    return tuning
