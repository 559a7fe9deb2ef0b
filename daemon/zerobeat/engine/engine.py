"""The state machine: messages, keys and commands in, messages for the wire out.

``receive`` appends to ``outputs`` and the ledger changes with each append, so
after an exception the caller sends what is there and calls ``recover``. Time
comes as an argument; a later moment is asked for through ``wake_at_s``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Iterable
from typing import Any

from .. import midi
from ..errors import CommandError
from ..midi import ControlChange, Message, NoteOff, NoteOn, PitchBend
from . import commands, keeping
from .assign import Assigner
from .chain import Chain
from .ledger import Ledger, Outputs
from .live import Live
from .measuring import Measuring
from .pedals import Pedals
from .player import START_SOURCE, Player
from .policy import Policy
from .reload import adopt, reload_rig, use_profile
from .scenes import Scenes
from .settings import Rig, Scene, Tonight, Voice
from .voice import Held, Source, VoiceState
from .wire import BENDS_UNKNOWN, LINK_CUT, LINK_LOST

ACTIVE_SENSING_S = 0.33  # MIDI 1.0 Detailed Specification, p. 32: act after 330 ms


class Engine:
    """Decides every note and bend of a rig.

    Args:
        rig: what is plugged in.
        scenes: the bank; the rig's start scene, else the first, is played.
        tonight: what lies over all scenes.
        unsaved: settings to come back to, which differ from the scene of their name.
    """

    def __init__(
        self,
        rig: Rig,
        scenes: Iterable[Scene] = (),
        tonight: Tonight | None = None,
        unsaved: Scene | None = None,
    ) -> None:
        self.rig = rig
        self.now_s = 0.0
        self.ledger = Ledger()
        self.player = Player(self._adopt)
        self.states: dict[str, VoiceState] = {}
        self.keys: dict[tuple[Source, int], list[VoiceState]] = {}
        self.sustained: set[Source] = set()
        self.counts: Counter[str] = Counter()
        self.present: set[str] = set()
        self.current: VoiceState | None = None  # at work on it; see ``recover``
        tonight = tonight or Tonight(concert_a_hz=rig.concert_a_hz)
        self.live = Live(self, tuple(scenes), tonight, unsaved)
        self.triggers = self.live.triggers
        for voice in rig.voices:
            self.add_voice(voice)
        self.assigner = Assigner(rig, self.live.scene, self.states)
        self.assigner.use(self.live.scene, self.live.tonight)
        self.policy = Policy(self)
        self.measuring = Measuring(self)
        self.scenes = Scenes(self)
        self.pedals = Pedals(self)
        self.presses = 0
        self._by_foot = False
        self._sensed: dict[str, float] = {}  # input -> when it must be heard again
        self._handlers: dict[type, Callable[[Any, str, Outputs], None]] = {
            NoteOn: self._note_on,
            NoteOff: self._note_off,
            PitchBend: self._wheel,
            ControlChange: self._controller,
            midi.ProgramChange: self.policy.channel_message,
            midi.ChannelPressure: self.policy.channel_message,
            midi.PolyPressure: self.policy.channel_message,
            midi.SysEx: self.policy.system_message,
            midi.SongPosition: self._timed,
            midi.System: self._system,
            commands.Panic: self._panic,
            commands.SourceLost: self._source_lost,
            commands.OutputLost: self._output_lost,
            commands.OutputBack: self._output_back,
            commands.Reload: self._reload,
            commands.UseProfile: lambda command, source, outputs: use_profile(self, command, outputs),
            **self.live.handlers(),
            **keeping.handlers(self),
            **self.scenes.handlers(),
            **self.pedals.handlers(),
            **self.measuring.handlers(),
        }
        self.measuring.guard(self._handlers)
        self._only_channel = {i.name: i.channel for i in rig.inputs if i.channel is not None}

    # ------------------------------------------------------------ time

    def receive(
        self, message: Message | commands.Command, source: str, now_s: float, outputs: Outputs
    ) -> None:
        """Take one message of an input, or a command; append what follows.

        Args:
            message: a MIDI value or a command.
            source: the input's name; "" for commands.
            now_s: monotonic seconds; an earlier stamp counts as the last one.
            outputs: appended to, as (output name, message).

        Raises:
            CommandError: a command names what the rig does not have; nothing
                has changed.
        """
        if now_s > self.now_s:
            self.now_s = now_s
        if source in self._sensed:
            self._sensed[source] = self.now_s + ACTIVE_SENSING_S
        if self.triggers.read_at_s is not None:  # before what comes later, whenever it is heard
            self.triggers.read_if_due(outputs)
        if self._only_channel:
            only = self._only_channel.get(source)
            if only is not None and getattr(message, "channel", only) != only:
                self.counts["other channel"] += 1
                return
        if not self.pedals.take(message, source, outputs):
            self._dispatch(message, source, outputs)
        self.pedals.lights.look()
        self.current = None

    def _dispatch(self, message: Any, source: str, outputs: Outputs) -> None:
        handler = self._handlers.get(type(message))
        if handler is None:
            raise CommandError(f"{type(message).__name__}: not a message this engine knows")
        handler(message, source, outputs)

    def do(self, command: commands.Command, outputs: Outputs) -> None:
        """Do a command of a foot or of another part, within ``receive`` or ``wake``."""
        self._dispatch(command, "", outputs)

    @property
    def wake_at_s(self) -> float | None:
        """When ``wake`` should be called next, or None."""
        soonest = min(self._sensed.values()) if self._sensed else None
        for moment in (
            self.pedals.wake_at_s, self.triggers.read_at_s, self.triggers.clock.lost_at_s,
        ):  # fmt: skip
            if moment is not None and (soonest is None or moment < soonest):
                soonest = moment
        return soonest

    def wake(self, now_s: float, outputs: Outputs) -> None:
        """Do what has fallen due: read keys, note a lost clock, and lift the keys of an
        input that fell silent (N13)."""
        if now_s > self.now_s:
            self.now_s = now_s
        self.triggers.read_if_due(outputs)
        self.triggers.clock.look(self.now_s)
        for name, due_s in tuple(self._sensed.items()):
            if due_s <= self.now_s:
                del self._sensed[name]
                self.counts["active sensing lost"] += 1
                self._source_lost(commands.SourceLost(name), "", outputs)
        self.pedals.wake(outputs)
        self.pedals.lights.look()
        self.current = None

    def recover(self, source: str, outputs: Outputs) -> str:
        """Release what a fault left half done, and name it.

        To be called after an exception from ``receive`` or ``wake``, with a
        list of its own, once what was appended before it has been sent.
        """
        state, self.current = self.current, None
        self.counts["faults"] += 1
        if state is not None:
            self._silence(state, outputs)
        for other in self.states.values():  # the fault may have come before their note-off
            gone = [held for held in other.held if not self._still(held)]
            if gone:
                try:
                    self._drop(other, gone, outputs)
                except Exception:
                    self._silence(other, outputs)
        self.current = None
        return "no voice" if state is None else state.voice.name

    def _still(self, held: Held) -> bool:
        """True if a key is down, or its sustain pedal is."""
        return (held.source, held.key) in self.keys if held.down else self._sustains(held.source)

    def _sustains(self, place: Source) -> bool:
        """True while a keyboard's own pedal or a foot's holds its notes."""
        return place in self.sustained or (self._by_foot and place[0] in self.policy.wheel_cents)

    def foot_sustain(self, down: bool, outputs: Outputs) -> None:
        """Hold the notes of all playing inputs, beside their own pedals."""
        self._by_foot = down
        if not down:
            self._lift({held.source for state in self.states.values() for held in state.held}, outputs)

    @staticmethod
    def _silence(state: VoiceState, outputs: Outputs) -> None:
        state.held.clear()
        state.playing = None
        state.target_cents = None
        state.lane.release(outputs)

    def release_all(self) -> Outputs:
        """Return the note-offs of all that sounds; bends stay where they are."""
        outputs: Outputs = []
        for state in self.states.values():
            state.held.clear()
        self.keys.clear()
        self.sustained.clear()
        self._by_foot = False
        for lane in self.ledger.all():
            lane.holders.clear()
            lane.release(outputs)
        return outputs

    # ------------------------------------------------------------ keys

    def _note_on(self, message: NoteOn, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        triggers = self.triggers
        if triggers.remote:
            triggers.remote_note(message, source, outputs)
        if not self.policy.pass_note_on(message, place, outputs):
            if self.live.root_voices:
                self.key_up(place, message.note, outputs)  # if it is down, its note-off was lost
                self.live.set_root(message.note, outputs)
            else:
                self._key_down(message, place, outputs)
        if triggers.read_at_s is not None:
            triggers.read_if_due(outputs)

    def _key_down(self, message: NoteOn, place: Source, outputs: Outputs) -> None:
        key = message.note
        if self.measuring.running:
            self.measuring.stop("a key", outputs)
        self.triggers.key_down(outputs)
        takers = self.assigner.takers(place, key)
        before = self.keys.get((place, key))
        if before is not None:  # its note-off was lost (requirement M24)
            for state in before:
                held = None if state in takers else state.find(place, key)
                if held is not None:
                    self.current = state
                    self._drop(state, (held,), outputs)
        self.keys[place, key] = takers
        self.presses += 1
        if self.triggers.read_at_s is not None:
            self.triggers.read_if_due(outputs, takers)
        for state in takers:
            self.current = state
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
                self.live.land(state)
            if again is not None and again is state.playing:
                state.lane.release(outputs)  # a repeat is off, then on, legato or not (N9)
            if state.samples:
                self.triggers.struck(state, held)
            self.player.play(state, held, outputs)
        elif chosen is not None and again is not None and again is state.playing:
            self.player.play(state, chosen, outputs, anew=False)

    def _note_off(self, message: NoteOff, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        if not self.policy.pass_note_off(message, place, outputs):
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
            self.current = state
            self._drop(state, (held,), outputs)

    def _drop(self, state: VoiceState, gone: Iterable[Held], outputs: Outputs) -> None:
        """Take keys from a voice; it returns to one that is still held, or falls silent."""
        lost = False
        for held in gone:
            state.held.remove(held)
            lost = lost or held is state.playing
        if not lost:
            return
        following = state.chosen()
        if following is None:
            self.player.release(state, self.now_s, outputs)
        else:
            self.player.play(state, following, outputs, anew=False)

    # ------------------------------------------------------------ controllers

    def _wheel(self, message: PitchBend, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        reach = self.policy.wheel_cents.get(source)
        if reach is None or self.policy.passes(place):
            self.policy.channel_message(message, source, outputs)
            return
        steps = 8191 if message.bend > 0 else 8192
        self._set_wheel(place, message.bend / steps * reach, outputs)

    def _set_wheel(self, place: Source, cents: float, outputs: Outputs) -> None:
        self.player.wheels[place] = cents
        now_s = self.now_s
        for state in self.states.values():
            playing = state.playing
            if playing is not None and playing.source == place and state.heard(now_s):
                self.current = state
                self.player.wheel(state, outputs)

    def _controller(self, message: ControlChange, source: str, outputs: Outputs) -> None:
        place = (source, message.channel)
        controller = message.controller
        if source not in self.policy.wheel_cents or self.policy.passes(place):
            self.policy.channel_message(message, source, outputs)
        elif controller == midi.SUSTAIN:
            self._sustain(place, message.value >= 64, outputs)
        elif controller == midi.RESET_CONTROLLERS:
            self._sustain(place, False, outputs)
            self._set_wheel(place, 0.0, outputs)
        elif controller == midi.ALL_SOUND_OFF:
            self._keys_up((place,), outputs, cut=True)
        elif controller >= midi.ALL_NOTES_OFF:
            self._keys_up((place,), outputs)
        else:
            self.policy.channel_message(message, source, outputs)

    def _sustain(self, place: Source, down: bool, outputs: Outputs) -> None:
        if down:
            self.sustained.add(place)
            return
        self.sustained.discard(place)
        self._lift((place,), outputs)

    def _lift(self, places: Container[Source], outputs: Outputs) -> None:
        """Let go the keys of some sources that no pedal holds any more."""
        for state in self.states.values():
            gone = [
                held
                for held in state.held
                if not held.down and held.source in places and not self._sustains(held.source)
            ]
            if gone:
                self.current = state
                self._drop(state, gone, outputs)

    def _keys_up(self, places: Container[Source], outputs: Outputs, cut: bool = False) -> None:
        """Lift all keys of some sources (N5), each voice's at once, so that none sounds between.

        ``cut`` takes those kept by sustain too.
        """
        for place, key in tuple(self.keys):
            if place in places:
                del self.keys[place, key]
        for state in self.states.values():
            gone: list[Held] = []
            for held in state.held:
                if held.source in places:
                    held.down = False
                    if cut or not self._sustains(held.source):
                        gone.append(held)
            if gone:
                self.current = state
                self._drop(state, gone, outputs)

    def _system(self, message: midi.System, source: str, outputs: Outputs) -> None:
        if message is midi.ACTIVE_SENSING and source in self.policy.watched:
            self._sensed[source] = self.now_s + ACTIVE_SENSING_S
        self._timed(message, source, outputs)

    def _timed(
        self, message: midi.System | midi.SongPosition, source: str, outputs: Outputs
    ) -> None:
        self.policy.system_message(message, source, outputs)
        if source == self.rig.clock_from:
            self.triggers.clock_message(message, outputs)

    # ------------------------------------------------------------ ports

    def _source_lost(self, command: commands.SourceLost, source: str, outputs: Outputs) -> None:
        name = command.input
        self._sensed.pop(name, None)
        if name == self.rig.clock_from:
            self.triggers.clock.lose()
        places = {(name, channel) for channel in range(16)}
        self.sustained -= places
        for place in places:
            self.player.wheels.pop(place, None)
        self._keys_up(places, outputs, cut=True)
        self.policy.release_passed(name, outputs)
        self.pedals.let_go(outputs, name)
        self.scenes.forget(name)

    def _output_lost(self, command: commands.OutputLost, source: str, outputs: Outputs) -> None:
        self.present.discard(command.output)
        for lane in self.ledger.of_output(command.output):
            lane.up = False
        outputs.append((command.output, LINK_LOST))

    def _output_back(self, command: commands.OutputBack, source: str, outputs: Outputs) -> None:
        """Note-offs for what was open at the loss, bend ranges, bends (requirement N11)."""
        name = command.output
        outputs.append((name, LINK_CUT))
        self.present.add(name)
        lanes = self.ledger.of_output(name)
        for lane in lanes:
            lane.up = True
            lane.release(outputs)
        states = [state for state in self.states.values() if state.lane.output == name]
        for state in states:
            self.send_bend_range(state, outputs)
        self._restore_bends(states, outputs)
        for state in states:
            self.current = state
            self.wake_drone(state, outputs, start=True)

    def _restore_bends(self, states: Iterable[VoiceState], outputs: Outputs) -> None:
        for state in states:
            if state.bend is not None and state.lane.up:
                outputs.append((state.lane.output, PitchBend(state.lane.channel, state.bend)))

    def wake_drone(self, state: VoiceState, outputs: Outputs, start: bool = False) -> None:
        """Give a drone its key again; with ``start`` the scene's start key, if it has one."""
        if not state.voice.gate_ignored:
            return
        held = state.playing
        if start and state.settings.start_key is not None and not state.held:
            held = Held(START_SOURCE, state.settings.start_key, midi.NOTE_OFF_VELOCITY)
        if held is not None and not state.lane.notes:
            self.player.sound_drone(state, held, outputs)

    def _panic(self, command: commands.Panic, source: str, outputs: Outputs) -> None:
        """Single note-offs first, then channel messages, then bends (N4, B8)."""
        outputs += self.release_all()
        for output in self.rig.outputs:
            if output.panic_controllers and output.name in self.present:
                for lane in self.ledger.of_output(output.name):
                    for controller in (midi.ALL_NOTES_OFF, midi.ALL_SOUND_OFF):
                        change = ControlChange(lane.channel, controller, 0)
                        outputs.append((output.name, change))
        for name in sorted(self.present):
            outputs.append((name, BENDS_UNKNOWN))
        self._restore_bends(self.states.values(), outputs)
        for state in self.states.values():
            self.current = state
            self.wake_drone(state, outputs)

    # ------------------------------------------------------------ rig

    def add_voice(self, voice: Voice) -> VoiceState:
        """Take a new voice, silent."""
        lane = self.ledger.lane(voice.output, voice.channel)
        lane.up = voice.output in self.present
        settings = self.live.scene.of(voice.name)
        state = VoiceState(voice, lane, Chain(voice, settings, self.live.tonight))
        state.overlap = self.output(voice.output).converter.overlap
        self.states[voice.name] = state
        self.triggers.rule(state)
        return state

    def output(self, name: str) -> Any:
        """Return an output of the rig by name."""
        return next(output for output in self.rig.outputs if output.name == name)

    def send_bend_range(self, state: VoiceState, outputs: Outputs) -> None:
        """Append RPN 0 for a voice's channel where the converter takes it (B3)."""
        lane = state.lane
        if not lane.up or not self.output(lane.output).converter.sends_bend_range:
            return
        semitones, cents = divmod(round(state.voice.bend_range_cents), 100)
        for change in midi.bend_range_messages(lane.channel, semitones, cents):
            outputs.append((lane.output, change))

    def _adopt(self, state: VoiceState, outputs: Outputs) -> None:
        adopt(self, state, outputs)

    def _reload(self, command: commands.Reload, source: str, outputs: Outputs) -> None:
        reload_rig(self, command.rig, command.scenes, outputs)
        self.pedals.refresh()
        self.pedals.let_go(outputs)
        self._only_channel = {i.name: i.channel for i in self.rig.inputs if i.channel is not None}
