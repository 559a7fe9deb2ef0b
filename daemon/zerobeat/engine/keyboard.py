"""Keys, wheels and sustain pedals of the inputs that play: which voice hears which.

A key is kept with the voices that took it, so that its release finds them
whatever the settings say by then.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping

from .. import midi
from ..midi import ControlChange, NoteOff, NoteOn, PitchBend
from .assign import Assigner
from .engine_state import EngineState
from .hold import Triggers
from .ledger import Outputs
from .live_settings import Live
from .measuring_notes import Measuring
from .message_policy import Policy
from .player import Player
from .portamento import Portamento
from .trigger_events import TriggerEvents
from .undo import ChangeHistory
from .voice import Held, Source, VoiceState


class Keyboard:
    """What is down on all inputs, and what follows when it goes down or comes up."""

    def __init__(
        self,
        shared: EngineState,
        player: Player,
        assigner: Assigner,
        policy: Policy,
        triggers: Triggers,
        trigger_events: TriggerEvents,
        measuring: Measuring,
        live: Live,
        undo: ChangeHistory,
    ) -> None:
        self._shared = shared
        self._player = player
        self._assigner = assigner
        self._policy = policy
        self._triggers = triggers
        self._trigger_events = trigger_events
        self._measuring = measuring
        self._live = live
        self._undo = undo
        self.portamento = Portamento(shared, player)

    @property
    def presses(self) -> int:
        """Return how many keys were pressed so far."""
        return self._shared.presses

    @property
    def keys(self) -> dict[tuple[Source, int], list[VoiceState]]:
        """Return the voices that each key down was given to."""
        return self._shared.keys

    @property
    def sustained(self) -> set[Source]:
        """Return the inputs and channels whose own sustain pedal is down."""
        return self._shared.sustained

    # ------------------------------------------------------------ keys

    def note_on(self, message: NoteOn, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        triggers, layers = self._triggers, self._shared.layers
        if triggers.remote:
            self._trigger_events.remote_note(message, source, outputs)
        if not self._policy.pass_note_on(message, place, outputs):
            if (layers.rooting or layers.commanded_roots) and self._shared.root_voices:
                self._undo.remember()
                self._live.set_root(message.note, outputs)
                # If it is down, its note-off was lost. After the root, so that a voice that
                # returns to another key is struck with its new pitch.
                self.key_up(place, message.note, outputs)
            else:
                self._key_down(message, place, outputs)
        if triggers.read_at_s is not None:
            triggers.read_if_due(outputs)

    def _key_down(self, message: NoteOn, place: Source, outputs: Outputs) -> None:
        key = message.note
        shared, triggers = self._shared, self._triggers
        if self._measuring.running:
            self._measuring.stop("a key", outputs)
        landed = self._trigger_events.key_down(outputs)
        controls = shared.glide_controls.get(place) if shared.glide_controls else None
        if controls is not None and self.portamento.note_on(message, place, outputs):
            self._trigger_events.move(landed, outputs)
            return
        special, responds = self._assigner.special, self._assigner.responds
        fallen = self._unlatch(place, key) if shared.layers.latches and special else ()
        takers = self._assigner.takers(place, key)
        for state in fallen:
            if state not in takers:
                shared.current = state
                self._fall(state, outputs)
        if landed:
            self._trigger_events.move([s for s in landed if s not in takers], outputs)
        before = shared.keys.get((place, key))
        if before is not None:  # its note-off was lost (requirement M24)
            for state in before:
                held = None if state in takers else state.find(place, key)
                if held is not None:
                    shared.current = state
                    self.drop(state, (held,), outputs)
        shared.keys[place, key] = takers
        shared.presses += 1
        if triggers.read_at_s is not None:
            triggers.read_if_due(outputs, takers)
        shift_cents = self._touch_cents(place) if shared.centred else 0.0
        for state in takers:
            shared.current = state
            held = Held(place, key, message.velocity, shared.presses)
            if responds:
                held.velocity = _velocity(state, message.velocity)
            if shift_cents:
                held.shift_cents = shift_cents
            if special:
                self._mark(state, held, key)
            self._press(state, held, outputs)
        if controls is not None:
            controls.from_key = None
        if landed:  # a voice may keep another key, by its priority
            kept = [s for s in takers if s in landed and not _has(s, place, key)]
            self._trigger_events.move(kept, outputs)

    def _press(self, state: VoiceState, held: Held, outputs: Outputs) -> None:
        again = None
        if state.held:
            again = state.find(held.source, held.pressed)
            if again is not None:
                state.held.remove(again)
            if state.rotates:
                state.held.clear()  # stolen; it does not come back by itself
        state.held.append(held)
        chosen = state.chosen()
        if chosen is held:
            if state.waiting is not None and state.waiting_hold == "note":
                self._live.land(state)
            if again is not None and again is state.playing:
                state.lane.release(outputs)  # a repeat is off, then on, legato or not (N9)
            if state.samples:
                self._triggers.struck(state, held)
            self._player.play(state, held, outputs)
        elif chosen is not None and again is not None and again is state.playing:
            self._player.play(state, chosen, outputs, anew=False)

    def note_off(self, message: NoteOff, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        if not self._policy.pass_note_off(message, place, outputs):
            self.key_up(place, message.note, outputs)

    def key_up(self, place: Source, key: int, outputs: Outputs) -> None:
        """A key of an input comes up; nothing happens if it is not down."""
        takers = self._shared.keys.pop((place, key), ())
        kept = self._sustains(place)
        for state in takers:
            held = state.find(place, key)
            if held is None:
                continue  # stolen
            if self._shared.managers:
                self._finger_up(held)
            if kept or (held.latches and self._shared.layers.latches):
                held.down = False
                continue
            self._shared.current = state
            self.drop(state, (held,), outputs)

    def _mark(self, state: VoiceState, held: Held, key: int) -> None:
        """Let a key be a note of a chord, or one that a latch may keep, as its zone says."""
        sounding = self._assigner.chord.get(state, key)
        if sounding != key:
            held.key, held.chord_of = sounding, key
        held.latches = state in self._assigner.latching

    def _unlatch(self, place: Source, key: int) -> list[VoiceState]:
        """Forget the keys that a latch keeps if this key begins anew: none of them is down.

        Returns:
            The voices that have lost the key they play.
        """
        states = self._shared.voices.values()
        kept = [(state, held) for state in states for held in state.held if held.latches]
        if any(held.down for _, held in kept) or not self._assigner.latches(place, key):
            return []
        fallen: list[VoiceState] = []
        for state, held in kept:
            if not self._sustains(held.source):
                state.held.remove(held)
                if held is state.playing:
                    fallen.append(state)
        return fallen

    def drop(self, state: VoiceState, gone: Iterable[Held], outputs: Outputs) -> None:
        """Take keys from a voice; it returns to one that is still held, or falls silent."""
        lost = False
        for held in gone:
            state.held.remove(held)
            lost = lost or held is state.playing
        if lost:
            self._fall(state, outputs)

    def _fall(self, state: VoiceState, outputs: Outputs) -> None:
        """Let a voice that lost its key return to one that is still held, or fall silent."""
        following = state.chosen()
        if following is None:
            self._player.release(state, outputs)
        else:
            self._player.play(state, following, outputs, anew=False)

    # ------------------------------------------------------------ controllers

    def wheel(self, message: PitchBend, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        reach = self._policy.wheel_cents.get(source)
        if reach is None or self._policy.passes(place):
            self._policy.channel_message(message, source, outputs)
            return
        steps = 8191 if message.bend > 0 else 8192
        self.set_wheel(place, message.bend / steps * reach, outputs)

    def set_wheel(self, place: Source, cents: float, outputs: Outputs) -> None:
        """Let a wheel, or a finger of an MPE zone, be so far from rest."""
        self._shared.wheels[place] = cents
        now_s = self._shared.now_s
        for state in self._shared.voices.values():
            held = state.sampled_finger or state.playing
            if (
                held is not None
                and (held.wheel_from or held.source) == place
                and state.heard(now_s)
            ):
                self._shared.current = state
                self._player.wheel(state, outputs)

    def set_wheels(self, cents: Mapping[Source, float], outputs: Outputs) -> None:
        """Let wheels and fingers be so far from rest, all at once."""
        self._shared.wheels.update(cents)
        now_s = self._shared.now_s
        for state in self._shared.voices.values():
            held = state.sampled_finger or state.playing
            if (
                held is not None
                and (held.wheel_from or held.source) in cents
                and state.heard(now_s)
            ):
                self._shared.current = state
                self._player.wheel(state, outputs)

    def _touch_cents(self, place: Source) -> float:
        """Return what takes a finger's place at its touch back, where that is its key's pitch."""
        if place[0] not in self._shared.centred or place not in self._shared.managers:
            return 0.0
        return self._zone_cents(place) - self._shared.wheels.get(place, 0.0)

    def _zone_cents(self, place: Source) -> float:
        """Return the bend of the zone that a finger belongs to."""
        return self._shared.wheels.get(self._shared.managers[place], 0.0)

    def _finger_up(self, held: Held) -> None:
        """Let a note keep its finger's place; the next note of that channel bends it no more."""
        manager = self._shared.managers.get(held.source)
        if manager is not None and held.wheel_from is None:
            held.shift_cents += self._shared.wheels.get(held.source, 0.0) - self._zone_cents(
                held.source
            )
            held.wheel_from = manager

    def rest(self, places: Container[Source], outputs: Outputs) -> None:
        """Let all keys, wheels and sustain pedals of some sources come up."""
        self.keys_up(places, outputs, cut=True)
        self._shared.sustained -= {place for place in self._shared.sustained if place in places}
        self.set_wheels({p: 0.0 for p in self._shared.wheels if p in places}, outputs)

    def controller(self, message: ControlChange, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        controller = message.controller
        if source not in self._policy.wheel_cents or self._policy.passes(place):
            self._policy.channel_message(message, source, outputs)
            return
        if self._shared.glide_controls and self._glide_control(message, place):
            return
        places = self._shared.zone_places.get(place) or (place,)
        if controller == midi.SUSTAIN:
            self._sustain(places, message.value >= midi.PRESSED, outputs)
        elif controller == midi.RESET_CONTROLLERS:
            # First: sustain may return to another key.
            self.set_wheels(dict.fromkeys(places, 0.0), outputs)
            self._sustain(places, False, outputs)
            self._policy.lift_pedals(outputs, lambda pedal: pedal[0] in places)
        elif controller == midi.ALL_SOUND_OFF:
            self.keys_up(places, outputs, cut=True)
        elif controller >= midi.ALL_NOTES_OFF:
            self.keys_up(places, outputs)
        else:
            self._policy.channel_message(message, source, outputs)

    def _glide_control(self, message: ControlChange, place: Source) -> bool:
        return place in self._shared.glide_controls and self.portamento.hear(message, place)

    def still(self, held: Held) -> bool:
        """Return whether a key is down, or its sustain pedal is."""
        return (held.source, held.pressed) in self._shared.keys if held.down else self._keeps(held)

    def _keeps(self, held: Held) -> bool:
        """Return whether a pedal keeps a key that came up."""
        return self._sustains(held.source) or (held.latches and self._shared.layers.latches)

    def _sustains(self, place: Source) -> bool:
        """Return whether a keyboard's own pedal or a pedalboard's holds its notes."""
        return place in self._shared.sustained or (
            self._shared.layers.sustains and place[0] in self._policy.wheel_cents
        )

    def lift_unsustained(self, outputs: Outputs) -> None:
        """Let go every key that came up and that no pedal holds any more."""
        if any(not held.down for state in self._shared.voices.values() for held in state.held):
            self._lift(
                {held.source for state in self._shared.voices.values() for held in state.held},
                outputs,
            )

    def centre_sustain(self, place: Source, outputs: Outputs) -> None:
        """Let a sustain pedal come up that will not say so any more."""
        if place in self._shared.sustained:
            self._sustain((place,), False, outputs)

    def centre_wheel(self, place: Source, outputs: Outputs) -> None:
        """Let a wheel go to rest that will not say so any more."""
        if self._shared.wheels.get(place):
            self.set_wheel(place, 0.0, outputs)

    def _sustain(self, places: Iterable[Source], down: bool, outputs: Outputs) -> None:
        if down:
            self._shared.sustained.update(places)
            return
        self._shared.sustained.difference_update(places)
        self._lift(tuple(places), outputs)

    def _lift(self, places: Container[Source], outputs: Outputs) -> None:
        """Let go the keys of some sources that no pedal holds any more."""
        for state in self._shared.voices.values():
            gone = [
                held
                for held in state.held
                if not held.down and held.source in places and not self._keeps(held)
            ]
            if gone:
                self._shared.current = state
                self.drop(state, gone, outputs)

    def keys_up(self, places: Container[Source], outputs: Outputs, cut: bool = False) -> None:
        """Lift all keys of some sources (N5), each voice's at once, so that none sounds between.

        ``cut`` takes those kept by sustain too.
        """
        for place, key in tuple(self._shared.keys):
            if place in places:
                del self._shared.keys[place, key]
        for state in self._shared.voices.values():
            gone: list[Held] = []
            for held in state.held:
                if held.source in places:
                    held.down = False
                    self._finger_up(held)
                    if cut or not self._keeps(held):
                        gone.append(held)
            if gone:
                self._shared.current = state
                self.drop(state, gone, outputs)


def _has(state: VoiceState, place: Source, key: int) -> bool:
    """Return whether a voice plays a key."""
    held = state.playing
    return held is not None and held.pressed == key and held.source == place


def _velocity(state: VoiceState, velocity: int) -> int:
    """Return what a velocity is by the curve of a voice."""
    response = state.voice.response
    if response is None or response.velocity is None:
        return velocity
    return response.velocity[velocity]
