"""What follow believes of a voice, in the words of the console."""

import pytest

from zerobeat.console.voice_rows import followed_words

READ = {"drift_cents": 2.04, "rate_cents_per_min": -0.31, "age_s": 3.2, "sure": True, "why": ""}


@pytest.mark.parametrize(
    ("follow", "said"),
    [
        (None, []),
        ({"drift_cents": None, "why": "silent"}, ["not followed: silent"]),
        (READ, ["follow +2.0 ct -0.3/min, 3 s ago"]),
        ({**READ, "sure": False, "why": "moving"}, ["follow +2.0 ct -0.3/min, 3 s ago: moving"]),
        ({**READ, "knob_cents": -4.0}, ["knob turned -4.0 ct"]),
    ],
)
def test_it_is_said_with_drift_rate_age_and_why_not(follow, said):
    assert followed_words(follow) == said
