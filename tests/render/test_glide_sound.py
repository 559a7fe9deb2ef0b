"""A glide as it sounds: the virtual case's audio, read by the measuring code and by Praat.

The case tracks badly; its curve is known. ``play`` is what ``render`` and ``run`` share.
"""

from __future__ import annotations

import numpy as np
import parselmouth
import pytest

from zerobeat.config.rig import LoadedRig
from zerobeat.engine.glide import Glide
from zerobeat.engine.settings import Converter, Input, Output, Rig, Scene, Voice, VoiceSettings
from zerobeat.measure.pitch.reader import estimate_pitch
from zerobeat.midi import NoteOff, NoteOn
from zerobeat.render.midi_file import play
from zerobeat.sim.scenario import PLAYED_S, SAMPLE_RATE_HZ, quartet
from zerobeat.tuning.tracking import Reading, TrackingCurve
from zerobeat.tuning.units import hertz_to_pitch, pitch_to_hertz

HORN = 1  # its channel
RANGE_CENTS = 1200.0
LEAD_S = 0.5


def glided(glide_ms: float, shape: str = "straight"):
    """Play 48, then glide to 55; return the case and the bytes that it received."""
    case = quartet(3)
    notes = np.arange(30, 91)
    pitches = case.pitches(HORN, notes, at_s=PLAYED_S)
    curve = TrackingCurve.from_readings(
        [Reading(100.0 * n, p - 100.0 * n, 0.02) for n, p in zip(notes, pitches, strict=True)]
    )
    assert max(abs(pitches - 100.0 * notes)) > 10.0
    converter = Converter("quad", RANGE_CENTS, lowest_note=24, highest_note=108, gate_gap_s=0.003)
    settings = VoiceSettings(glide_ms=glide_ms, glide="by_time", glide_shape=shape)
    rig = Rig(
        (Input("keys", "Stage Keys:1", active_sensing=False),),
        (Output("quad", "quad:1", converter=converter),),
        (Voice("horn", "quad", HORN, 0, RANGE_CENTS, 24, 108, curve=curve),),
    )
    loaded = LoadedRig(rig, (Scene(voices={"horn": settings}),), [], ())
    events = [(0.1, NoteOn(0, 48, 100)), (0.4, NoteOff(0, 48)), (LEAD_S, NoteOn(0, 55, 100))]
    sent = play(loaded, events, "keys", LEAD_S + glide_ms / 1000.0 + 1.0)
    case.play((PLAYED_S + at_s, content) for at_s, _, content in sent)
    return case, sent


def sound(case, start_s, length_s):
    return case.render(length_s, SAMPLE_RATE_HZ, start_s=PLAYED_S + start_s, channels=(HORN,))


def test_a_slow_glide_is_a_straight_line_to_the_measuring_code():
    glide_s = 20.0  # 35 cents a second, which the reader still takes
    case, _ = glided(1000.0 * glide_s)
    line = Glide(LEAD_S, glide_s, -700.0, curved=False)
    for middle_s in np.linspace(LEAD_S + 1.0, LEAD_S + glide_s - 1.0, 7):
        wanted = 5500.0 + line.cents_at(middle_s)
        pitch = estimate_pitch(
            sound(case, middle_s - 0.2, 0.4), SAMPLE_RATE_HZ, expected_hz=pitch_to_hertz(wanted)
        )
        assert hertz_to_pitch(pitch.hertz) == pytest.approx(wanted, abs=1.0)
        assert pitch.drift_cents_per_s == pytest.approx(35.0, abs=4.0)
    arrived = estimate_pitch(sound(case, LEAD_S + glide_s + 0.3, 0.4), SAMPLE_RATE_HZ)
    assert hertz_to_pitch(arrived.hertz) == pytest.approx(5500.0, abs=1.0)


@pytest.mark.parametrize("shape", ["straight", "rc"])
def test_a_fast_glide_follows_its_shape_to_praat(shape):
    case, _ = glided(600.0, shape)
    line = Glide(LEAD_S, 0.6, -700.0, shape == "rc")
    samples = sound(case, LEAD_S - 0.05, 0.9).astype(float)
    track = parselmouth.Sound(samples, SAMPLE_RATE_HZ).to_pitch_ac(
        time_step=0.01, pitch_floor=90.0, pitch_ceiling=400.0
    )
    times = track.xs() + LEAD_S - 0.05
    hertz = track.selected_array["frequency"]
    inside = (times > LEAD_S + 0.06) & (times < LEAD_S + 0.75) & (hertz > 0)
    assert inside.sum() > 50
    heard = np.array([hertz_to_pitch(h) for h in hertz[inside]])
    wanted = np.array([5500.0 + line.cents_at(t) for t in times[inside]])
    assert np.abs(heard - wanted).max() < (8.0 if shape == "straight" else 40.0)
    assert np.abs(np.median(heard - wanted)) < 3.0


def test_render_carries_the_steps_and_ends_where_the_note_is():
    _, sent = glided(200.0)
    bends = [(t, c) for t, _, c in sent if c[0] == 0xE0 | HORN and t > LEAD_S]
    assert len(bends) > 150
    assert bends[-1][0] == pytest.approx(LEAD_S + 0.2, abs=1e-6)
