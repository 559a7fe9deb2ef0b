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
from ..midi import ControlChange, Message, NoteOff, NoteOn, PitchBend
from . import commands
from .assign import Assigner
from .dispatch import Dispatcher
from .engine_state import EngineState
from .extra_sockets import ExtraSockets
from .glide_steps import GlideSteps
from .global_settings import GlobalSettings
from .hold import Triggers
from .keyboard import Keyboard
from .ledger import Ledger, Outputs
from .live_settings import Live
from .measuring_notes import Measuring
from .message_policy import Policy
from .mpe import Mpe
from .pedals.pedalboard import Pedals
from .player import Player
from .port_events import PortEvents
from .rig_change import RigChange
from .scene_persistence import ScenePersistence
from .scenes import Scenes
from .settings import Rig, Scene, Tonight
from .trigger_events import TriggerEvents
from .tuning_messages import TuningMessages
from .undo import ChangeHistory
from .voice import VoiceState

ACTIVE_SENSING_S = 0.33  # MIDI 1.0 Detailed Specification, p. 32: act after 330 ms


class Engine:
    """Decides every note and bend of a rig.

    Args:
        rig: what is plugged in.
        scenes: the bank; the rig's start scene, else the first, is played.
        tonight: the global settings, which lie over all scenes.
        unsaved: settings to come back to, which differ from the scene of their name.
    """

    def __init__(
        self,
        rig: Rig,
        scenes: Iterable[Scene] = (),
        tonight: Tonight | None = None,
        unsaved: Scene | None = None,
    ) -> None:
        tonight = tonight or Tonight(concert_a_hz=rig.concert_a_hz)
        self.shared = shared = EngineState(rig, tuple(scenes), tonight, unsaved)
        self._table = table = Dispatcher()
        self.player = player = Player(shared)
        self.assigner = Assigner(shared)
        self.policy = Policy(shared, self.assigner)
        self.triggers = Triggers(shared, player)
        self.measuring = Measuring(shared, player)
        self.live = Live(shared, player, self.assigner, self.triggers, self.measuring)
        self._trigger_events = TriggerEvents(
            shared, player, self.triggers, self.measuring, self.live
        )
        self.undo = ChangeHistory(shared, self.live)
        self.keyboard = Keyboard(
            shared,
            player,
            self.assigner,
            self.policy,
            self.triggers,
            self._trigger_events,
            self.measuring,
            self.live,
            self.undo,
        )
        self.mpe = Mpe(shared, self.keyboard, self.assigner, self.policy)
        self._fingers = self.mpe.keyboards
        self.glide_steps = GlideSteps(shared, player)
        self.scenes = Scenes(shared, self.live)
        self.persistence = ScenePersistence(shared, self.live, self.undo)
        self.pedals = Pedals(
            shared, table, self.live, self.scenes, self.policy, self.keyboard, self.undo
        )
        self.extra = ExtraSockets(shared)
        self.ports = PortEvents(
            shared,
            player,
            self.policy,
            self.triggers,
            self.keyboard,
            self.mpe,
            self.scenes,
            self.pedals,
            self.extra,
        )
        rig_change = RigChange(
            shared,
            player,
            self.assigner,
            self.policy,
            self.triggers,
            self.live,
            self.keyboard,
            self.mpe,
            self.pedals,
            self.ports,
        )
        for voice in rig.voices:
            rig_change.add_voice(voice)
        self.assigner.use()
        for part in (
            self.live,
            GlobalSettings(shared, self.live),
            self._trigger_events,
            self.scenes,
            self.persistence,
            self.undo,
            self.measuring,
            self.pedals,
            self.ports,
            rig_change,
        ):
            part.add_to(table)
        self.extra.add_to(table)
        self.measuring.guard(table)
        self._tuning = TuningMessages(shared, self.live, self.policy, self.undo)
        self.mpe.guard(table)
        self._messages: dict[type, Callable[[Any, str, Outputs], None]] = {
            NoteOn: self.keyboard.note_on,
            NoteOff: self.keyboard.note_off,
            PitchBend: self.keyboard.wheel,
            ControlChange: self.keyboard.controller,
            midi.ProgramChange: self.policy.channel_message,
            midi.ChannelPressure: self.policy.channel_message,
            midi.PolyPressure: self.policy.channel_message,
            midi.SysEx: self._tuning.system_exclusive,
            midi.SongPosition: self._timed,
            midi.System: self._system,
        }

    # ------------------------------------------------------------ what there is

    @property
    def rig(self) -> Rig:
        """Return what is plugged in."""
        return self.shared.rig

    @property
    def now_s(self) -> float:
        """Return the time of the last event."""
        return self.shared.now_s

    @property
    def ledger(self) -> Ledger:
        """Return what sounds where."""
        return self.shared.ledger

    @property
    def states(self) -> dict[str, VoiceState]:
        """Return the voices by name, in the rig's order."""
        return self.shared.voices

    @property
    def counts(self) -> Counter[str]:
        """Return what happened how often."""
        return self.shared.counts

    # ------------------------------------------------------------ events

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
            CommandError: a command is refused; nothing has changed and nothing is appended.
        """
        shared = self.shared
        handle = self._messages.get(type(message))
        if handle is None:
            self._command(message, now_s, outputs)
            return
        if now_s > shared.now_s:
            shared.now_s = now_s
        sensed = self.ports.sensed
        if source in sensed:
            sensed[source] = shared.now_s + ACTIVE_SENSING_S
        if self.triggers.read_at_s is not None:  # before what comes later, whenever it is heard
            self.triggers.read_if_due(outputs)
        only = self.policy.only_channel.get(source)
        if only is not None and getattr(message, "channel", only) != only:
            shared.counts["other channel"] += 1
            return
        if self.policy.responses:
            message = self.policy.respond(message, source)  # type: ignore[arg-type]  # no command
        if self.extra.flows:
            self.extra.hear(message, source, outputs)  # type: ignore[arg-type]  # no command
        if type(message) is ControlChange and message.controller in self.policy.tuning_controllers:
            self._tuning.parameter(message, source, outputs)
        if self._fingers:
            self._expressive(handle, message, source, outputs)  # type: ignore[arg-type]  # no command
        elif not self.pedals.take(message, source, outputs):  # type: ignore[arg-type]  # no command
            handle(message, source, outputs)
        self.pedals.lights.look()
        shared.current = None

    def _expressive(
        self,
        handle: Callable[[Any, str, Outputs], None],
        message: Message,
        source: str,
        outputs: Outputs,
    ) -> None:
        """Take one message, where an input is an MPE keyboard."""
        mpe = self.mpe
        finger = source in self._fingers
        if finger and mpe.drops(message, source):
            return
        if self.pedals.take(message, source, outputs):
            return
        if not finger or not mpe.take(message, source, outputs):
            handle(message, source, outputs)
        if type(message) is not PitchBend:
            mpe.follow(outputs)

    def _command(self, command: object, now_s: float, outputs: Outputs) -> None:
        handler = self._table.check(command)
        shared = self.shared
        if now_s > shared.now_s:
            shared.now_s = now_s
        if self.triggers.read_at_s is not None:
            self.triggers.read_if_due(outputs)
        shared.acts += 1
        handler.act(command, outputs)
        self.pedals.lights.look()
        shared.current = None

    @property
    def wake_at_s(self) -> float | None:
        """Return when ``wake`` should be called next, or None."""
        sensed = self.ports.sensed
        soonest = min(sensed.values()) if sensed else None
        for moment in (
            self.pedals.wake_at_s,
            self.triggers.read_at_s,
            self.triggers.clock.lost_at_s,
            self.extra.wake_at_s,
            self.glide_steps.wake_at_s if self.shared.gliding else None,
        ):
            if moment is not None and (soonest is None or moment < soonest):
                soonest = moment
        return soonest

    def wake(self, now_s: float, outputs: Outputs) -> None:
        """Do what has fallen due: read keys, note a lost clock, and lift the keys of an
        input that fell silent (N13)."""
        shared = self.shared
        if now_s > shared.now_s:
            shared.now_s = now_s
        self.triggers.read_if_due(outputs)
        self.triggers.clock.look(shared.now_s)
        if shared.gliding:
            self.glide_steps.take(outputs)
        for name, due_s in tuple(self.ports.sensed.items()):
            if due_s <= shared.now_s:
                shared.counts["active sensing lost"] += 1
                self.ports.source_lost(name, outputs)
        self.pedals.wake(outputs)
        self.extra.wake(outputs)
        self.pedals.lights.look()
        shared.current = None

    def recover(self, source: str, outputs: Outputs) -> str:
        """Release what a fault left half done, and name it.

        To be called after an exception from ``receive`` or ``wake``, with a
        list of its own, once what was appended before it has been sent.
        """
        shared = self.shared
        state, shared.current = shared.current, None
        shared.counts["faults"] += 1
        if state is not None:
            self.player.silence(state, outputs)
        for other in shared.voices.values():  # the fault may have come before their note-off
            gone = [held for held in other.held if not self.keyboard.still(held)]
            if gone:
                try:
                    self.keyboard.drop(other, gone, outputs)
                except Exception:  # noqa: BLE001  # a fault while a fault is mended
                    self.player.silence(other, outputs)
        shared.current = None
        return "no voice" if state is None else state.voice.name

    def release_all(self) -> Outputs:
        """Return the note-offs of all that sounds; bends stay where they are."""
        outputs: Outputs = []
        self.ports.release_all(outputs)
        self.pedals.lights.look()
        return outputs

    # ------------------------------------------------------------ clock and active sensing

    def _system(self, message: midi.System, source: str, outputs: Outputs) -> None:
        if message is midi.ACTIVE_SENSING and source in self.policy.watched:
            self.ports.sensed[source] = self.shared.now_s + ACTIVE_SENSING_S
        self._timed(message, source, outputs)

    def _timed(
        self, message: midi.System | midi.SongPosition, source: str, outputs: Outputs
    ) -> None:
        self.policy.system_message(message, source, outputs)
        if source == self.shared.rig.clock_from:
            self._trigger_events.clock_message(message, outputs)
