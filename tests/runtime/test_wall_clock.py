"""A wall clock that is set is noticed and told (requirement M13)."""

from zerobeat.runtime.wall_clock import WallClock


def test_a_day_either_way_is_told_once():
    clock = WallClock(10.0, 1000.0)
    assert clock.check(12.0, 1002.0) == ""
    assert clock.check(14.0, 87404.0) == "the clock was set on by 86400 s; notes are not affected"
    assert clock.check(16.0, 87406.0) == ""
    assert "back by 86400 s" in clock.check(18.0, 1008.0)
    assert clock.steps == 2


def test_small_corrections_and_looks_in_a_row_are_nothing():
    clock = WallClock(0.0, 0.0)
    wall_s = 0.0
    for second in range(1, 100):
        wall_s += 1.02  # corrected by 20 ms a second
        assert clock.check(float(second), wall_s) == ""
    assert clock.check(99.1, 5000.0) == ""  # looked just now
    assert clock.steps == 0
