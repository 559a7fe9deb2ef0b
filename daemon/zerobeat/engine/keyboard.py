"""Keys, wheels and sustain pedals of the inputs that play: which voice hears which.

A key is kept with the voices that took it, so that its release finds them
whatever the settings say by then.
"""

from __future__ import annotations

from collections.abc import Container, Iterable
from typing import TYPE_CHECKING

from .. import midi
from ..midi import ControlChange, NoteOff, NoteOn, PitchBend
from .ledger import Outputs
from .voice import Held, Source, VoiceState

if TYPE_CHECKING:
    from .engine import Engine


class Keyboard:
    """What is down on all inputs.

    Attributes:
        keys: the voices that each key down was given to.
        sustained: inputs and channels whose sustain pedal is down.
        presses: keys pressed so far.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.keys: dict[tuple[Source, int], list[VoiceState]] = {}
        self.sustained: set[Source] = set()
        self.presses = 0
        self._by_foot = False

    def forget(self) -> None:
        """Take nothing as down any more."""
        self.keys.clear()
        self.sustained.clear()
        self._by_foot = False

    # ------------------------------------------------------------ keys

    def note_on(self, message: NoteOn, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        triggers = self._engine.triggers
        if triggers.remote:
            triggers.remote_note(message, source, outputs)
        if not self._engine.policy.pass_note_on(message, place, outputs):
            if self._engine.live.root_voices:
                self.key_up(place, message.note, outputs)  # if it is down, its note-off was lost
                self._engine.live.set_root(message.note, outputs)
            else:
                self._key_down(message, place, outputs)
        if triggers.read_at_s is not None:
            triggers.read_if_due(outputs)

    def _key_down(self, message: NoteOn, place: Source, outputs: Outputs) -> None:
        key = message.note
        if self._engine.measuring.running:
            self._engine.measuring.stop("a key", outputs)
        self._engine.triggers.key_down(outputs)
        takers = self._engine.assigner.takers(place, key)
        before = self.keys.get((place, key))
        if before is not None:  # its note-off was lost (requirement M24)
            for state in before:
                held = None if state in takers else state.find(place, key)
                if held is not None:
                    self._engine.current = state
                    self.drop(state, (held,), outputs)
        self.keys[place, key] = takers
        self.presses += 1
        if self._engine.triggers.read_at_s is not None:
            self._engine.triggers.read_if_due(outputs, takers)
        for state in takers:
            self._engine.current = state
            self._press(state, Held(place, key, message.velocity, self.presses), outputs)

    def _press(self, state: VoiceState, held: Held, outputs: Outputs) -> None:
        again = None
        if state.held:
            again = state.find(held.source, held.key)
            if again is not None:
                state.held.remove(again)
            if state.rotates:
                state.held.clear()  # stolen; it does not come back by itself
        state.held.append(held)
        chosen = state.chosen()
        if chosen is held:
            if state.waiting is not None and state.waiting_hold == "note":
                self._engine.live.land(state)
            if again is not None and again is state.playing:
                state.lane.release(outputs)  # a repeat is off, then on, legato or not (N9)
            if state.samples:
                self._engine.triggers.struck(state, held)
            self._engine.player.play(state, held, outputs)
        elif chosen is not None and again is not None and again is state.playing:
            self._engine.player.play(state, chosen, outputs, anew=False)

    def note_off(self, message: NoteOff, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        if not self._engine.policy.pass_note_off(message, place, outputs):
            self.key_up(place, message.note, outputs)

    def key_up(self, place: Source, key: int, outputs: Outputs) -> None:
        """A key of an input comes up; nothing happens if it is not down."""
        takers = self.keys.pop((place, key), ())
        kept = self._sustains(place)
        for state in takers:
            held = state.find(place, key)
            if held is None:
                continue  # stolen
            if kept:
                held.down = False
                continue
            self._engine.current = state
            self.drop(state, (held,), outputs)

    def drop(self, state: VoiceState, gone: Iterable[Held], outputs: Outputs) -> None:
        """Take keys from a voice; it returns to one that is still held, or falls silent."""
        lost = False
        for held in gone:
            state.held.remove(held)
            lost = lost or held is state.playing
        if not lost:
            return
        following = state.chosen()
        if following is None:
            self._engine.player.release(state, self._engine.now_s, outputs)
        else:
            self._engine.player.play(state, following, outputs, anew=False)

    # ------------------------------------------------------------ controllers

    def wheel(self, message: PitchBend, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        reach = self._engine.policy.wheel_cents.get(source)
        if reach is None or self._engine.policy.passes(place):
            self._engine.policy.channel_message(message, source, outputs)
            return
        steps = 8191 if message.bend > 0 else 8192
        self._set_wheel(place, message.bend / steps * reach, outputs)

    def _set_wheel(self, place: Source, cents: float, outputs: Outputs) -> None:
        self._engine.player.wheels[place] = cents
        now_s = self._engine.now_s
        for state in self._engine.states.values():
            playing = state.playing
            if playing is not None and playing.source == place and state.heard(now_s):
                self._engine.current = state
                self._engine.player.wheel(state, outputs)

    def controller(self, message: ControlChange, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        controller = message.controller
        if source not in self._engine.policy.wheel_cents or self._engine.policy.passes(place):
            self._engine.policy.channel_message(message, source, outputs)
        elif controller == midi.SUSTAIN:
            self._sustain(place, message.value >= 64, outputs)
        elif controller == midi.RESET_CONTROLLERS:
            self._sustain(place, False, outputs)
            self._set_wheel(place, 0.0, outputs)
        elif controller == midi.ALL_SOUND_OFF:
            self.keys_up((place,), outputs, cut=True)
        elif controller >= midi.ALL_NOTES_OFF:
            self.keys_up((place,), outputs)
        else:
            self._engine.policy.channel_message(message, source, outputs)

    def still(self, held: Held) -> bool:
        """True if a key is down, or its sustain pedal is."""
        return (held.source, held.key) in self.keys if held.down else self._sustains(held.source)

    def _sustains(self, place: Source) -> bool:
        """True while a keyboard's own pedal or a foot's holds its notes."""
        return place in self.sustained or (
            self._by_foot and place[0] in self._engine.policy.wheel_cents
        )

    def foot_sustain(self, down: bool, outputs: Outputs) -> None:
        """Hold the notes of all playing inputs, beside their own pedals."""
        self._by_foot = down
        if not down:
            self._lift(
                {held.source for state in self._engine.states.values() for held in state.held},
                outputs,
            )

    def _sustain(self, place: Source, down: bool, outputs: Outputs) -> None:
        if down:
            self.sustained.add(place)
            return
        self.sustained.discard(place)
        self._lift((place,), outputs)

    def _lift(self, places: Container[Source], outputs: Outputs) -> None:
        """Let go the keys of some sources that no pedal holds any more."""
        for state in self._engine.states.values():
            gone = [
                held
                for held in state.held
                if not held.down and held.source in places and not self._sustains(held.source)
            ]
            if gone:
                self._engine.current = state
                self.drop(state, gone, outputs)

    def keys_up(self, places: Container[Source], outputs: Outputs, cut: bool = False) -> None:
        """Lift all keys of some sources (N5), each voice's at once, so that none sounds between.

        ``cut`` takes those kept by sustain too.
        """
        for place, key in tuple(self.keys):
            if place in places:
                del self.keys[place, key]
        for state in self._engine.states.values():
            gone: list[Held] = []
            for held in state.held:
                if held.source in places:
                    held.down = False
                    if cut or not self._sustains(held.source):
                        gone.append(held)
            if gone:
                self._engine.current = state
                self.drop(state, gone, outputs)
