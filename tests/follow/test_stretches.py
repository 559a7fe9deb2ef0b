"""What may be read of a voice (design: Follow)."""

from dataclasses import replace

import numpy as np
import pytest

from zerobeat.errors import FollowError
from zerobeat.follow.expected_pitch import ExpectedPitch, expected_pitch_of
from zerobeat.follow.path_delay import BEFORE_S, PathDelays, onset_delay
from zerobeat.follow.stretches import ListenedVoice, StretchPicker

NOTE = ExpectedPitch(10.0, "reed", 6000.0, 6000.0, 6000.0, True, 1, 100, False, 10.0)
OFF = replace(NOTE, at_s=12.0, gate=False)


def picker(*voices, delay=(0.0, 0.03)):
    found = StretchPicker(voices or [ListenedVoice("reed", "left")])
    found.delays_s["left"] = delay
    return found


def test_a_note_is_read_after_its_attack_and_before_its_end():
    listening = picker()
    listening.hear(NOTE)
    assert listening.pick("reed", 10.2) is None
    stretch = listening.pick("reed", 11.0)
    assert stretch.from_s >= 10.09 and stretch.from_s + stretch.seconds <= 11.0
    assert stretch.since_onset_s > 0.1


def test_at_most_a_third_of_the_time_is_read():
    listening = picker()
    listening.hear(NOTE)
    read = 0.0
    for tick in range(400):
        stretch = listening.pick("reed", 10.0 + 0.05 * tick)
        read += stretch.seconds if stretch else 0.0
    assert 4.0 < read < 20.0 / 3.0 + 0.3


def test_release_is_not_read_unless_the_tap_is_before_the_amplifier():
    for always in (False, True):
        listening = picker(ListenedVoice("reed", "left", always))
        listening.hear(NOTE)
        listening.hear(replace(OFF, at_s=10.2))
        assert (listening.pick("reed", 11.5) is not None) is always


@pytest.mark.parametrize(
    ("change", "reason"),
    [({"moving": True}, "wheel or glide"), ({"raw": True}, "played raw or measured")],
)
def test_what_is_no_steady_pitch_of_ours_is_refused_and_counted(change, reason):
    listening = picker()
    listening.hear(replace(NOTE, **change))
    assert listening.pick("reed", 11.0) is None
    assert listening.refused["reed"] == {reason: 1}


def test_a_second_voice_on_the_input_is_refused_also_while_it_rings():
    listening = picker(ListenedVoice("reed", "left"), ListenedVoice("horn", "left"))
    horn = replace(NOTE, voice="horn", at_s=9.0)
    listening.hear(horn)
    listening.hear(replace(horn, at_s=9.9, gate=False))
    listening.hear(NOTE)
    assert listening.pick("reed", 10.6) is None
    assert listening.refused["reed"] == {"second voice on the input": 1}
    assert listening.pick("reed", 12.5) is not None


def test_an_unknown_delay_is_allowed_for():
    listening = StretchPicker([ListenedVoice("reed", "left")])
    listening.hear(NOTE)
    stretch = listening.pick("reed", 11.5)
    assert stretch.from_s >= 10.36


def test_lost_lines_break_what_was_known():
    listening = picker()
    listening.hear(NOTE)
    listening.forget()
    assert listening.pick("reed", 11.0) is None


def test_a_line_that_lacks_something_is_refused():
    with pytest.raises(FollowError, match="without 'at_s'"):
        expected_pitch_of({"voice": "reed"})


def test_the_delay_of_the_path_is_measured_from_onsets():
    rate = 48_000
    for delay_s in (-0.06, 0.004, 0.05, 0.2):
        sound = 0.001 * np.random.default_rng(1).standard_normal(int(1.0 * rate))
        begin = int((BEFORE_S + delay_s) * rate)
        sound[begin:] += 0.2 * np.sin(np.arange(len(sound) - begin) * 0.05)
        assert onset_delay(sound, rate) == pytest.approx(delay_s, abs=0.006)
    assert onset_delay(0.2 * np.sin(np.arange(rate) * 0.05), rate) is None  # it sounded before
    assert onset_delay(np.zeros(rate), rate) is None


def test_onsets_out_of_silence_are_chosen_and_three_that_agree_make_a_delay():
    delays = PathDelays([ListenedVoice("reed", "left"), ListenedVoice("horn", "left")])
    for k in range(3):
        delays.hear(replace(NOTE, at_s=10.0 + 2 * k))
        delays.hear(replace(NOTE, voice="horn", at_s=10.2 + 2 * k))  # not out of silence
        delays.hear(replace(NOTE, at_s=10.5 + 2 * k, gate=False))
        delays.hear(replace(NOTE, voice="horn", at_s=10.6 + 2 * k, gate=False))
    onsets = list(delays.due)
    assert [one.at_s for one in onsets] == [12.0, 14.0]  # of the first, nothing is known before
    assert delays.add(onsets[0], 0.02) is None
    delays.add(onsets[1], 0.024)
    least_s, most_s = delays.add(onsets[1], 0.022)
    assert least_s < 0.02 and 0.024 < most_s < 0.05
