"""How much is taken out, and when (design: Follow)."""

import pytest

from zerobeat.follow.hand import FollowHand, FollowLimits, is_sure, sounding_step


def test_unsure_means_still():
    assert not is_sure(0.2, 0.01)
    assert not is_sure(0.6, 0.5)
    assert is_sure(0.6, 0.1)


def test_a_sounding_note_is_moved_only_beyond_its_steps_and_slowly():
    assert sounding_step(0.8, 0.05, 0.6) == 0.0  # not 1.5 steps
    assert sounding_step(0.95, 0.05, 0.6) == 0.5
    assert sounding_step(-3.0, 0.05, 0.02) == -0.5
    assert sounding_step(0.3, 0.05, 0.02) == pytest.approx(0.3)


def test_five_cents_in_ten_minutes_unless_others_agree():
    hand = FollowHand()
    hand.restart(0.0, 0.0, 0.0)
    assert hand.wanted(1.0, 9.0, True, 15.0, agree=False) == 5.0
    assert hand.wanted(1.0, 9.0, True, 15.0, agree=True) == 9.0
    hand.moved(1.0, 5.0)
    assert hand.wanted(300.0, 9.0, True, 15.0, agree=False) == 5.0
    assert hand.wanted(700.0, 9.0, True, 15.0, agree=False) == 9.0


def test_the_limit_counts_from_what_a_hand_has_set():
    hand = FollowHand()
    hand.restart(0.0, 20.0, 20.0)
    assert hand.wanted(1.0, 60.0, True, 15.0, agree=True) == 35.0
    assert hand.wanted(1.0, -60.0, True, 15.0, agree=True) == 5.0


def test_half_a_cent_until_the_input_has_shown_a_move():
    hand = FollowHand()
    hand.restart(0.0, 2.0, 0.0)
    assert hand.wanted(1.0, 9.0, False, 15.0, agree=True) == pytest.approx(2.45)


def test_warming_has_a_wider_limit():
    limits = FollowLimits(15.0, 50.0, 1800.0)
    assert (limits.at(1799.0), limits.at(1800.0)) == (50.0, 15.0)
