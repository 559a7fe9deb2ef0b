"""The state machine: messages, keys and commands in, messages for the wire out.

``receive`` appends to ``outputs`` and the ledger changes with each append, so
after an exception the caller sends what is there and calls ``recover``. Time
comes as an argument; a later moment is asked for through ``wake_at_s``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

from .. import midi
from ..errors import CommandError
from ..midi import ControlChange, Message, NoteOff, NoteOn, PitchBend
from . import commands
from . import scene_persistence as keeping
from .assign import Assigner
from .chain import Chain
from .keyboard import Keyboard
from .ledger import Ledger, Outputs
from .live_settings import Live
from .measuring_notes import Measuring
from .message_policy import Policy
from .pedals.pedalboard import Pedals
from .player import Player
from .port_events import Links
from .rig_change import adopt, reload_rig, use_profile
from .scenes import Scenes
from .settings import Rig, Scene, Tonight, Voice
from .voice import VoiceState

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
        self.keyboard = Keyboard(self)
        self.links = Links(self)
        self.states: dict[str, VoiceState] = {}
        self.counts: Counter[str] = Counter()
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
        self.sensed: dict[str, float] = {}  # input -> when it must be heard again
        self._handlers: dict[type, Callable[[Any, str, Outputs], None]] = {
            NoteOn: self.keyboard.note_on,
            NoteOff: self.keyboard.note_off,
            PitchBend: self.keyboard.wheel,
            ControlChange: self.keyboard.controller,
            midi.ProgramChange: self.policy.channel_message,
            midi.ChannelPressure: self.policy.channel_message,
            midi.PolyPressure: self.policy.channel_message,
            midi.SysEx: self.policy.system_message,
            midi.SongPosition: self._timed,
            midi.System: self._system,
            commands.Reload: self._reload,
            commands.UseProfile: lambda command, source, outputs: use_profile(
                self, command, outputs
            ),
            **self.links.handlers(),
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
        if source in self.sensed:
            self.sensed[source] = self.now_s + ACTIVE_SENSING_S
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
        soonest = min(self.sensed.values()) if self.sensed else None
        for moment in (
            self.pedals.wake_at_s,
            self.triggers.read_at_s,
            self.triggers.clock.lost_at_s,
        ):
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
        for name, due_s in tuple(self.sensed.items()):
            if due_s <= self.now_s:
                del self.sensed[name]
                self.counts["active sensing lost"] += 1
                self.links.source_lost(commands.SourceLost(name), "", outputs)
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
            gone = [held for held in other.held if not self.keyboard.still(held)]
            if gone:
                try:
                    self.keyboard.drop(other, gone, outputs)
                except Exception:
                    self._silence(other, outputs)
        self.current = None
        return "no voice" if state is None else state.voice.name

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
        self.keyboard.forget()
        for lane in self.ledger.all():
            lane.holders.clear()
            lane.release(outputs)
        return outputs

    def _system(self, message: midi.System, source: str, outputs: Outputs) -> None:
        if message is midi.ACTIVE_SENSING and source in self.policy.watched:
            self.sensed[source] = self.now_s + ACTIVE_SENSING_S
        self._timed(message, source, outputs)

    def _timed(
        self, message: midi.System | midi.SongPosition, source: str, outputs: Outputs
    ) -> None:
        self.policy.system_message(message, source, outputs)
        if source == self.rig.clock_from:
            self.triggers.clock_message(message, outputs)

    # ------------------------------------------------------------ rig

    def add_voice(self, voice: Voice) -> VoiceState:
        """Take a new voice, silent."""
        lane = self.ledger.lane(voice.output, voice.channel)
        lane.up = voice.output in self.links.present
        settings = self.live.scene.of(voice.name)
        state = VoiceState(voice, lane, Chain(voice, settings, self.live.tonight))
        state.overlap = self.output(voice.output).converter.overlap
        self.states[voice.name] = state
        self.triggers.rule(state)
        return state

    def output(self, name: str) -> Any:
        """Return an output of the rig by name."""
        return next(output for output in self.rig.outputs if output.name == name)

    def _adopt(self, state: VoiceState, outputs: Outputs) -> None:
        adopt(self, state, outputs)

    def _reload(self, command: commands.Reload, source: str, outputs: Outputs) -> None:
        reload_rig(self, command.rig, command.scenes, outputs)
        self.pedals.refresh()
        self.pedals.let_go(outputs)
        self._only_channel = {i.name: i.channel for i in self.rig.inputs if i.channel is not None}
