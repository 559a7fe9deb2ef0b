"""An evening of drift in counted time: the engine plays, a virtual case drifts, follow listens.

The engine, its stream ``expected`` and follow are those of ``run`` and ``zerobeat follow``. Sound
is made only for the stretches that are read, and the real reader reads it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from ..engine.commands import Command, Follow, OutputBack
from ..engine.engine import Engine
from ..engine.expected_state import ExpectedWatch
from ..engine.settings import Converter, Input, Output, Rig, Scene, TouchUp, Voice, Zone
from ..follow.expected_pitch import ExpectedPitch, expected_pitch_of
from ..follow.follower import FollowedVoice, Follower, FollowMove
from ..follow.hand import FollowLimits
from ..follow.stretches import Stretch
from ..midi import Message, NoteOff, NoteOn
from ..sim.case_drift import CaseDrift
from ..sim.oscillator import Floats
from ..sim.waveform import waveform_samples

EVENING_RATE_HZ = 48_000
TICK_S = 0.25
OFTEN = 55  # readings of a voice
_CONTROL_HZ = 1000.0
_CONVERTER = Converter("evening", overlap="legato", gate_gap_s=0.002)


@dataclass(slots=True)
class VoiceHistory:
    """What a voice was meant to sound, from each moment on."""

    at_s: list[float] = field(default_factory=list)
    lines: list[ExpectedPitch] = field(default_factory=list)

    def at(self, at_s: float) -> int:
        """Return the index of the line in force; -1 before the first."""
        return bisect_right(self.at_s, at_s) - 1


@dataclass(frozen=True, slots=True)
class VoiceCourse:
    """A voice over a stretch, on a control grid; each array has shape (n,).

    Attributes:
        at_s: times.
        cents: the pitch that the oscillator has, drift included, before the patch.
        gate: whether it is open.
        since_s: from the note's onset.
        interval_cents: from the note before.
        velocity: of the note.
    """

    at_s: Floats
    cents: Floats
    gate: Floats
    since_s: Floats
    interval_cents: Floats
    velocity: Floats


class VoicePatch(Protocol):
    """What is patched behind and around an oscillator."""

    def cents(self, course: VoiceCourse) -> Floats:
        """Return what the patch adds to the pitch."""
        ...

    def sound(self, at_s: Floats, cycles: Floats, since_s: Floats, highest_hz: float) -> Floats:
        """Return the samples of a phase in cycles, before the amplifier."""
        ...


class PlainPatch:
    """A sawtooth through an amplifier."""

    def cents(self, course: VoiceCourse) -> Floats:
        return np.zeros(course.at_s.shape)

    def sound(self, at_s: Floats, cycles: Floats, since_s: Floats, highest_hz: float) -> Floats:
        return waveform_samples("sawtooth", cycles, highest_hz, EVENING_RATE_HZ)


@dataclass(frozen=True, slots=True)
class EveningVoice:
    """A voice of an evening.

    Attributes:
        input: where it is heard; its name where "".
        shows: the voice that its input really holds, where cables are swapped.
        reference_cents: of the drift's stretch.
    """

    name: str
    input: str = ""
    shows: str = ""
    always_heard: bool = False
    bend_range_cents: float = 200.0
    reference_cents: float = 6000.0
    patch: VoicePatch = field(default_factory=PlainPatch)


class VirtualEvening:
    """Plays, drifts and follows.

    Args:
        voices: of the rig, each on a keyboard channel of its own.
        drift: of the case.
        hiss: root mean square of the noise on each input.
        delay_s: of the path.
        follows: without, the same evening uncorrected.
        knobs: by voice, (time, cents) of a hand on its panel.
        noise: sound added to each input, from times.
        numbers: no sound is made; the true pitch is read with a small error, one sigma of which
            is ``read_sigma_cents``. For long evenings.
        knows_delay: as follow does that has measured it from onsets.
        rest_s: from one reading of a voice to the next, once it was read often: a long evening in
            seconds.
    """

    def __init__(
        self,
        voices: Sequence[EveningVoice],
        drift: CaseDrift,
        *,
        hiss: float = 0.0005,
        delay_s: float = 0.012,
        follows: bool = True,
        limits: FollowLimits | None = None,
        knobs: Mapping[str, Sequence[tuple[float, float]]] | None = None,
        noise: Callable[[Floats], Floats] | None = None,
        numbers: bool = False,
        read_sigma_cents: float = 0.03,
        knows_delay: bool = True,
        rest_s: float = 0.0,
        seed: int = 0,
    ) -> None:
        self.voices = {voice.name: voice for voice in voices}
        self.drift = drift
        self._hiss, self._delay_s, self._follows = hiss, delay_s, follows
        self._knobs = dict(knobs or {})
        self._noise = noise
        self._numbers = numbers
        self._read_sigma_cents = read_sigma_cents
        self._rest_s = rest_s
        self._rng = np.random.default_rng([seed, 0xE7E])
        rig = Rig(
            (Input("keys", "keys:out", active_sensing=False),),
            (Output("case", "case:in", converter=_CONVERTER),),
            tuple(
                Voice(voice.name, "case", place, bend_range_cents=voice.bend_range_cents)
                for place, voice in enumerate(voices)
            ),
        )
        zones = tuple(Zone((voice.name,), channels=(k,)) for k, voice in enumerate(voices))
        self.engine = Engine(rig, (Scene("evening", zones=zones),))
        self._watch = ExpectedWatch(self.engine.shared, self.engine.measuring)
        self.history = {voice.name: VoiceHistory() for voice in voices}
        self.follower = Follower(
            [
                FollowedVoice(
                    voice.name,
                    voice.input or voice.name,
                    voice.always_heard,
                    voice.reference_cents,
                    step_cents=2.0 * voice.bend_range_cents / 16384.0,
                    reach_cents=voice.bend_range_cents,
                )
                for voice in voices
            ],
            0.0,
            limits=limits,
            seed=seed,
        )
        for voice in voices if knows_delay else ():
            source = voice.input or voice.name
            self.follower.picker.delays_s[source] = (delay_s - 0.015, delay_s + 0.015)
        self.moves: list[tuple[float, FollowMove]] = []
        self.lines: list[tuple[float, str]] = []
        self.read_s = 0.0
        self.now_s = 0.0
        self._send(OutputBack("case"), 0.0)

    # ------------------------------------------------------------ time

    def run(
        self,
        events: Iterable[tuple[float, Message | Command]],
        until_s: float,
        each: Callable[[float], None] = lambda now_s: None,
    ) -> None:
        """Play timed messages and follow, until a time.

        Args:
            events: (seconds, message) in order.
            until_s: seconds from the start.
            each: called at each tick with the time.
        """
        waiting = iter(events)
        following = next(waiting, None)
        while self.now_s < until_s:
            tick_s = self.now_s + TICK_S
            while following is not None and following[0] <= tick_s:
                self._send(following[1], following[0])
                following = next(waiting, None)
            self.now_s = tick_s
            each(tick_s)
            if self._follows:
                self._follow(tick_s)

    def _follow(self, now_s: float) -> None:
        follower = self.follower
        while (stretch := follower.next_stretch(now_s)) is not None:
            self.read_s += stretch.seconds
            if self._rest_s and follower.readings(stretch.voice) > OFTEN:
                follower.picker.rest(stretch.voice, now_s + self._rest_s)
            if self._numbers:
                follower.take_cents(stretch, *self._numbered(stretch))
            else:
                follower.read(stretch, self.sound(stretch.input, stretch), EVENING_RATE_HZ)
        for move in follower.moves(now_s):
            self.moves.append((now_s, move))
            touch_up = None
            if move.offset_cents is not None:
                touch_up = TouchUp(move.offset_cents, move.stretch_cents, move.reference_cents)
            self._send(Follow(move.voice, touch_up, move.sounding_cents), now_s)
        self.lines += [(now_s, line) for line in follower.lines(now_s)]

    def _send(self, message: Message | Command, at_s: float) -> None:
        source = "keys" if hasattr(message, "channel") else ""
        self.engine.receive(message, source, at_s, [])
        for name in self._watch.changed():
            line = expected_pitch_of(self._watch.line(name, at_s))
            history = self.history[name]
            history.at_s.append(at_s)
            history.lines.append(line)
            self.follower.hear(line)

    # ------------------------------------------------------------ truth

    def drift_cents(self, name: str, at_s: Floats | float, pitch_cents: float) -> Floats:
        """Return a voice's true drift, knobs included."""
        octaves = (pitch_cents - self.voices[name].reference_cents) / 1200.0
        found = self.drift.cents(name, at_s, octaves)
        for turned_s, cents in self._knobs.get(name, ()):
            found = found + cents * (np.asarray(at_s) >= turned_s)
        return np.asarray(found, float)

    def error_cents(self, name: str, at_s: float) -> float | None:
        """Return how far a voice sounds from what it should; None with its gate closed."""
        history = self.history[name]
        place = history.at(at_s)
        line = history.lines[place] if place >= 0 else None
        if line is None or not line.gate or line.pitch_cents is None or line.profile_cents is None:
            return None
        drift = float(self.drift_cents(name, at_s, line.profile_cents))
        return line.profile_cents + drift - line.pitch_cents

    # ------------------------------------------------------------ sound

    def course(self, name: str, from_s: float, to_s: float) -> VoiceCourse:
        """Return a voice on a control grid."""
        count = max(2, math.ceil((to_s - from_s) * _CONTROL_HZ) + 1)
        times = np.linspace(from_s, to_s, count)
        history = self.history[name]
        shape = times.shape
        cents, gate = np.full(shape, np.nan), np.zeros(shape)
        since, interval, velocity = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        first, last = history.at(from_s), history.at(to_s)
        for place in range(max(first, 0), last + 1):
            line = history.lines[place]
            part = times >= (history.at_s[place] if place > first else -math.inf)
            if line.profile_cents is not None:
                cents[part] = line.profile_cents
                velocity[part] = line.velocity
            gate[part] = line.gate
            onset_s, before = self._onset(history, place)
            since[part] = times[part] - onset_s
            interval[part] = before
        known = ~np.isnan(cents)
        cents = np.where(known, cents, 0.0)
        pitch = float(cents[known][-1]) if known.any() else 0.0
        cents = cents + self.drift_cents(name, times, pitch)
        return VoiceCourse(times, cents, gate * known, since, interval, velocity)

    @staticmethod
    def _onset(history: VoiceHistory, place: int) -> tuple[float, float]:
        line = history.lines[place]
        onset_s = history.at_s[place]
        for other in range(place, max(-1, place - 12), -1):
            before = history.lines[other]
            if before.strikes != line.strikes:
                if before.profile_cents is None or line.profile_cents is None:
                    return onset_s, 0.0
                return onset_s, line.profile_cents - before.profile_cents
            onset_s = history.at_s[other]
        return onset_s, 0.0

    def sound(self, source: str, stretch: Stretch) -> Floats:
        """Return the samples of an input over a stretch."""
        count = round(stretch.seconds * EVENING_RATE_HZ)
        at_s = stretch.from_s - self._delay_s + np.arange(count) / EVENING_RATE_HZ
        mix = self._hiss * self._rng.standard_normal(count)
        for voice in self.voices.values():
            if (voice.input or voice.name) == source:
                mix += self.voice_sound(self.voices[voice.shows or voice.name], at_s)
        if self._noise is not None:
            mix += self._noise(at_s)
        return mix

    def voice_sound(self, voice: EveningVoice, at_s: Floats) -> Floats:
        """Return the samples of one voice at rising times."""
        course = self.course(voice.name, float(at_s[0]) - 0.05, float(at_s[-1]) + 0.002)
        cents = course.cents + voice.patch.cents(course)
        hertz = 440.0 * 2.0 ** ((cents - 6900.0) / 1200.0)
        steps = np.diff(course.at_s)
        cycles = np.concatenate([[0.0], np.cumsum((hertz[1:] + hertz[:-1]) / 2.0 * steps)])
        phase = self._rng.uniform() + np.interp(at_s, course.at_s, cycles)
        since = np.interp(at_s, course.at_s, course.since_s)
        level = np.ones(at_s.shape)
        if not voice.always_heard:
            gate = np.interp(at_s, course.at_s, course.gate)
            level = gate * np.minimum(since / 0.005, 1.0).clip(0.0)
        wave = voice.patch.sound(at_s, phase, since, float(hertz.max()))
        return 0.25 * level * wave

    def _numbered(self, stretch: Stretch) -> tuple[float, float]:
        """Return the true pitch in the middle of a stretch with a reader's error, and its sigma."""
        middle_s = stretch.from_s + stretch.seconds / 2.0 - self._delay_s
        voice = self.voices[stretch.voice]
        course = self.course(voice.shows or voice.name, middle_s - 0.01, middle_s + 0.01)
        cents = float((course.cents + voice.patch.cents(course))[len(course.at_s) // 2])
        sigma = self._read_sigma_cents
        return cents + sigma * float(self._rng.standard_normal()), sigma


def melody(
    channel: int, keys: Sequence[int], every_s: float, until_s: float, seed: int, rest: float = 0.15
) -> list[tuple[float, Message]]:
    """Return a melody: random notes of the keys, lengths about ``every_s``, some rests."""
    rng = np.random.default_rng([seed, channel, 0x3E1])
    events: list[tuple[float, Message]] = []
    now_s = 0.5 + float(rng.uniform()) * every_s
    while now_s < until_s:
        length = every_s * float(rng.choice((0.5, 1.0, 1.0, 1.5)))
        if rng.uniform() > rest:
            key = int(rng.choice(keys))
            velocity = int(rng.integers(40, 120))
            events.append((now_s, NoteOn(channel, key, velocity)))
            events.append((now_s + 0.9 * length, NoteOff(channel, key)))
        now_s += length
    return events
