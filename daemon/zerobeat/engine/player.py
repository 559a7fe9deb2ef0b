"""Makes one voice sound: strike, slur, move, release.

What glides begins in ``glide_player``; fingers of an MPE keyboard have their own bends.
"""

from __future__ import annotations

from .. import midi
from ..midi import PitchBend
from ..tuning import bend
from .chain import Chain, Rest
from .engine_state import EngineState
from .glide_player import GlidePlayer
from .ledger import Outputs
from .voice import Held, Source, VoiceState

START_SOURCE: Source = ("", 0)  # of a drone's start key


class Player:
    """Turns a voice's key and wheel into bends, note-ons and note-offs."""

    def __init__(self, shared: EngineState) -> None:
        self._shared = shared
        self.wheels = shared.wheels
        self.glides = GlidePlayer(shared)

    def adopt(self, state: VoiceState, outputs: Outputs) -> None:
        """Put a reloaded voice in force, its channel being silent."""
        voice, state.next_voice = state.next_voice, None
        if voice is None:
            return
        changed = voice.bend_range_cents != state.voice.bend_range_cents
        state.voice = voice
        state.chain = Chain(voice, state.settings, self._shared.tonight)
        state.sounding = state.chain
        state.bend = state.note = state.target_cents = state.commanded_cents = None
        state.glide = None
        if changed:
            self.send_bend_range(state, outputs)

    def send_bend_range(self, state: VoiceState, outputs: Outputs) -> None:
        """Append RPN 0 for a voice's channel where the converter takes it (B3)."""
        lane = state.lane
        if not lane.up or not self._shared.output(lane.output).converter.sends_bend_range:
            return
        semitones, cents = divmod(round(state.voice.bend_range_cents), 100)
        for change in midi.bend_range_messages(lane.channel, semitones, cents):
            outputs.append((lane.output, change))

    def play(
        self,
        state: VoiceState,
        held: Held,
        outputs: Outputs,
        anew: bool = True,
        slurred: bool = False,
    ) -> None:
        """Give a voice a key.

        Args:
            state: the voice.
            held: the key; its velocity goes with it.
            outputs: appended to.
            anew: the key was just struck; False is a return to a held key.
            slurred: it strikes no voice that sounds, whatever the settings say.
        """
        lane = state.lane
        if state.next_voice is not None:
            lane.release(outputs)
            self.adopt(state, outputs)
        chain = state.chain
        shared = self._shared
        if chain.glides or state.glide is not None or shared.managers or shared.glide_controls:
            self._play_expressively(state, held, outputs, anew, slurred)
            return
        state.playing = held
        state.move_waits = False
        wheel_cents = self.wheels.get(held.source, 0.0)
        rest = self._rest(state, chain, held, wheel_cents)
        if rest is None:
            state.out_of_reach = True
            state.misses += 1
            lane.release(outputs)
            return
        state.out_of_reach = False
        if lane.notes:
            if not anew and rest.commanded_cents == state.commanded_cents and lane.up:
                self._keep(state, chain, rest, outputs)
                return
            if state.settings.legato and self._slur(state, chain, rest, outputs):
                return
            lane.release(outputs)
        self._strike(state, chain, rest, wheel_cents, outputs)

    def _play_expressively(
        self, state: VoiceState, held: Held, outputs: Outputs, anew: bool, slurred: bool
    ) -> None:
        """Do what ``play`` does, where a finger may bend the note or the voice may glide."""
        lane, chain = state.lane, state.chain
        from_cents = self._shared.sounding_cents(state)
        state.playing = held
        state.move_waits = False
        wheel_cents = self._shared.wheel_cents(state.sampled_finger or held)
        rest = self._rest(state, chain, held, wheel_cents)
        if rest is None:
            state.out_of_reach = True
            state.misses += 1
            state.glide = None
            lane.release(outputs)
            return
        state.out_of_reach = False
        gate = bool(lane.notes)
        if gate and not anew and rest.commanded_cents == state.commanded_cents and lane.up:
            self._keep(state, chain, rest, outputs)
            return
        glide = self.glides.begin(state, chain, held, rest.target_cents, from_cents, gate)
        if gate:
            if (state.settings.legato or slurred) and self._slur(state, chain, rest, outputs):
                return
            lane.release(outputs)
        state.glide = glide
        if glide is not None:
            glide.delay(state.settle_s + (state.gate_gap_s if gate else 0.0))
        self._strike_gliding(state, chain, rest, outputs)

    def _strike_gliding(
        self, state: VoiceState, chain: Chain, rest: Rest, outputs: Outputs
    ) -> None:
        """Open a silent voice whose pitch may be on its way."""
        lane = state.lane
        rest = self.glides.rest(state, chain, rest)
        self._take(state, chain, rest, rest.note)
        state.bend = self._bent(state, self._smooth(state))
        if lane.up and state.playing is not None:
            outputs.append((lane.output, PitchBend(lane.channel, state.bend)))
            lane.on(rest.note, state.playing.velocity, outputs)

    def _strike(
        self, state: VoiceState, chain: Chain, rest: Rest, wheel_cents: float, outputs: Outputs
    ) -> None:
        """Open a silent voice: its bend, then its note-on."""
        lane = state.lane
        state.sounding = chain
        state.target_cents = rest.target_cents
        state.commanded_cents = rest.commanded_cents
        state.note = rest.note
        state.left_cents = rest.left_cents
        if wheel_cents and chain.settings.wheel == "smooth":
            now = self._bent(state, wheel_cents)
        else:
            now = rest.bend
            state.wheel_clamped = False
        state.bend = now
        if lane.up and state.playing is not None:
            outputs.append((lane.output, PitchBend(lane.channel, now)))
            lane.on(rest.note, state.playing.velocity, outputs)

    def _rest(self, state: VoiceState, chain: Chain, held: Held, wheel_cents: float) -> Rest | None:
        key = held.key
        if state.sampled is not None:
            key, wheel_cents = state.sampled
        if not wheel_cents or chain.settings.wheel == "smooth":
            state.degree = None
            return chain.rest(key)
        target, state.degree = chain.target(100.0 * key + wheel_cents)
        return None if target is None else chain.place(target)

    @staticmethod
    def _take(state: VoiceState, chain: Chain, rest: Rest, note: int) -> None:
        state.sounding = chain
        state.target_cents = rest.target_cents
        state.commanded_cents = rest.commanded_cents
        state.note = note
        state.left_cents = chain.left_over(rest.commanded_cents, note)

    def _keep(self, state: VoiceState, chain: Chain, rest: Rest, outputs: Outputs) -> None:
        """Go on sounding for a held key that asks for just that pitch (N9)."""
        self._take(state, chain, rest, state.lane.notes[-1])
        self._send_bend(state, self._bent(state, self._smooth(state)), outputs)

    def _bent(self, state: VoiceState, wheel_cents: float) -> int:
        """Return the bend of the sounding number with the smooth wheel; clamps, counts."""
        if state.target_cents is None or state.note is None:
            wheel_cents = 0.0
        if not wheel_cents and state.glide is None:
            state.wheel_clamped = False
            if state.glides_across:  # one that was cut short stays where its number reaches
                return bend.clamp_bend(state.left_cents, state.voice.bend_range_cents)[0]
            return bend.cents_to_bend(state.left_cents, state.voice.bend_range_cents)
        now, clamped = self.glides.bend(state, wheel_cents)
        if clamped and not state.wheel_clamped:
            state.clamps += 1
        state.wheel_clamped = clamped
        return now

    def _smooth(self, state: VoiceState) -> float:
        """Return the cents that the smooth wheel adds to a voice now."""
        return self._shared.smooth_cents(state, state.sounding)

    def _slur(self, state: VoiceState, chain: Chain, rest: Rest, outputs: Outputs) -> bool:
        """Move a sounding voice to a new pitch without a new attack, if it can be done."""
        lane = state.lane
        voice = state.voice
        note = lane.notes[-1]
        if not lane.up:
            return False
        if state.glide is not None and self.glides.slurs(state, chain, rest, note):
            number: int | None = note
        elif state.overlap == "legato":
            number = bend.legato_note(
                rest.commanded_cents,
                state.left_cents,
                voice.lowest_note,
                voice.highest_note,
                voice.bend_range_cents,
                chain.note_errors_cents,
            )
        else:
            left = chain.left_over(rest.commanded_cents, note)
            number = note if abs(left) <= voice.bend_range_cents else None
        if number is None:
            return False
        if number != note and state.glide is not None:
            state.glide = None
            state.glides_missed += 1
        self._take(state, chain, rest, number)
        now = self._bent(state, self._smooth(state))
        if number != note:
            state.bend = now
            outputs.append((lane.output, PitchBend(lane.channel, now)))
            lane.on(number, state.playing.velocity if state.playing else 64, outputs)
            lane.off(note, outputs)
        else:
            self._send_bend(state, now, outputs)
        return True

    def _send_bend(self, state: VoiceState, now: int, outputs: Outputs) -> None:
        if now != state.bend:
            state.bend = now
            if state.lane.up:
                outputs.append((state.lane.output, PitchBend(state.lane.channel, now)))

    def wheel(self, state: VoiceState, outputs: Outputs) -> None:
        """Follow a wheel that moved; the number stays, the bend goes."""
        held = state.sampled_finger or state.playing
        if held is None or state.target_cents is None or state.out_of_reach:
            return
        wheel_cents = self._shared.wheel_cents(held)
        chain = state.sounding
        if chain.settings.wheel == "smooth":
            self._send_bend(state, self._bent(state, wheel_cents), outputs)
            return
        if state.sampled is not None:
            return  # its wheel is read at the next trigger
        current = state.degree if wheel_cents else None  # at rest the key alone decides
        target, degree = chain.target(100.0 * held.key + wheel_cents, current)
        if target is None or (degree == state.degree and target == state.target_cents):
            return
        state.move_waits = not self._move(state, chain, target, outputs)
        if not state.move_waits:
            state.degree = degree

    def relocate(self, state: VoiceState, outputs: Outputs, glides: bool = False) -> None:
        """Bring a sounding voice or a drone to the settings in force, at once.

        By bend where the bend reaches; by an overlapping note where the
        converter takes one safely; a drone by note-on and note-off. What none
        of these reach waits for the voice's next note. A glide that is under way goes on, to
        where it leads now; with ``glides`` the voice goes there as to a new key.
        """
        held = state.playing
        if held is None or not (state.lane.notes or state.voice.gate_ignored):
            return
        chain = state.chain
        key, wheel_cents = held.key, self._shared.wheel_cents(held)
        if state.sampled is not None:
            key, wheel_cents = state.sampled
        stepped = wheel_cents if chain.settings.wheel == "stepped" else 0.0
        target, degree = chain.target(100.0 * key + stepped)
        before = state.glide
        if glides and target is not None:
            gate = bool(state.lane.notes)
            from_cents = self._shared.sounding_cents(state)
            self.glides.begin(state, chain, held, target, from_cents, gate)
        if target is None or not self._move(state, chain, target, outputs):
            state.glide = before
            state.move_waits = True
            return
        state.degree = degree if stepped else None
        state.out_of_reach = False
        state.move_waits = False

    def _move(self, state: VoiceState, chain: Chain, target: float, outputs: Outputs) -> bool:
        rest = chain.place(target)
        if rest is None:
            return False
        note = state.note
        reach = state.voice.bend_range_cents
        if note is not None and abs(chain.left_over(rest.commanded_cents, note)) <= reach:
            if state.glide is not None:
                self.glides.keep(state, chain, rest, note)
            self._take(state, chain, rest, note)
            self._send_bend(state, self._bent(state, self._smooth(state)), outputs)
            return True
        overlaps = state.overlap == "legato" and state.lane.notes
        if overlaps and self._slur(state, chain, rest, outputs):
            return True
        if state.voice.gate_ignored and state.playing is not None:
            gate = bool(state.lane.notes)
            state.lane.release(outputs)
            self._strike_gliding(state, chain, rest, outputs)
            if not gate:
                state.lane.release(outputs)
            return True
        return False

    def sound_drone(self, state: VoiceState, held: Held, outputs: Outputs) -> None:
        """Give a drone its pitch by a note-on and its note-off; the gate is ignored."""
        state.out_of_reach = False
        self.play(state, held, outputs)
        state.lane.release(outputs)

    def release(self, state: VoiceState, outputs: Outputs) -> None:
        """Close a voice's gate. The bend is left alone (requirement B2)."""
        if state.lane.notes:
            state.lane.release(outputs)
            state.tail_until_s = self._shared.now_s + state.voice.tail_s
        if state.next_voice is not None:
            self.adopt(state, outputs)
            self.relocate(state, outputs)

    def silence(self, state: VoiceState, outputs: Outputs) -> None:
        """Take every key from a voice and close its gate, whatever state a fault left it in."""
        state.held.clear()
        state.playing = None
        state.target_cents = None
        state.glide = None
        state.lane.release(outputs)

    def wake_drone(self, state: VoiceState, outputs: Outputs, start: bool = False) -> None:
        """Give a drone its key again; with ``start`` the scene's start key, if it has one."""
        if not state.voice.gate_ignored:
            return
        held = state.playing
        if start and state.settings.start_key is not None and not state.held:
            held = Held(START_SOURCE, state.settings.start_key, midi.NOTE_OFF_VELOCITY)
        if held is not None and not state.lane.notes:
            self.sound_drone(state, held, outputs)

    # ------------------------------------------------------------ on the way

    def bend_now(self, state: VoiceState) -> int:
        """Return the bend of a voice's number now, with wheel and glide."""
        return self._bent(state, self._smooth(state))

    def cross(self, state: VoiceState, outputs: Outputs) -> bool:
        """Let a glide that the bend of its number reaches no further go on with another one.

        The new note overlaps the old one, its bend directly before it, as in legato playing.
        """
        lane, chain, voice, note = state.lane, state.sounding, state.voice, state.note
        if note is None or state.commanded_cents is None or not (lane.up and lane.notes):
            return False
        path_cents = self.glides.path_cents(state)
        if abs(chain.left_over(path_cents, note)) <= voice.bend_range_cents:
            return False
        number = bend.gliding_note(
            path_cents,
            state.commanded_cents,
            voice.lowest_note,
            voice.highest_note,
            voice.bend_range_cents,
            chain.note_errors_cents,
            whole_way=False,
        )
        if number is None or number == note:
            return False
        state.note = number
        state.left_cents = chain.left_over(state.commanded_cents, number)
        state.bend = self.bend_now(state)
        outputs.append((lane.output, PitchBend(lane.channel, state.bend)))
        lane.on(number, state.playing.velocity if state.playing else 64, outputs)
        lane.off(note, outputs)
        return True
