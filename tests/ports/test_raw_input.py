"""Raw input for clients: bounded in lines, messages and bytes, whatever arrives (M11)."""

from __future__ import annotations

from zerobeat.ports.raw_input import BATCH_S, LONGEST_BYTES, MOST_MESSAGES, RawInputBatch


def test_a_flood_is_told_in_part_and_the_rest_is_counted():
    listening = RawInputBatch()
    told = []
    for number in range(10_000):  # two seconds of 5,000 a second
        now_s = number / 5000.0
        listening.add(now_s, "feet", [0xB0, 7, number % 128])
        line = listening.take(now_s)
        told += [] if line is None else [line]
    assert len(told) <= 2.0 / BATCH_S
    assert all(len(line["heard"]) <= MOST_MESSAGES for line in told)
    waiting = listening.take(9.0)
    told += [] if waiting is None else [waiting]
    assert sum(len(line["heard"]) + line["lost"] for line in told) == 10_000


def test_clock_and_sensing_are_left_out_and_a_long_message_is_cut():
    listening = RawInputBatch()
    for content in ([0xF8], [0xFE], [0xF0, *range(100), 0xF7]):
        listening.add(1.0, "feet", content)
    assert listening.take(1.0) is None
    line = listening.take(1.0 + BATCH_S)
    assert [len(heard["bytes"]) for heard in line["heard"]] == [LONGEST_BYTES]
    assert listening.due_s is None
