"""The needle of tune and trim: words, place on the line, large letters, over the socket."""

from __future__ import annotations

import io

import pytest

from kit.control_socket import ControlSocketHarness
from zerobeat.client.daemon_client import Client
from zerobeat.console.live_line import LiveLine
from zerobeat.console.needle import NeedleDisplay, needle_line, needle_lines, needle_of


@pytest.mark.parametrize(
    ("off_cents", "where", "turn"),
    [
        (0.0, "there", ""),
        (-2.0, "there", ""),
        (2.1, "near", "down"),
        (-50.0, "near", "up"),
        (50.1, "far", "down"),
        (-2400.0, "far", "up"),
    ],
)
def test_far_near_there_and_which_way(off_cents: float, where: str, turn: str) -> None:
    needle = needle_of("reed", off_cents, 2.0)
    assert (needle.where, needle.turn) == (where, turn)


def test_the_place_on_the_line_goes_with_the_error() -> None:
    places = []
    for cents in (-5000.0, -600.0, -50.0, -3.0, 0.0, 3.0, 50.0, 600.0, 5000.0):
        line = needle_line(needle_of("reed", cents, 2.0), 79)
        assert line.startswith("flat ") and line.endswith(" sharp") and len(line) <= 79
        places.append(line.index("#"))
    assert places == sorted(places) and len(set(places)) == 7  # both ends are ends
    assert places[4] == (places[0] + places[-1]) // 2
    assert "|" not in needle_line(needle_of("reed", 1.0, 2.0), 79)  # it stands on the middle
    assert needle_line(needle_of("reed", 1.0, 2.0), 10) == ""


@pytest.mark.parametrize("columns", [39, 59, 79])
def test_the_word_is_large_and_fits(columns: int) -> None:
    lines = needle_lines(needle_of("reed", -81.0, 2.0), columns)
    assert len(lines) == 10 and max(map(len, lines)) <= columns
    assert sum(line.count("#") for line in lines[:5]) > 30
    assert lines[-1] == "reed: far"


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("term", "large"), [("xterm", True), ("dumb", False)])
def test_where_no_cursor_moves_it_is_one_line(
    monkeypatch: pytest.MonkeyPatch, term: str, large: bool
) -> None:
    monkeypatch.setenv("TERM", term)
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("COLUMNS", "80")
    out = Screen()
    display = NeedleDisplay(LiveLine(out), out=out)
    for cents in (-81.0, -3.0):
        display.show(needle_of("reed", cents, 2.0), f"reed: {-cents} cents flat: tune it up")
    assert ("\x1b[11A" in out.getvalue()) == large
    assert "3.0 cents flat: tune it up" in out.getvalue()


def test_other_displays_see_the_needle_while_the_client_measures(tmp_path) -> None:
    with ControlSocketHarness(tmp_path) as desk:
        desk.more = {"needle": {"voice": "reed", "off_cents": -81.0, "where": "far", "turn": "up"}}
        shown = desk.run("status", "--large", "--once", COLUMNS="80").stdout
        assert shown.count("#") > 40 and "reed: far" in shown
        control = desk.control
        assert control is not None
        with Client(tmp_path / "control") as client:
            client.send("needle", voice="reed", off_cents=1.0, where="near", turn="down")
            answers: list[dict] = []

            def answered() -> bool:
                client.hear()
                answers.extend(client.answers())
                return bool(answers)

            client._link.setblocking(False)
            desk.turn()
            desk.until(lambda: _quietly(answered))
        assert answers[0]["error"] == "needle: allowed for the client that measures"


def _quietly(read) -> bool:
    try:
        return read()
    except (BlockingIOError, OSError):
        return False
