"""What a keyboard's controllers 5, 65 and 84 do, where the rig lets them rule glides."""

from __future__ import annotations

from collections.abc import Callable

from ..midi import ControlChange, NoteOn
from .engine_state import EngineState
from .glide_controls import FROM_KEY, SWITCH, TIME, GlideControls
from .ledger import Outputs
from .player import Player
from .voice import Source


class Portamento:
    """Keeps what the controllers have said in ``EngineState.glide_controls``."""

    def __init__(self, shared: EngineState, player: Player) -> None:
        self._shared = shared
        self._player = player
        self.refresh()

    def refresh(self) -> None:
        """Read the rig's inputs; what those that stay have said still holds."""
        before = self._shared.glide_controls
        self._shared.glide_controls = {
            (source.name, channel): before.get((source.name, channel)) or GlideControls()
            for source in self._shared.rig.inputs
            if source.glide_controllers and source.plays
            for channel in range(16)
        }

    def forget(self, name: str) -> None:
        """Forget what an input has said that is lost."""
        controls = self._shared.glide_controls
        for place in [place for place in controls if place[0] == name]:
            controls[place] = GlideControls()

    def let_go(self, gone: Callable[[Source, int], bool]) -> None:
        """Forget what controllers have said that are switches from now on."""
        for place, controls in self._shared.glide_controls.items():
            for controller in (TIME, SWITCH, FROM_KEY):
                if gone(place, controller):
                    controls.forget(controller)

    def hear(self, message: ControlChange, place: Source) -> bool:
        """Take a controller; return whether it is one of the three."""
        controls = self._shared.glide_controls
        if message.controller == FROM_KEY:
            return controls[place].hear(message.controller, message.value)
        places = self._shared.zone_places.get(place) or (place,)
        heard = False
        for one in places:
            heard = controls[one].hear(message.controller, message.value)
        return heard

    def note_on(self, message: NoteOn, place: Source, outputs: Outputs) -> bool:
        """Let a note begin where controller 84 said; return whether a sounding voice took it.

        A voice that sounds the key it names goes to the new key without being struck, and the
        old key's note-off means nothing any more (MIDI 1.0 Detailed Specification 4.2.1, p. 17).
        """
        shared, controls = self._shared, self._shared.glide_controls[place]
        controls.from_key, controls.next_from = controls.next_from, None
        old = controls.from_key
        if old is None or old == message.note or (place, message.note) in shared.keys:
            return False
        takers = shared.keys.pop((place, old), None)
        if takers is None:
            return False
        shared.keys[place, message.note] = takers
        shared.presses += 1
        for state in takers:
            held = state.find(place, old)
            if held is None:
                continue  # stolen
            kept = state.find(place, message.note)
            if kept is not None:
                state.held.remove(kept)  # by sustain; the key is down again now
            held.key += message.note - old  # the same interval of a chord
            held.chord_of = None if held.chord_of is None else message.note
            held.age = shared.presses
            state.held.remove(held)
            state.held.append(held)
            if state.chosen() is held:
                shared.current = state
                self._player.play(state, held, outputs, slurred=True)
        controls.from_key = None
        return True
