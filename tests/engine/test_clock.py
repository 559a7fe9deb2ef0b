"""MIDI clock: position, tempo, lost ticks.

Figures: MIDI 1.0 Detailed Specification 4.2.1, pp. 27 to 31.
"""

from __future__ import annotations

import random
from itertools import accumulate

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.engine.clock import LOST_S, Clock, beat_ticks
from zerobeat.engine.hold import ticks_of
from zerobeat.engine.settings import Scene, Trigger
from zerobeat.midi import CONTINUE, START, STOP, parse

# tempo in quarter notes a minute, milliseconds between clocks (p. 30: 24 a quarter note)
TEMPOS = [(60, 41.6667), (120, 20.8333), (140, 17.8571), (240, 10.4167)]


class Sequencer:
    """Sends a clock its ticks, one ``gap_s`` after the other."""

    def __init__(self, gap_s: float = 0.02, ticks: int = 0) -> None:
        self.clock = Clock()
        self.now_s = 100.0
        self.gap_s = gap_s
        self.come: list[int] = []
        self.clock.transport(START, self.now_s)
        self.tick(ticks)

    def tick(self, count: int = 1, gap_s: float | None = None) -> list[int]:
        come: list[int] = []
        for _ in range(count):
            self.now_s += self.gap_s if gap_s is None else gap_s
            come += self.clock.tick(self.now_s)
        self.come += come
        return come


@pytest.mark.parametrize(("bpm", "gap_ms"), TEMPOS)
def test_tempo_of_the_published_intervals(bpm, gap_ms):
    sequencer = Sequencer(gap_ms / 1000.0, 30)
    assert sequencer.clock.tempo_bpm == pytest.approx(bpm, rel=0.00005 / gap_ms)


def test_the_first_clock_after_start_is_tick_0():
    sequencer = Sequencer()
    assert sequencer.tick(3) == [0, 1, 2]


def test_clock_before_start_counts_nothing_but_gives_the_tempo():
    clock = Clock()
    assert clock.state == "none"
    assert [list(clock.tick(n / 48.0)) for n in range(10)] == [[]] * 10
    assert clock.state == "stopped"
    assert clock.tempo_bpm == pytest.approx(120.0)


def test_stop_keeps_the_position_and_continue_goes_on_from_it():
    sequencer = Sequencer(ticks=10)
    sequencer.clock.transport(STOP, sequencer.now_s)
    assert sequencer.tick(5) == []
    sequencer.clock.transport(CONTINUE, sequencer.now_s)
    assert sequencer.tick(2) == [10, 11]
    sequencer.clock.transport(START, sequencer.now_s)
    assert sequencer.tick(2) == [0, 1]


@pytest.mark.parametrize("pause_s", [0.0, 0.3, 0.9, 20.0])
def test_a_sequencer_may_send_no_clock_while_it_stands(pause_s):
    sequencer = Sequencer(ticks=50)
    sequencer.clock.transport(STOP, sequencer.now_s)
    sequencer.now_s += pause_s
    sequencer.clock.transport(CONTINUE, sequencer.now_s)
    assert sequencer.tick(60) == list(range(50, 110))
    assert (sequencer.clock.state, sequencer.clock.unsure) == ("running", False)


# p. 27: a unit is six clocks, F2 0A 00 is 60 of them; the others by that rule.
@pytest.mark.parametrize(
    ("content", "tick"), [(b"\xf2\x0a\x00", 60), (b"\xf2\x00\x01", 768), (b"\xf2\x7f\x7f", 98298)]
)
def test_song_position_is_where_the_next_clock_is(content, tick):
    sequencer = Sequencer(ticks=7)
    sequencer.clock.transport(STOP, sequencer.now_s)
    sequencer.clock.transport(parse(content), sequencer.now_s)
    sequencer.clock.transport(CONTINUE, sequencer.now_s)
    assert sequencer.tick(2) == [tick, tick + 1]


# Bars and beats by their time signature, in clocks; 24 a quarter note.
@pytest.mark.parametrize(
    ("signature", "unit", "every", "ticks"),
    [
        ((4, 4), "bar", 1, 96),
        ((3, 4), "bar", 1, 72),
        ((7, 8), "bar", 1, 84),
        ((6, 8), "bar", 2, 144),
        ((4, 4), "beat", 1, 24),
        ((7, 8), "beat", 1, 12),
        ((2, 2), "beat", 3, 144),
        ((5, 16), "bar", 1, 30),
        ((4, 32), "beat", 1, 3),
        ((4, 1), "bar", 1, 384),
    ],
)
def test_ticks_of_a_trigger(signature, unit, every, ticks):
    scene = Scene(beats_in_bar=signature[0], beat_unit=signature[1])
    assert ticks_of(Trigger("clock", every=every, unit=unit), scene) == ticks


def test_ticks_of_a_beat():
    assert [beat_ticks(unit) for unit in (1, 2, 4, 8, 16, 32)] == [96, 48, 24, 12, 6, 3]


# ---------------------------------------------------------------- lost ticks and tempo


@pytest.mark.parametrize("lost", [1, 2, 6])
def test_lost_ticks_are_made_good_three_ticks_later(lost):
    sequencer = Sequencer(ticks=50)
    sequencer.now_s += lost * sequencer.gap_s
    assert sequencer.tick(3) == [50, 51, 52]
    assert sequencer.tick() == list(range(53, 54 + lost))
    assert sequencer.tick(2) == [54 + lost, 55 + lost]


def test_more_lost_ticks_than_that_are_rather_a_clock_that_stood_still():
    sequencer = Sequencer(ticks=50)
    sequencer.now_s += 7 * sequencer.gap_s
    assert sequencer.tick(10) == list(range(50, 60))
    assert sequencer.clock.unsure


def test_a_clock_that_stood_still_goes_on_where_it_was_and_is_unsure():
    """Some sequencers hold their clock back without a Stop."""
    sequencer = Sequencer(ticks=50)
    sequencer.now_s += 0.6
    assert sequencer.tick(30) == list(range(50, 80))
    assert sequencer.clock.unsure


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7, 0.9, 1.1, 1.4, 1.5, 1.6, 2.0, 3.0, 4.0])
def test_another_tempo_loses_and_adds_no_tick(share):
    sequencer = Sequencer(ticks=50)
    sequencer.tick(100, share * sequencer.gap_s)
    assert sequencer.come == list(range(150))
    assert sequencer.clock.interval_s == pytest.approx(share * sequencer.gap_s, rel=0.001)


def test_another_tempo_is_known_after_a_few_ticks():
    sequencer = Sequencer(60.0 / 24 / 120, 50)
    sequencer.tick(8, 60.0 / 24 / 90)
    assert sequencer.clock.tempo_bpm == pytest.approx(90.0, rel=0.01)


def test_a_slowing_and_a_rushing_clock_keeps_its_count():
    sequencer = Sequencer(ticks=10)
    for step in range(200):
        sequencer.tick(1, 0.02 * 1.02 ** min(step, 200 - step))
    assert sequencer.come == list(range(210))


@settings(deadline=None, derandomize=True)
@given(
    st.integers(0, 2**32), st.lists(st.tuples(st.integers(8, 250), st.floats(0.0, 0.3)), max_size=4)
)
def test_ticks_that_were_late_and_come_in_a_burst_are_not_lost(seed, stalls):
    """The program or its machine stood still for a while; then all that waited comes at once."""
    dice = random.Random(seed)
    clock = Clock()
    clock.transport(START, 0.0)
    come: list[int] = []
    now_s = 0.0
    for number in range(300):
        due_s = 10.0 + 0.02 * (number + dice.uniform(-0.1, 0.1))
        for tick, stall_s in stalls:
            if 0 <= due_s - 10.0 - 0.02 * tick < stall_s:
                due_s = 10.0 + 0.02 * tick + stall_s
        now_s = max(now_s + 0.0001, due_s)
        come += clock.tick(now_s)
    assert come == list(range(300))


@settings(deadline=None, derandomize=True)
@given(st.integers(0, 2**32), st.floats(40.0, 240.0))
def test_jitter_of_a_seventh_of_a_tick_adds_and_loses_nothing(seed, bpm):
    """A tick each way by up to 15 % of its interval: at 120, 3 ms, more than USB's 1 ms."""
    dice = random.Random(seed)
    gap_s = 60.0 / bpm / 24
    clock = Clock()
    clock.transport(START, 0.0)
    come: list[int] = []
    for number in range(300):
        come += clock.tick(10.0 + gap_s * (number + dice.uniform(-0.15, 0.15)))
    assert come == list(range(300))
    assert clock.tempo_bpm == pytest.approx(bpm, rel=0.25)


@pytest.mark.parametrize("seed", range(10))
def test_tempo_is_right_within_a_beat_a_minute_at_two_milliseconds_of_jitter(seed):
    dice = random.Random(seed)
    clock = Clock()
    for number in range(200):
        clock.tick(number * 60.0 / 120 / 24 + dice.uniform(-0.002, 0.002))
        if number > 30:
            assert clock.tempo_bpm == pytest.approx(120.0, abs=1.0)


@pytest.mark.parametrize("seed", range(40))
def test_a_busy_machine_that_hears_many_ticks_late_counts_each_once(seed):
    """One in five up to two ticks late, as on two cores with a load of eight.

    Of 1500 such runs two counted a tick too many.
    """
    dice = random.Random(seed)
    clock = Clock()
    clock.transport(START, 0.0)
    come: list[int] = []
    now_s = 0.0
    for number in range(500):
        late_s = dice.uniform(0.0, 0.04) if dice.random() < 0.2 else dice.uniform(0.0, 0.002)
        now_s = max(now_s + 0.00002, 10.0 + 0.02 * number + late_s)
        come += clock.tick(now_s)
    assert come == list(range(500))
    assert clock.tempo_bpm == pytest.approx(125.0, rel=0.25)


@settings(deadline=None, derandomize=True)
@given(st.integers(0, 2**32), st.integers(30, 50), st.lists(st.integers(5, 60), max_size=4))
def test_lost_ticks_among_jitter_leave_the_position_right(seed, first, apart):
    """Five or more apart."""
    lost = set(accumulate((first, *apart)))
    dice = random.Random(seed)
    clock = Clock()
    clock.transport(START, 0.0)
    for number in range(300):
        if number not in lost:
            clock.tick(10.0 + 0.02 * (number + dice.uniform(-0.1, 0.1)))
    assert clock.next_tick == 300


# ---------------------------------------------------------------- a clock that stops coming


def test_a_clock_that_stops_coming_is_lost_and_then_unsure():
    sequencer = Sequencer(ticks=50)
    clock = sequencer.clock
    assert clock.lost_at_s == pytest.approx(sequencer.now_s + LOST_S)
    clock.lose()
    assert (clock.state, clock.tempo_bpm, clock.lost_at_s) == ("lost", None, None)
    sequencer.now_s += 3.0
    assert sequencer.tick(2) == [50, 51]
    assert (clock.state, clock.unsure) == ("running", True)
    clock.transport(START, sequencer.now_s)
    assert not clock.unsure


def test_a_clock_that_was_stopped_is_not_lost():
    sequencer = Sequencer(ticks=50)
    sequencer.clock.transport(STOP, sequencer.now_s)
    assert sequencer.clock.lost_at_s is None
    sequencer.clock.lose()
    assert sequencer.clock.state == "stopped"


def test_a_start_that_no_clock_follows_is_lost():
    clock = Clock()
    clock.transport(START, 5.0)
    assert clock.state == "running"
    assert clock.lost_at_s == pytest.approx(5.0 + LOST_S)


# ---------------------------------------------------------------- what is due


def test_the_next_tick_that_is_due():
    sequencer = Sequencer()
    clock = sequencer.clock
    assert clock.due_tick([96]) == 0
    sequencer.tick(1)
    assert clock.due_tick([96]) == 96
    assert clock.due_tick([96, 24]) == 24
    assert clock.due_tick([]) is None
    sequencer.tick(96)
    assert clock.due_tick([96]) == 192


def test_a_tick_is_near_by_the_tempo():
    sequencer = Sequencer(0.02, 90)
    due_s = sequencer.now_s + 7 * 0.02  # tick 96; 89 was the last
    clock = sequencer.clock
    for early_s, near in [
        (0.026, False),
        (0.024, True),
        (0.0, True),
        (-0.019, True),
        (-0.021, False),
    ]:
        assert clock.is_due_within(96, due_s - early_s, 0.025) is near
    clock.transport(STOP, sequencer.now_s)
    assert not clock.is_due_within(96, due_s, 0.025)
