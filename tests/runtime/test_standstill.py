"""A stop of the process or the machine is told from a long wait (S4)."""

import time

from zerobeat.runtime.standstill import Standstill


def test_late_by_more_than_a_second_is_a_standstill_and_a_long_wait_is_none():
    late, waiting, stopped = Standstill(), Standstill(), Standstill()
    late.waits(0.0)
    waiting.waits(2.0)
    stopped.waits(2.0)
    time.sleep(1.55)
    stopped.continued()
    assert late.seconds() > 1.5 and stopped.seconds() > 1.5
    assert waiting.seconds() == 0.0
    assert late.seconds() == stopped.seconds() == 0.0  # told once


def test_a_stage_that_takes_long_is_no_standstill():
    still = Standstill()
    still.waits(0.0)
    assert still.seconds() == 0.0
    time.sleep(1.55)
    still.waits(0.5)
    assert still.seconds() == 0.0
