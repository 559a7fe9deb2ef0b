"""A take listener on a virtual case: MIDI bytes to its converter, its audio to the pitch reader."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..config.rig import LoadedRig
from ..engine.settings import Voice
from ..measure.pitch.take import Take, TakeRequest, read_samples
from ..midi import NoteOff, NoteOn, PitchBend, encode
from ..sim.oscillator import Oscillator
from ..sim.scenario import SAMPLE_RATE_HZ, random_case
from ..sim.virtual_case import Mixer, VirtualCase
from ..sim.virtual_converter import ConverterModel, VirtualConverter
from ..tuning.bend import cents_to_bend
from ..tuning.units import pitch_to_hertz

GAP_S = 0.05  # from note-off to the next bend
VELOCITY = 100
WARM_S = 3000.0  # since power-on
HISS = 0.001  # root mean square, full scale 1


class VirtualListener:
    """Plays one voice of a case and reads the pitch of its mix.

    Args:
        case: receives MIDI bytes and times only.
        channel: of the voice.
        start_s: time since power-on.
        bend_range_cents: as in the rig; the case may have another.
        sample_rate_hz: of the recording.
        channels: which voices sound in the recording; None is this one alone.
    """

    def __init__(
        self,
        case: VirtualCase,
        channel: int,
        *,
        start_s: float = 0.0,
        bend_range_cents: float = 200.0,
        sample_rate_hz: int = SAMPLE_RATE_HZ,
        channels: Sequence[int] | None = None,
    ) -> None:
        self.now_s = start_s
        self._case, self._channel = case, channel
        self._range_cents = bend_range_cents
        self._rate_hz = sample_rate_hz
        self._channels = [channel] if channels is None else list(channels)

    def listen(self, request: TakeRequest) -> Take:
        """Play a request and return its take."""
        samples, at_s = self.record(request)
        pitch, refused = read_samples(
            samples, self._rate_hz, request.expected_hz, None, request.likely_hz
        )
        return Take(request, pitch, refused, at_s)

    def record(self, request: TakeRequest) -> tuple[np.ndarray, float]:
        """Return the samples of a request, and the time of their middle."""
        bend = cents_to_bend(request.bend_cents, self._range_cents)
        begin_s = self.now_s + request.settle_s
        end_s = begin_s + request.seconds
        channel = self._channel
        self._case.play(
            [
                (self.now_s, encode(PitchBend(channel, bend))),
                (self.now_s, encode(NoteOn(channel, request.note, VELOCITY))),
            ]
        )
        samples = self._case.render(
            request.seconds, self._rate_hz, start_s=begin_s, channels=self._channels
        )
        self._case.play([(end_s, encode(NoteOff(channel, request.note)))])
        self.now_s = end_s + GAP_S
        return samples, (begin_s + end_s) / 2.0


def virtual_voice(loaded: LoadedRig, voice: Voice, seed: int) -> VirtualListener:
    """Return a listener on a simulated oscillator in the place of a rig's voice.

    The converter is as in the rig, its errors by volts or number too; the flaws of
    oscillator and converter channel
    are drawn by the seed.
    """
    facts = loaded.converters[voice.output].converter
    drawn = random_case(seed, voice.channel + 1)
    by_number = facts.errors_follow == "number"
    # Few steps, and the bend added after them, are what makes a converter err by number.
    bits = 12 if by_number else 16
    dac = replace(drawn.converter.model.dacs[voice.channel], bits=bits, lowest_volts=-5.0)
    span = max(10.0, (127 - facts.zero_volt_note) / 12.0 + 5.5)
    model = ConverterModel(
        bend_range_cents=voice.bend_range_cents,
        zero_volt_note=facts.zero_volt_note,
        lowest_note=facts.lowest_note,
        highest_note=facts.highest_note,
        bend_sum="analogue" if by_number else "digital",
        dacs={voice.channel: replace(dac, span_volts=span)},
    )
    zero_hz = pitch_to_hertz(100.0 * facts.zero_volt_note + 1200.0 * voice.panel_octaves)
    made = replace(drawn.oscillators[voice.channel].model, hertz_at_zero_volts=zero_hz)
    case = VirtualCase(
        VirtualConverter(model, seed),
        {voice.channel: Oscillator(made, seed)},
        mixer=Mixer(hiss_level=HISS),
        seed=seed,
    )
    return VirtualListener(
        case, voice.channel, start_s=WARM_S, bend_range_cents=voice.bend_range_cents
    )
