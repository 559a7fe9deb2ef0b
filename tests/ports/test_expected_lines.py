"""The stream expected: bounded, the oldest lines lost first, and said (design: Follow)."""

from zerobeat.ports.expected_lines import MOST_EXPECTED, MOST_IN_BATCH, ExpectedLines


def test_lines_go_in_batches_of_a_bounded_size():
    lines = ExpectedLines(0.0)
    assert lines.restart and lines.take(1.0) is None
    for number in range(100):
        lines.add({"n": number}, 1.0)
    first = lines.take(1.0)
    assert [line["n"] for line in first["expected"]] == list(range(MOST_IN_BATCH))
    assert lines.take(1.01) is None  # not so soon
    assert [line["n"] for line in lines.take(1.05)["expected"]] == list(range(MOST_IN_BATCH, 100))
    assert lines.due_s is None


def test_a_reader_that_falls_behind_loses_the_oldest_is_told_and_gets_every_voice_again():
    lines = ExpectedLines(0.0)
    lines.restart = False
    for number in range(MOST_EXPECTED + 7):
        lines.add({"n": number}, 1.0)
    batch = lines.take(1.0)
    assert batch["lost"] == 7 and batch["expected"][0] == {"n": 7}
    assert lines.restart
    assert lines.take(1.05)["lost"] == 0


def test_what_the_player_asks_and_who_wants_the_inputs_go_with_it():
    lines = ExpectedLines(0.0)
    lines.ask({"voice": "reed", "act": "here"}, 1.0)
    lines.say_inputs("wanted", 1.0)
    batch = lines.take(1.0)
    assert (batch["asked"], batch["inputs"]) == ([{"voice": "reed", "act": "here"}], "wanted")
    lines.say_inputs("wanted", 2.0)
    assert lines.due_s is None
