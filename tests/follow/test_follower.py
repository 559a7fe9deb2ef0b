"""Follow as a whole, in counted time, with the engine that plays (design: Follow).

Where sound is made the real reader reads it. ``tests/bench/follow.py`` has the long evenings.
"""

from dataclasses import replace
from operator import itemgetter

import numpy as np
import pytest

from kit.patches import FilterEnvelope, Locked, PitchEnvelope, Silent, Vibrato, WholeCents
from zerobeat.engine import commands
from zerobeat.follow.expected_pitch import ExpectedPitch
from zerobeat.follow.follower import FollowedVoice, Follower
from zerobeat.follow.hand import MOVED_WINDOW_CENTS
from zerobeat.follow.kept_drift import KeptKnob
from zerobeat.follow.stretches import Stretch
from zerobeat.render.virtual_evening import EveningVoice, VirtualEvening, melody
from zerobeat.sim.case_drift import CaseDrift, DriftOfVoice

KEYS = {"reed": (60, 62, 64, 67, 69), "horn": (55, 57, 59, 60, 62), "glass": (72, 74, 76, 79)}
REFERENCES = {"reed": 6500.0, "horn": 5900.0, "glass": 7500.0}
LOADINGS = {"reed": 1.0, "horn": -0.8, "glass": 1.5}


def three(numbers=True, **more):
    voices = {
        name: DriftOfVoice(loading, 0.05, 0.5, own_phase=0.2 * k)
        for k, (name, loading) in enumerate(LOADINGS.items())
    }
    drift = CaseDrift(voices, swing_kelvin=5.0, swing_s=1600.0)
    return VirtualEvening(
        [EveningVoice(name, reference_cents=REFERENCES[name]) for name in KEYS],
        drift,
        numbers=numbers,
        **more,
    )


def playing(until_s, names=tuple(KEYS)):
    tunes = [melody(k, KEYS[name], 1.0, until_s, 1) for k, name in enumerate(names)]
    return sorted((event for tune in tunes for event in tune), key=itemgetter(0))


def errors_of(evening, events, until_s):
    found = {name: [] for name in evening.voices}

    def each(now_s):
        for name, errors in found.items():
            error = evening.error_cents(name, now_s)
            if error is not None:
                errors.append(error)

    evening.run(events, until_s, each)
    return {name: np.array(errors) for name, errors in found.items()}


def one_voice(seconds, numbers=False, **more):
    patch = more.pop("patch", None)
    voice = EveningVoice("reed", reference_cents=6500.0, **({"patch": patch} if patch else {}))
    loading = more.pop("loading", 0.0)
    drift = CaseDrift({"reed": DriftOfVoice(loading)}, swing_kelvin=2.0, swing_s=1200.0)
    evening = VirtualEvening([voice], drift, numbers=numbers, **more)
    evening.run(melody(0, KEYS["reed"], 1.0, seconds, 5), seconds)
    return evening


def taken_out(evening, name="reed"):
    return evening.follower.report(evening.now_s)[name]["taken_out_cents"]


def furthest(evening):
    return max((abs(move.offset_cents or 0.0) for _, move in evening.moves), default=0.0)


def test_voices_that_drift_by_up_to_two_cents_a_minute_stay_in_tune():
    until_s = 600.0
    events = playing(until_s)
    raw = errors_of(three(follows=False), events, until_s)
    followed = errors_of(three(), events, until_s)
    for name in KEYS:
        late = followed[name][len(followed[name]) // 5 :]
        assert np.sqrt(np.mean(late**2)) < 0.5, name
        assert np.mean(np.abs(late) <= 1.0) > 0.95, name
        assert np.abs(raw[name]).max() > 2.0


def test_by_the_real_reader_too():
    evening = one_voice(60.0, loading=1.0)
    assert evening.follower.report(60.0)["reed"]["sure"]
    assert abs(evening.error_cents("reed", 59.9) or 0.0) < 0.6


@pytest.mark.parametrize(
    ("patch", "numbers", "seconds"),
    [
        (Vibrato(10, 5.0), True, 400.0),
        (Vibrato(3, 0.05), True, 400.0),
        (Vibrato(1, 0.02), True, 400.0),
        (PitchEnvelope(3, 1.5), False, 30.0),
        pytest.param(FilterEnvelope(), False, 240.0, marks=pytest.mark.slow),
        (Silent(), False, 30.0),
    ],
    ids=lambda one: type(one).__name__,
)
def test_what_reads_steadily_wrong_moves_nothing(patch, numbers, seconds):
    evening = one_voice(seconds, numbers, patch=patch)
    assert furthest(evening) <= 0.5
    assert not evening.follower.report(seconds)["reed"]["sure"]


def test_a_slave_that_shows_no_moves_is_left_alone_and_said():
    evening = one_voice(120.0, numbers=True, patch=Locked(0.8))
    report = evening.follower.report(120.0)["reed"]
    assert furthest(evening) <= 0.5
    assert "does not show its moves" in report["why"] and not report["followable"]


def test_swapped_cables_in_unison_do_not_wind_up():
    voices = [
        EveningVoice("reed", shows="horn", reference_cents=6500.0),
        EveningVoice("horn", shows="reed", reference_cents=6500.0),
    ]
    drift = CaseDrift(
        {"reed": DriftOfVoice(1.0), "horn": DriftOfVoice(-0.6)}, swing_kelvin=4.0, swing_s=1600.0
    )
    evening = VirtualEvening(voices, drift, numbers=True)
    tune = melody(0, KEYS["reed"], 1.0, 400.0, 5)
    events = [
        (at_s, type(m)(channel, *(getattr(m, f) for f in m.__slots__[1:])))
        for at_s, m in tune
        for channel in (0, 1)
    ]
    evening.run(events, 400.0)
    assert furthest(evening) <= 0.5


@pytest.mark.parametrize("cents", [2.0, -4.0, 20.0])
def test_a_knob_is_shown_within_five_notes_and_not_chased(cents):
    evening = one_voice(200.0, numbers=True, knobs={"reed": [(120.0, cents)]})
    report = evening.follower.report(200.0)["reed"]
    assert report["knob_cents"] == pytest.approx(cents, abs=0.4)
    assert abs(report["taken_out_cents"]) < 0.6
    said_s = next(at_s for at_s, line in evening.lines if "no drift does" in line)
    assert said_s < 127.0


def test_here_keeps_a_knob_and_back_takes_it_out():
    for act, expected in (("here", 0.0), ("back", 4.0)):
        evening = one_voice(160.0, numbers=True, knobs={"reed": [(100.0, 4.0)]})
        evening.follower.ask("reed", act, evening.now_s)
        evening.run([e for e in melody(0, KEYS["reed"], 1.0, 260.0, 6) if e[0] > 160.0], 260.0)
        report = evening.follower.report(260.0)["reed"]
        assert report["knob_cents"] is None
        assert report["taken_out_cents"] + (
            0 if act == "here" else evening.follower._voices["reed"].hand.by_hand_cents
        ) == pytest.approx(expected, abs=0.7)


def test_a_voice_alone_is_moved_by_five_cents_in_ten_minutes_at_most():
    drift = CaseDrift({"reed": DriftOfVoice(1.0)}, swing_kelvin=14.0, swing_s=1700.0)
    evening = VirtualEvening([EveningVoice("reed", reference_cents=6500.0)], drift, numbers=True)
    evening.run(melody(0, KEYS["reed"], 1.0, 420.0, 5), 420.0)
    offsets = [move.offset_cents for _, move in evening.moves]
    assert 4.0 < max(offsets) <= MOVED_WINDOW_CENTS


def test_off_is_still_and_on_begins_anew():
    evening = one_voice(60.0, numbers=True, loading=1.0)
    evening.follower.ask("reed", "off", 60.0)
    before = len(evening.moves)
    evening.run([e for e in melody(0, KEYS["reed"], 1.0, 90.0, 6) if e[0] > 60.0], 90.0)
    assert len(evening.moves) == before
    assert evening.follower.report(90.0)["reed"]["why"] == "off"
    evening.follower.ask("reed", "on", 90.0)
    evening.run([e for e in melody(0, KEYS["reed"], 1.0, 120.0, 7) if e[0] > 90.0], 120.0)
    assert evening.follower.report(120.0)["reed"]["readings"] > 5


def test_a_sounding_note_is_moved_slowly():
    """The engine moves it by bend, half a cent at a time, at most a cent a second."""
    evening = one_voice(100.0, numbers=True, loading=1.0)
    steps = [move.sounding_cents for _, move in evening.moves]
    assert max(map(abs, steps)) <= 0.5
    evening.run([(101.0, commands.TriggerNow())], 102.0)


def test_a_resting_voice_is_moved_by_what_the_others_show_once_that_is_learned():
    voices = {
        "reed": DriftOfVoice(1.0, 0.0, 0.3, own_period_s=2600.0),
        "horn": DriftOfVoice(0.7, 0.0, 0.3, own_period_s=2600.0, own_phase=0.3),
        "glass": DriftOfVoice(1.5, 0.0, 0.3, own_period_s=2600.0, own_phase=0.6),
    }
    drift = CaseDrift(voices, swing_kelvin=4.0, swing_s=2000.0)
    evening = VirtualEvening(
        [EveningVoice(name, reference_cents=REFERENCES[name]) for name in KEYS], drift, numbers=True
    )
    play_s, rest_s = 660.0, 300.0
    events = [
        (at_s, m)
        for at_s, m in playing(play_s + rest_s + 20.0)
        if m.channel != 0 or not play_s < at_s < play_s + rest_s
    ]
    evening.run(events, play_s + rest_s)
    assert evening.follower.report(evening.now_s)["reed"]["loading"] > 0.5
    moved = drift.cents("reed", play_s + rest_s) - drift.cents("reed", play_s)
    left = drift.cents("reed", play_s + rest_s) - taken_out(evening)
    assert abs(left) < 2.0 < abs(moved) + 1.0


def test_a_touch_up_by_hand_starts_a_voice_anew():
    evening = one_voice(60.0, numbers=True, loading=1.0)
    follower = evening.follower
    line = follower.picker.newest("reed")
    assert not follower.touched_anew(line)
    assert follower.touched_anew(replace(line, touched_at_s=99.0))
    follower.in_force("reed", 60.0, (3.0, 0.0, 6000.0), (3.0, 0.0, 6000.0))
    report = follower.report(60.0)["reed"]
    assert (report["readings"], report["taken_out_cents"]) == (0, 0.0)
    assert any("starts anew" in line for line in follower.lines(60.0))


@pytest.mark.parametrize("place_cents", [0.05, 0.5, 0.9])
def test_an_oscillator_of_whole_cents_is_never_off_by_two(place_cents):
    patch = WholeCents(place_cents)
    voice = EveningVoice("reed", reference_cents=6500.0, patch=patch)
    drift = CaseDrift({"reed": DriftOfVoice(1.0)}, swing_kelvin=5.0, swing_s=1500.0)
    evening = VirtualEvening([voice], drift, numbers=True, read_sigma_cents=0.004)
    off = []

    def each(now_s):
        error = evening.error_cents("reed", now_s)
        if error is not None:
            off.append(np.floor(error + place_cents))

    evening.run(melody(0, KEYS["reed"], 1.0, 240.0, 5), 240.0, each)
    assert np.abs(off).max() <= 1.0
    assert abs(drift.cents("reed", 240.0)) > 3.5
    assert evening.follower.report(240.0)["reed"]["followable"]


@pytest.mark.parametrize("touched_at_s", [0.0, 5.0])
def test_a_knob_survives_a_restart_of_follow_but_no_touch_up(touched_at_s):
    """What ``--here`` has kept is not chased by the next process."""
    facts = FollowedVoice(
        "reed", "in", reference_cents=6500.0, knob=KeptKnob(touched_at_s, 4.0, None)
    )
    follower = Follower([facts], 0.0)
    line = ExpectedPitch(0.5, "reed", 6500.0, 6500.0, 6500.0, gate=True)
    follower.hear(line)
    for k in range(9):
        stretch = Stretch("reed", "in", 1.0 + k, 0.3, replace(line, at_s=0.5 + k), 0.5, 0.0)
        follower.take_cents(stretch, 6504.0, 0.02)
    kept = touched_at_s == 0.0
    assert follower.report(10.0)["reed"]["here_cents"] == (4.0 if kept else 0.0)
    expected = 0.0 if kept else 4.0
    assert follower.report(10.0)["reed"]["drift_cents"] == pytest.approx(expected, abs=0.3)


class ClippedEvening(VirtualEvening):
    def sound(self, source, stretch):
        return np.clip(9.0 * super().sound(source, stretch), -1.0, 1.0)


def drums(at_s):
    """Noise bursts and a bass drum."""
    rng = np.random.default_rng(int(at_s[0] * 1000))
    snare = np.exp(-((4.0 * at_s) % 1.0) / 0.2) * rng.standard_normal(at_s.size)
    return 0.4 * snare + 0.5 * np.sin(345.0 * at_s) * np.exp(-((2.0 * at_s) % 1.0) / 0.2)


def bad_evening(kind, **more):
    names = tuple(KEYS) if more.pop("together", False) else ("reed",)
    source = "in" if len(names) > 1 else ""
    voices = [EveningVoice(name, source, reference_cents=6500.0) for name in names]
    evening = kind(voices, CaseDrift({name: DriftOfVoice(0.0) for name in names}), **more)
    evening.run(playing(75.0, names), 75.0)
    return evening


def test_an_input_that_holds_all_voices_is_not_read_and_says_so_once_a_minute():
    evening = bad_evening(VirtualEvening, together=True)
    assert not evening.moves
    for name in KEYS:
        assert evening.follower.report(75.0)[name]["why"] == "second voice on the input"
        said = [line for _, line in evening.lines if line.startswith(name)]
        assert said == [f"{name}: not read for a minute: second voice on the input"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "more", "refused"),
    [
        (ClippedEvening, {}, "overload"),
        (VirtualEvening, {"noise": drums}, "two_pitches"),
        (VirtualEvening, {"delay_s": 0.2, "knows_delay": False}, ""),
    ],
    ids=["clipped", "drums", "200 ms late"],
)
def test_bad_inputs_make_no_false_move_and_are_refused_by_name(kind, more, refused):
    evening = bad_evening(kind, **more)
    assert furthest(evening) <= 0.5
    report = evening.follower.report(75.0)["reed"]
    most = max(report["refused"], key=report["refused"].get, default="")
    assert most == refused
    said = [line for _, line in evening.lines if "not read for a minute" in line]
    assert said == (["reed: not read for a minute: overload"] if refused == "overload" else [])


@pytest.mark.slow
def test_an_hour_each_of_what_must_move_nothing(capsys):
    """With parameters on which no threshold was set; ``bench/follow.py held`` prints the same."""
    from bench.follow import HELD_OUT, still

    assert still(60.0, sounds=HELD_OUT, seed=11, numbers=True), capsys.readouterr().out
