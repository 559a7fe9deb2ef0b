"""A take listener on live audio: plays requests through the daemon, reads audio inputs.

Voices are read one after another, or several side by side where each has an
input of its own. Then their notes must be neither in unison nor harmonic,
because oscillators pull each other through the power supply.
"""

from __future__ import annotations

import itertools
import math
import os
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..errors import AudioError, MeasureError
from ..measure.audio.audio_inputs import MOST_VOID, AudioTake
from ..measure.audio.devices import list_devices
from ..measure.pitch.joint import read_together
from ..measure.pitch.reader import OVERLOAD_SHARE, Pitch, full_scale_share
from ..measure.pitch.take import Take, TakeRequest, read_samples
from ..tuning.units import hertz_to_pitch, name_of_note, pitch_to_hertz
from .measuring_session import MeasuringSession
from .soundcheck import TOO_QUIET_DBFS

STRIKE_S = 0.03  # the gate's length where the tap is before the VCA
SOFT_VELOCITY, USUAL_VELOCITY = 1, 100
MIDI_S = 0.02  # from the socket to the converter's input, on a slow cable
BACKGROUND_S = 0.6
HUM_HZ = (50.0, 60.0)
HUM_CENTS = 8.0  # a grid stays within 0.2 Hz of 50 in normal operation
RETRIED_REFUSALS = (
    "moving",
    "changing",
    "two_pitches",
)  # what may pass: the note before rings on, a lag settles
RETRY_SETTLE_S = 0.25
WHOLE_S, WHOLE_TAKES = 0.5, 4  # so much sound without a loss, and measuring goes on
PATIENCE_S = 300.0
MOST_MIXED = 3
GLANCE_TOGETHER_S, MOST_TOGETHER_S = 0.3, 1.0
TOGETHER_BINS = 3.0  # of a take's length, between two voices
TOGETHER_S = 0.5  # of a take in which several voices on one input are read
BEATING_CENTS = 35.0  # from n:1; closer, two voices would beat


class LiveListener:
    """Plays and reads; satisfies ``measure.take.Listener``.

    Args:
        room: with the inputs open.
    """

    def __init__(self, session: MeasuringSession) -> None:
        self._session = session
        self._background: dict[str, np.ndarray] = {}
        self.rates_hz: dict[str, float] = {}  # by voice: the device's own rate
        self.sound_s = 0.0  # of takes so far; voices side by side count once
        self.read_alone = 0  # takes of several voices that had to be read one by one
        self.one_by_one: set[str] = set()  # inputs on which voices can't be told apart
        self._mixed: dict[str, int] = {}  # by input: takes in a row that no voice was read from

    def listen(self, request: TakeRequest) -> Take:
        """Play a request and return its take.

        Raises:
            MeasureError: the player plays a key, or the daemon refuses.
            AudioError: a device was unplugged, or the machine loses audio.
        """
        return self.listen_many([request])[0]

    def listen_many(self, requests: Sequence[TakeRequest]) -> list[Take]:
        """Play several voices at once, each read on an input of its own.

        Takes that were refused as moving or as two pitches are repeated once, after
        a longer wait.
        """
        sources = [self._session.input_of(one.voice) for one in requests]
        if len(set(sources)) != len(sources):
            raise MeasureError("found one audio input for two voices at once; allowed: one each")
        takes = self._once(requests, sources)
        slow = [i for i, one in enumerate(takes) if one.refused in RETRIED_REFUSALS]
        if slow:
            again = self._once(
                [requests[i] for i in slow], [sources[i] for i in slow], RETRY_SETTLE_S
            )
            for i, one in zip(slow, again, strict=True):
                takes[i] = one
        return takes

    def listen_together(self, requests: Sequence[TakeRequest]) -> list[Take]:
        """Play several voices at once; those that share an input are read from one take.

        What can't be read so (two voices too close, ring modulation, a shared filter) is
        played again, one voice after the other.

        Args:
            requests: with an expected pitch each; on one input neither in unison nor n:1.
        """
        sources = [self._session.input_of(one.voice) for one in requests]
        if len(set(sources)) == len(sources):
            return self.listen_many(requests)
        shared = [sources.count(source) > 1 for source in sources]
        least_s = together_seconds(requests)
        longer = [
            replace(one, seconds=max(one.seconds, least_s)) if many else one
            for one, many in zip(requests, shared, strict=True)
        ]
        takes = [
            replace(take, request=one)
            for take, one in zip(self._once(longer, sources), requests, strict=True)
        ]
        self._note_mixed(requests, sources, takes)
        alone = [at for at, take in enumerate(takes) if take.pitch is None]
        if alone:
            for name in {one.voice for one in requests}:
                self._session.release(name)
            time.sleep(RETRY_SETTLE_S)  # they ring on
        for at in alone:
            self.read_alone += shared[at]
            (takes[at],) = self.listen_many([requests[at]])
            self._session.release(requests[at].voice)
        return takes

    def _note_mixed(
        self, requests: Sequence[TakeRequest], sources: Sequence[str], takes: Sequence[Take]
    ) -> None:
        """Give up reading several voices of an input from one take where that fails in a row."""
        for source in {one for one in sources if sources.count(one) > 1}:
            there = [take for take, one in zip(takes, sources, strict=True) if one == source]
            mixed = all(take.pitch is None for take in there)
            self._mixed[source] = self._mixed.get(source, 0) + 1 if mixed else 0
            if self._mixed[source] == MOST_MIXED:
                self.one_by_one.add(source)
                names = [
                    request.voice
                    for request, one in zip(requests, sources, strict=True)
                    if one == source
                ]
                self._session.say(
                    f"input {source}: {', '.join(names)} can't be told apart there (ring "
                    "modulation, a shared filter, another sound): read one by one"
                )

    def listen_corrected(self, requests: Sequence[TakeRequest]) -> list[Take]:
        """Play the expected pitches of requests at once, corrected by the daemon, and read them."""
        sources = [self._session.input_of(one.voice) for one in requests]
        return self._once(requests, sources, corrected=True)

    def _once(
        self,
        requests: Sequence[TakeRequest],
        sources: list[str],
        more_s: float = 0.0,
        corrected: bool = False,
    ) -> list[Take]:
        session = self._session
        seconds = max(one.seconds for one in requests)
        lost = 0
        while True:
            for request in requests:
                self._play(request, corrected)
            settle_s = max(one.settle_s + session.settle_s(one.voice) for one in requests)
            from_s = time.monotonic() + MIDI_S + settle_s + more_s
            sounds = session.audio.take(sources, from_s, seconds)
            for request in requests:
                self._after(request, corrected)
            if sounds is not None:
                self.sound_s += seconds
                return self._read_all(requests, sources, sounds)
            lost += 1
            if lost % MOST_VOID == 0:
                self._wait_for_whole_sound(sources)

    def _wait_for_whole_sound(self, sources: list[str]) -> None:
        """Say why sound is probably lost, and return once none is; what was read stays.

        Raises:
            AudioError: it does not get better for ``PATIENCE_S``.
        """
        session = self._session
        device = session.audio.device_of(sources[0])
        session.say(f"{device}: sound was lost in {MOST_VOID} takes in a row")
        for line in causes_of_lost_sound():
            session.say(line)
        session.say("what was read is kept; it goes on once the sound is whole")
        session.release()
        end_s = time.monotonic() + PATIENCE_S
        whole = 0
        while whole < WHOLE_TAKES:
            if time.monotonic() > end_s:
                raise AudioError(
                    f"{device}: sound was lost for {PATIENCE_S / 60:g} minutes; "
                    "set a longer period for the sound card, then repeat"
                )
            sounds = session.audio.take(sources, time.monotonic(), WHOLE_S)
            whole = 0 if sounds is None else whole + 1
        session.say(f"{device}: the sound is whole again; going on")

    def _play(self, request: TakeRequest, corrected: bool) -> None:
        listening = self._session.listening(request.voice)
        silent = listening.tap == "before_vca"
        self._session.play(
            request.voice,
            **_play_arguments(request, corrected),
            velocity=SOFT_VELOCITY if silent else USUAL_VELOCITY,
            strike=listening.excite == "strike" or silent,
        )
        if silent:
            time.sleep(STRIKE_S)
            self._session.release(request.voice)

    def _after(self, request: TakeRequest, corrected: bool) -> None:
        """Release a struck voice; else repeat the play command, which fails if a key was played."""
        listening = self._session.listening(request.voice)
        if listening.excite == "strike" or listening.tap == "before_vca":
            self._session.release(request.voice)
        else:
            self._session.play(request.voice, **_play_arguments(request, corrected))

    def _read_all(
        self,
        requests: Sequence[TakeRequest],
        sources: Sequence[str],
        sounds: Mapping[str, AudioTake],
    ) -> list[Take]:
        """Return the takes; voices on one input are read together, in the order of requests."""
        found: dict[int, Take] = {}
        for source, sound in sounds.items():
            rows = [row for row, one in enumerate(sources) if one == source]
            if len(rows) == 1:
                found[rows[0]] = self._read(requests[rows[0]], source, sound)
                continue
            expected = [requests[row].expected_hz for row in rows]
            if full_scale_share(sound.samples) > OVERLOAD_SHARE / 10 or None in expected:
                read: list[tuple[Pitch | None, str]] = [(None, "overload")] * len(rows)
            else:
                known = [one for one in expected if one is not None]
                read = read_together(sound.samples, sound.rate_hz, known)
            for row, (pitch, refused) in zip(rows, read, strict=True):
                self.rates_hz[requests[row].voice] = self._session.audio.rate_hz(source)
                found[row] = Take(requests[row], pitch, refused, sound.middle_s)
        return [found[row] for row in range(len(requests))]

    def _read(self, request: TakeRequest, source: str, sound: AudioTake) -> Take:
        self.rates_hz[request.voice] = self._session.audio.rate_hz(source)
        background = None
        if not self._session.always_heard(request.voice):
            background = self._background.get(source)
        pitch, refused = read_take(
            sound, request.expected_hz, background, likely_hz=request.likely_hz
        )
        if refused == "silent" and not np.any(sound.samples):
            self._check_there(source)
        return Take(request, pitch, refused, sound.middle_s)

    def _check_there(self, source: str) -> None:
        """Raise AudioError if a device was unplugged, which looks like a silent voice."""
        device = self._session.audio.device_of(source)
        if device not in [one.name for one in list_devices()]:
            raise AudioError(f"{device}: has gone; plug it in again, then repeat")

    # ------------------------------------------------------------ before the first note

    def hear_background(self, names: Sequence[str]) -> None:
        """Record the background of the voices' inputs, with every gate closed.

        Raises:
            MeasureError: a tone sounds: a drone, or another program.
        """
        session = self._session
        sources = list(
            dict.fromkeys(
                source
                for name in names
                if not session.always_heard(name)
                and (source := session.input_of(name)) not in self._background
            )
        )
        for _ in range(MOST_VOID if sources else 0):
            sounds = session.audio.take(sources, time.monotonic(), BACKGROUND_S)
            if sounds is not None:
                for source, sound in sounds.items():
                    _check_background(source, sound)
                    self._background[source] = sound.samples
                return


def _check_background(source: str, sound: AudioTake) -> None:
    pitch, refused = read_take(sound, None, None)
    if refused == "overload":
        raise MeasureError(
            f"input {source}: is overloaded with every gate closed; turn its level down"
        )
    if refused not in ("", "silent", "noise", "short") and _dbfs(sound) > TOO_QUIET_DBFS:
        raise MeasureError(
            f"input {source}: something sounds there with every gate closed, at "
            f"{_dbfs(sound):.0f} dBFS; turn it off, then repeat"
        )
    if pitch is not None and not _is_hum(pitch.hertz):
        note = round(hertz_to_pitch(pitch.hertz) / 100.0)
        raise MeasureError(
            f"input {source}: a tone of {pitch.hertz:.1f} Hz (near {name_of_note(note)}) sounds "
            "with every gate closed; turn that drone down, then repeat"
        )


def causes_of_lost_sound() -> list[str]:
    """Return what probably loses sound here, and the remedy, in lines of a screen."""
    cores = os.cpu_count() or 1
    load = os.getloadavg()[0]
    period = "a longer period: jackd -p 1024, or a larger buffer of the card"
    if load > cores:
        return [
            f"likely cause: the machine is busy (load {load:.1f} on {cores} cores)",
            f"remedy: close other programs; else {period}",
        ]
    return ["likely cause: the sound card's period is too short", f"remedy: {period}"]


def _play_arguments(request: TakeRequest, corrected: bool) -> dict[str, object]:
    """Return the play command's arguments: number and bend, or the expected pitch, corrected."""
    if corrected:
        return {"corrected": True, "pitch_cents": request.expected_cents}
    return {"note": request.note, "bend_cents": request.bend_cents}


def read_take(
    sound: AudioTake,
    expected_hz: float | None,
    background: np.ndarray | None,
    likely_hz: float | None = None,
) -> tuple[Pitch | None, str]:
    """Return the pitch of a take, or None and the reason for the refusal.

    Args:
        sound: the take.
        expected_hz: of the reader; None searches the whole range.
        background: of the reader.
        likely_hz: where the whole range is searched, half an octave about this comes first.
    """
    return read_samples(sound.samples, sound.rate_hz, expected_hz, background, likely_hz)


def _dbfs(sound: AudioTake) -> float:
    return 10.0 * math.log10(max(float(np.var(sound.samples)), 1e-20))


def _is_hum(hertz: float) -> bool:
    """Return whether a frequency is one of the first ten multiples of a mains frequency."""
    for mains_hz in HUM_HZ:
        number = max(1, round(hertz / mains_hz))
        if number <= 10 and abs(1200.0 * math.log2(hertz / (number * mains_hz))) < HUM_CENTS:
            return True
    return False


def apart(expected_cents: Iterable[float]) -> list[int]:
    """Return the indexes of pitches that may sound side by side; the first is among them.

    A pitch is left out if it is in unison with one before it, or n:1 to it.
    """
    taken: list[float] = []
    chosen: list[int] = []
    for index, cents in enumerate(expected_cents):
        if all(not _harmonic(cents, other) for other in taken):
            taken.append(cents)
            chosen.append(index)
    return chosen


def together_seconds(requests: Sequence[TakeRequest]) -> float:
    """Return how long several voices must be heard at once, to tell the closest two apart."""
    glances = all(one.purpose == "glance" for one in requests)
    hertz = sorted(one.expected_hz for one in requests if one.expected_hz is not None)
    gaps = [above - below for below, above in itertools.pairwise(hertz)]
    apart_s = TOGETHER_BINS / max(min(gaps, default=1.0), 1.0)
    return min(max(apart_s, GLANCE_TOGETHER_S if glances else TOGETHER_S), MOST_TOGETHER_S)


def _harmonic(one: float, other: float) -> bool:
    ratio = pitch_to_hertz(max(one, other)) / pitch_to_hertz(min(one, other))
    number = round(ratio)
    return abs(1200.0 * math.log2(ratio / number)) < BEATING_CENTS


def side_by_side(request: TakeRequest, step: int) -> TakeRequest:
    """Return a request moved by semitones, so that voices side by side differ."""
    expected = request.expected_cents
    return replace(
        request,
        note=request.note + step,
        expected_cents=None if expected is None else expected + 100.0 * step,
    )
