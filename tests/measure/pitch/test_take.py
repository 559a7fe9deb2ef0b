"""Requests, takes, and the loop that runs a plan."""

import pytest

from zerobeat.errors import MeasureError
from zerobeat.measure.curve.fit_result import Aim
from zerobeat.measure.curve.plan import MeasuringPlan
from zerobeat.measure.pitch.reader import Pitch
from zerobeat.measure.pitch.take import (
    MOST_REFUSED,
    Progress,
    Take,
    TakeRequest,
    run_plan,
    take_seconds,
)
from zerobeat.tuning.units import pitch_to_hertz


def pitch_at(cents, sigma_cents=0.01):
    return Pitch(pitch_to_hertz(cents), sigma_cents, -20.0, 0.0, 0.0, 10, 0.0)


class RefusingListener:
    """Refuses every take."""

    def __init__(self):
        self.asked = 0

    def listen(self, request):
        self.asked += 1
        return Take(request, None, "silent", float(self.asked))


def test_a_voice_that_does_not_answer_stops_the_run_with_one_line():
    listener = RefusingListener()
    with pytest.raises(MeasureError, match=r"reed: found 4 takes in a row .* silent") as found:
        run_plan(MeasuringPlan(Aim("reed", 36, 84)), listener)
    assert listener.asked == MOST_REFUSED
    assert "\n" not in str(found.value)


def test_commanded_and_sounding_pitch_of_a_take():
    request = TakeRequest("reed", 60, -25.0)
    assert request.commanded_cents == 5975.0
    assert Take(request, pitch_at(5990.0)).sounding_cents == pytest.approx(5990.0, abs=1e-9)


@pytest.mark.parametrize(
    ("cents", "sigma_at_1s", "seconds"),
    [(6900.0, None, 0.5), (1200.0, None, 20 / 16.3516), (6900.0, 0.8, 4.0), (6900.0, 0.1, 1.0)],
)
def test_takes_are_long_enough_for_note_and_tolerance(cents, sigma_at_1s, seconds):
    assert take_seconds(cents, 0.5, sigma_at_1s) == pytest.approx(seconds, rel=1e-4)


def test_progress_fits_a_terminal():
    line = Progress("a-voice-with-a-long-name", 23, 2, 12.0, 0.81, 0.5, "bend range").line()
    assert len(line) <= 79
    assert "2 refused" in line
