"""The table that ends measure --all and soundcheck fits a terminal of 24 lines."""

from __future__ import annotations

import pytest

from zerobeat.calibration.closing_table import READY, ClosingRow, checked_row, closing_lines
from zerobeat.calibration.soundcheck import SoundcheckFindings, verdict_of

LONG = "102 cents sharp: lower its panel tuning, then measure again; read more notes"


def test_a_row_a_voice_with_the_worst_before_and_now_and_what_to_do() -> None:
    rows = [
        ClosingRow("reed", 24.14, 0.31, 0.42),
        ClosingRow("horn", 102.0, 1.6, 1.25, LONG),
        ClosingRow("glass", None, None, None, "nothing is sounding; check the cable"),
    ]
    lines = closing_lines(rows)
    assert lines[0] == "voice       before      now known to  what to do"
    assert lines[1] == "reed       24.1 ct   0.3 ct   0.4 ct  ready"
    assert lines[2].startswith("horn      102.0 ct   1.6 ct   1.2 ct  102 cents sharp: lower its")
    assert " ".join(" ".join(lines[2:4]).split()).endswith(LONG)
    assert lines[4] == "glass            -        -        -  nothing is sounding; check the cable"


@pytest.mark.parametrize("count", [1, 8, 16, 22, 23, 60])
def test_it_fits_and_no_voice_with_something_to_do_is_left_out_for_one_without(count: int) -> None:
    rows = [
        ClosingRow(f"voice{n}", 5.0, 0.2, 0.4, LONG if n % 4 == 0 else READY) for n in range(count)
    ]
    lines = closing_lines(rows)
    assert len(lines) <= 23 and max(map(len, lines)) <= 79
    shown = {line.split()[0] for line in lines[1:]}
    urgent = {row.voice for row in rows if row.to_do != READY}
    assert urgent <= shown or len(urgent) > 21


def test_a_soundcheck_ends_with_what_to_do() -> None:
    found = SoundcheckFindings("reed", follows=True, check_cents=0.2, unmeasured=True)
    row = checked_row(found, verdict_of(found), 1.5)
    assert row == ClosingRow("reed", 1.5, 0.2, None, "ready, played raw: measure it")
    bad = SoundcheckFindings("reed", answers="horn")
    row = checked_row(bad, verdict_of(bad), None)
    assert row.to_do == "the voice horn answers on this input: swap the two cables"
