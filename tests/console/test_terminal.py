"""The console in a real pseudo-terminal, read by a terminal emulator (requirements T1 to T9)."""

import contextlib
import os
import re
import signal
import termios
import time
from pathlib import Path

import pytest

from kit.control_socket import SINCE_S, ControlSocketHarness
from zerobeat.client.daemon_client import Client
from zerobeat.console.cells import clean, fit, wrap_cells
from zerobeat.console.large import large_lines
from zerobeat.console.screen import screen_lines
from zerobeat.engine import commands
from zerobeat.engine.plain_status import plain
from zerobeat.engine.settings import TouchUp
from zerobeat.midi import CLOCK, NoteOn, PitchBend
from zerobeat.ports.roles import STREAM_SEATS

NOW_S = SINCE_S + 100_000.0
SCREENS = Path(__file__).parent / "screens"


@pytest.fixture
def desk(tmp_path):
    with ControlSocketHarness(tmp_path) as running:
        yield running


def evening(desk):
    """A chord of troubles: a converter lost, a wheel too far, a change and a scene that wait."""
    case = desk.case
    case.hear(commands.ChangeTonight(442.0, 2), "")
    case.hear(commands.SetTouchUp("horn", TouchUp(1.5, 0.0)), "")
    case.hear(commands.Bypass("glass", True), "")
    case.hear(commands.Mute("bass", True), "")
    case.hear(NoteOn(0, 60, 100))
    case.hear(PitchBend(0, 8191))
    case.hear(CLOCK, "feet")
    case.hear(commands.ChangeVoice("reed", (("detune_cents", 3.5),)), "")
    case.hear(commands.RecallScene("drone"), "")
    case.hear(commands.OutputLost("octo"), "")
    desk.states |= {"octo": "missing", "steps": "missing"}
    desk.more = {
        "latency": {"median_ms": 0.2, "p99_ms": 0.43, "most_ms": 1.1},
        "last_faults": [{"at_s": SINCE_S + 61.0, "text": "KeyError: 60"}],
        "store": {
            "directory": "/var/lib/zerobeat",
            "fault": "/var/lib/zerobeat/session.json: not stored: read-only file system; make "
            "it so",
        },
    }


def everything_wrong(desk):
    """The same evening in a case of eight voices, each of them wrong in another way."""
    evening(desk)
    desk.case.hear(commands.Bypass("floor", True), "")
    picture = desk.picture()
    reed, horn, glass, bass, floor = (dict(voice) for voice in picture["voices"])
    horn |= {"wheel_clamped": False, "waits": "trigger", "touch_up": touched_up(600.0)}
    glass |= {"still_acts": ("touch-up", "panel octaves"), "wheel_clamped": False}
    floor |= {"touch_up": touched_up(90_000.0)}
    well = horn | {"waits": "", "wanted": (), "touch_up": touched_up(0.0), "bend_used": 0.04}
    wind = well | {"name": "wind", "unusable": "readings scatter by 12.5 cents"}
    drum = well | {"name": "drum", "out_of_reach": True, "key": None, "stale": "panel octaves"}
    last = well | {"name": "rumbling-oscillator", "extrapolated": True, "solo": True}
    desk.more |= {
        "voices": [reed, horn, glass, bass, floor, wind, drum, last],
        "foot": "feet: store refused: the stage lock is on; zerobeat store does it",
        "foot_refused": True,
        "muted": ["steps"],
        "clock": {
            "input": "steps",
            "state": "lost",
            "bar": 12,
            "beat": 3,
            "unsure": True,
            "tempo_bpm": 118.0,
            "beats_left": None,
            "due": None,
            "keys_land": True,
        },
        "reload": "rig.yaml:12: voices.reed.gate: found off; allowed: closes, ignored\n"
        "reload: the rig in force is unchanged",
        "real_time": "real time: refused (limits.conf); notes may come late",
        "faults": 3,
    }


def touched_up(passed_s):
    cents = 1.5 if passed_s else 0.0
    return {"offset_cents": cents, "stretch_cents": 0.0, "at_s": NOW_S - passed_s}


SIZES = [(80, 24), (60, 20), (40, 12)]


@pytest.mark.parametrize(("columns", "rows"), SIZES)
@pytest.mark.parametrize("state", ["evening", "wrong", "large"])
def test_all_vital_facts_stand_on_the_screen(desk, request, columns, rows, state):
    """T5; whoever rewrites a screen reads it first."""
    (everything_wrong if state == "wrong" else evening)(desk)
    golden = SCREENS / f"{state}-{columns}x{rows}.txt"
    options = ("--large",) if state == "large" else ()
    with desk.console("status", *options, columns=columns, rows=rows) as console:
        desk.until(lambda: "reed" in console.text() or (options and "##" in console.text()))
        desk.quiet()
        shown = without_age(console.text().rstrip() + "\n")
    if request.config.getoption("--rewrite-golden"):
        golden.write_text(shown)
    assert shown == golden.read_text()


@pytest.mark.parametrize("plain", [{"TERM": "dumb"}, {"NO_COLOR": "1"}])
def test_the_screen_needs_neither_colour_nor_a_terminal_that_redraws(desk, request, plain):
    everything_wrong(desk)
    (name,) = plain
    golden = SCREENS / f"wrong-{name}.txt"
    shown = without_age(desk.run("status", "--once", COLUMNS="80", **plain).stdout)
    if request.config.getoption("--rewrite-golden"):
        golden.write_text(shown)
    assert shown == golden.read_text()


def test_no_word_is_cut_at_80_by_24_with_everything_wrong(desk):
    everything_wrong(desk)
    lines = [line.text for line in screen_lines(desk.picture(), 79, 24, {}, True, NOW_S)]
    assert len(lines) <= 24 and max(map(len, lines)) <= 79
    cut = [word for line in lines for word in line.split() if word.endswith("..")]
    assert cut == ["rumblin.."]  # a name of nineteen letters, and no word of ours
    for word in ("feet:", "muted", "lost,", "rig.yaml:12:", "KeyError:", "corrected"):
        assert any(word in line for line in lines), word


@pytest.mark.parametrize("width", [4, 7, 20, 79])
def test_text_is_wrapped_between_words_and_nothing_is_lost(width):
    text = "quad is missing since 08:00: /a/very/long/path/of/a/file.yaml \u9234\u9234\u9234 end"
    lines = wrap_cells(text, width)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(sum(2 if c == "\u9234" else 1 for c in line) <= width for line in lines)


def without_age(text):
    """Leave out how long ago a voice was touched up, which goes by the clock of the machine."""
    return re.sub(r"touched up (\d+ \w+ ago|just now)", "touched up 10 min ago", text)


def test_why_a_message_could_not_be_sent_stands_beside_the_count(desk):
    picture = desk.picture()
    octo = next(port for port in picture["ports"] if port["direction"] == "out")
    octo |= {"faults": 3, "last_fault": "the JACK server takes nothing"}
    desk.more = {"ports": picture["ports"]}
    shown = desk.run("status", "--once", COLUMNS="80").stdout
    assert "not sent 3 (the JACK server takes nothing)" in shown


@pytest.mark.parametrize(
    ("outcome", "line"),
    [
        ("reload: the new rig is in force", "reload    the new rig is in force"),
        (
            "rig.yaml:9: gate: found off\nrig.yaml:12: x\nreload: the rig in force is unchanged",
            "reload    refused, the old rig plays: rig.yaml:9: gate: found off",
        ),
        (
            "reload: no such port; the rig in force is unchanged",
            "reload    refused, the old rig plays: no such port",
        ),
        (
            "rig.yaml is broken: playing good.yaml, the last that was not",
            "reload    rig.yaml is broken: playing good.yaml, the last that was not",
        ),
    ],
)
def test_a_reload_says_which_rig_plays_and_the_first_fault(desk, outcome, line):  # C6
    desk.more = {"reload": outcome}
    shown = desk.run("status", "--once", COLUMNS="80").stdout
    assert " ".join(line.split()) in " ".join(shown.split())
    assert "\nreload    " in shown


def test_a_terminal_without_a_size_gets_80_by_24(desk):
    evening(desk)
    with desk.console("status", announce=False) as console:
        desk.until(lambda: "faults" in console.text())
        assert console.text().rstrip() + "\n" == (SCREENS / "evening-80x24.txt").read_text()


def test_once_prints_the_same_without_escapes(desk):
    evening(desk)
    done = desk.run("status", "--once", COLUMNS="80")
    assert (done.returncode, done.stderr) == (0, "")
    assert "\x1b" not in done.stdout
    golden = (SCREENS / "evening-80x24.txt").read_text()
    assert without_cables(done.stdout) == without_cables(golden)


@pytest.mark.parametrize(("choice", "escapes"), [("always", True), ("auto", False)])
def test_once_has_the_colour_that_was_asked_for(desk, choice, escapes):
    evening(desk)
    done = desk.run("status", "--once", "--color", choice, COLUMNS="80")
    assert ("\x1b[1;31m" in done.stdout and "\x1b[1;33m" in done.stdout) == escapes
    plain = re.sub(r"\x1b\[[\d;]*m", "", done.stdout)
    assert plain == desk.run("status", "--once", COLUMNS="80").stdout
    assert not set(plain) & {"\x1b"}


def test_once_in_a_terminal_is_coloured_unless_no_colour_is_wanted(desk):
    evening(desk)
    for more, escapes in (({}, True), ({"NO_COLOR": "1"}, False)):
        with desk.console("status", "--once", **more) as console:
            desk.until(console.ended)
            console.drain()
            assert (b"\x1b[1;31m" in console.raw) == escapes


def test_a_terminal_that_cannot_redraw_gets_one_picture_and_the_reason(desk):
    evening(desk)
    with desk.console("status", TERM="dumb", rows=30) as console:
        desk.until(console.ended)
        console.drain()
        assert "printed once: TERM=dumb names a terminal that can't redraw" in console.text()
        assert "reed" in console.text() and b"\x1b" not in console.raw
        assert console.process.returncode == 0
    # Asked for once, it needs no reason.
    with desk.console("status", "--once", TERM="dumb") as console:
        desk.until(console.ended)
        console.drain()
        assert b"printed once" not in console.raw


def test_nothing_is_written_while_nothing_changes_and_then_only_changed_lines(desk):
    """T1."""
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        quiet = len(console.raw)
        for _ in range(30):
            desk.turn()
        assert len(console.raw) == quiet
        desk.case.hear(commands.Mute("reed", True), "")
        desk.until(lambda: "muted" in console.text())
        written = console.raw[quiet:]
        assert written.count(b"H") == 2  # the voice's line, and that it is muted
        assert b"horn" not in written and len(written) < 160


def without_cables(text):
    """Leave out the load of the cables, which each console works out from two pictures."""
    return [line for line in text.splitlines() if not line.startswith("cables")]


def test_a_slow_line_gets_less_than_a_kilobyte_a_picture(desk):
    """T1: at one picture a second, with every voice on another key each time."""
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        before, written = console.text(), []
        for key in range(50, 60):
            count = len(console.raw)
            desk.case.hear(NoteOn(0, key, 100))
            desk.until(lambda: console.text() != before and desk.quiet())
            written.append(len(console.raw) - count)
            before = console.text()
        assert max(written) < 1000, written
        assert "B3 59" in before
        with desk.console("status") as fresh:  # what was drawn bit by bit is what stands there
            desk.until(lambda: "faults" in fresh.text() and desk.quiet())
            assert without_cables(fresh.text()) == without_cables(console.text())


def test_a_resized_terminal_is_drawn_anew(desk):
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        console.resize(40, 12)
        desk.until(lambda: "\ntogether, 1 of 5" in console.text())


@pytest.mark.parametrize("term", ["linux", "vt100", "vt220"])
def test_plain_terminals_get_ascii_alone(desk, term):
    """T2, T4."""
    desk.more = {"scene": "fl\u00f6te \u266a"}
    with desk.console("status", TERM=term) as console:
        desk.until(lambda: "faults" in console.text())
        assert console.raw.isascii()
        assert "scene fl?te ?" in console.text()


def test_a_locale_without_utf8_gets_ascii_alone(desk):
    desk.more = {"scene": "fl\u00f6te"}
    with desk.console("status", LC_ALL="C") as console:
        desk.until(lambda: "scene fl?te" in console.text())
    assert "scene fl?te" in desk.run("status", "--once", LC_ALL="C").stdout


def test_names_are_text_never_markup_nor_commands_to_the_terminal(desk):
    """T8."""
    desk.more = {"scene": "[red]x[/] \x1b[2J\x07\u202e"}
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        assert "scene [red]x[/] ?[2J??" in console.text()


def test_the_meaning_needs_no_colour(desk):
    """T3: strip every escape, and the words are all there; NO_COLOR leaves no colour."""
    evening(desk)
    with desk.console("status", NO_COLOR="1") as console:
        desk.until(lambda: "faults" in console.text())
        assert b"m" not in {part[-1:] for part in console.raw.split(b"\x1b[")[1:] if part}
        assert b"\x1b[1;31m" not in console.raw
        assert "bend used up, waits for" in console.text()
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        assert b"\x1b[1;31m" in console.raw


ENDS = [
    pytest.param(lambda c: c.type(b"q"), 0, id="q"),
    pytest.param(lambda c: c.type(b"\x03"), 0, id="Ctrl-C"),
    pytest.param(lambda c: c.process.send_signal(signal.SIGTERM), 143, id="SIGTERM"),
    pytest.param(lambda c: c.process.send_signal(signal.SIGHUP), 129, id="SIGHUP"),
]


@pytest.mark.parametrize(("end", "status"), ENDS)
def test_every_end_gives_the_terminal_back(desk, end, status):
    """T6."""
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        assert b"\x1b[?1049h" in console.raw and b"\x1b[?25l" in console.raw
        assert termios.tcgetattr(console.slave) != console.before
        end(console)
        desk.until(console.ended)
        desk.turn()
        assert console.process.returncode == status
        assert console.raw.endswith(b"\x1b[0m\x1b[?1049l\x1b[?25h")
        assert b"\x1b[?100" not in console.raw  # no mouse mode
        assert termios.tcgetattr(console.slave) == console.before


def test_without_the_alternate_screen_the_last_picture_stays(desk):
    with desk.console("status", "--no-alternate-screen") as console:
        desk.until(lambda: "faults" in console.text())
        console.type(b"q")
        desk.until(console.ended)
        desk.turn()
        assert b"1049" not in console.raw
        assert "reed" in console.text()
        assert console.raw.endswith(b"\x1b[?25h")


def test_a_fault_of_its_own_gives_the_terminal_back(desk):
    """T6, exceptions: a picture that makes the console stumble."""
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        desk.more = {"voices": 5}
        desk.until(console.ended)
        desk.turn()
        assert console.process.returncode != 0
        assert b"\x1b[?1049l\x1b[?25h" in console.raw
        assert termios.tcgetattr(console.slave) == console.before


def test_ctrl_z_gives_the_terminal_back_until_continued(desk):
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        console.process.send_signal(signal.SIGTSTP)
        desk.until(lambda: console.raw.endswith(b"\x1b[?25h"))
        desk.until(lambda: Path(f"/proc/{console.process.pid}/stat").read_text().split()[2] == "T")
        assert termios.tcgetattr(console.slave) == console.before
        quiet = len(console.raw)
        console.process.send_signal(signal.SIGCONT)
        desk.until(lambda: b"faults" in console.raw[quiet:])


def test_a_hang_up_ends_it(desk):
    """T7: no console lives on without its terminal."""
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        console.hang_up()
        desk.until(console.ended)


def test_a_stopped_console_never_holds_the_daemon(desk):
    """T7: the daemon goes on serving while a console sleeps."""
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        os.kill(console.process.pid, signal.SIGSTOP)
        for number in range(20):
            desk.case.hear(commands.Mute("reed", number % 2 == 0), "")
            desk.turn()
        assert desk.run("panic").stdout == "every note released\n"
        os.kill(console.process.pid, signal.SIGCONT)


def test_it_waits_for_a_daemon_that_has_gone_and_finds_the_next(desk):
    with desk.console("status") as console:
        desk.until(lambda: "faults" in console.text())
        assert b"\x1b[2m" not in console.raw
        desk.close()
        desk.until(lambda: "no zerobeat plays here now" in console.text())
        # The last picture stays, dimmed, and words say that it is old.
        assert "below: as it was" in console.text() and "reed" in console.text()
        assert console.raw.count(b"\x1b[2m") > 5
        desk.start()
        desk.until(lambda: "scene together" in console.text())


def test_one_that_was_let_go_says_so_and_comes_back_at_a_key(desk):
    with contextlib.ExitStack() as stack:
        first = stack.enter_context(desk.console("status"))
        desk.until(lambda: "reed" in first.text())
        others = [
            stack.enter_context(Client(desk.control.path)) for _ in range(STREAM_SEATS["view"])
        ]
        for other in others:
            other.send("follow", at_most_hz=4)
            desk.turn()
        desk.until(lambda: "another display has this one's place (any key" in first.text())
        assert "reed" in first.text() and b"\x1b[2m" in first.raw
        seen = time.monotonic()
        desk.until(lambda: time.monotonic() - seen > 1.2)  # it does not ask for it by itself
        assert "another display has this one's place" in first.text()
        others[0].close()
        first.type(b" ")
        desk.until(lambda: "another display" not in first.text())
        assert "reed" in first.text()


def test_started_first_it_says_what_it_waits_for(desk):
    """As on a box that shows the status on its own screen from the boot on."""
    desk.close()
    with desk.console("status") as console:
        line = "no zerobeat plays here yet; waiting for: zerobeat run rig.yaml (q ends)"
        desk.until(lambda: console.text().strip() == line)  # and no empty tables
        desk.start()
        desk.until(lambda: "scene together" in console.text())
        assert "waiting for" not in console.text()
        desk.close()
        desk.until(lambda: "no zerobeat plays here now" in console.text())
        console.type(b"q")
        desk.until(console.ended)
        assert console.process.returncode == 0


@pytest.mark.parametrize("option", ["--once", "--json"])
def test_asked_for_once_it_does_not_wait(desk, option):
    desk.close()
    done = desk.run("status", option)
    assert done.returncode == 1
    assert done.stderr.startswith("no zerobeat plays here (socket ")


def test_a_case_too_large_for_the_screen_says_what_it_leaves_out(desk):
    voices = desk.picture()["voices"] * 6
    desk.more = {"voices": [v | {"name": f"v{n}"} for n, v in enumerate(voices)]}
    with desk.console("status") as console:
        desk.until(lambda: "and 12 more voices, without trouble" in console.text())
        assert console.text().startswith("all well")


@pytest.mark.parametrize("width", [1, 2, 3, 5, 9, 30])
def test_names_of_any_script_fit_their_cells(width):
    wide = "\u9234\u9234 bell e\u0301"
    pad = fit(wide, width)
    cells = sum(2 if c == "\u9234" else 0 if c == "\u0301" else 1 for c in pad)
    assert cells == width
    assert clean("a\x1bb\u00e9", True) == "a?b?"


def test_how_long_ago_a_voice_was_touched_up(desk):
    """Told in minutes, hours or days; without a known time only that it was."""
    now_s = SINCE_S + 100_000.0
    shown = plain(desk.case.picture())
    reed = shown["voices"][0]
    for at_s, told in (
        (now_s - 30.0, "touched up just now"),
        (now_s - 60.0, "touched up 1 min ago"),
        (now_s - 7199.0, "touched up 1 h ago"),
        (now_s - 86_400.0, "touched up 1 d ago"),
        (now_s + 60.0, "touched up"),  # a clock that was set back
        (0.0, "touched up"),
    ):
        reed["touch_up"] = {"offset_cents": 1.5, "stretch_cents": 0.0, "at_s": at_s}
        text = " ".join(line.text for line in screen_lines(shown, 79, 24, {}, True, now_s)[5:8])
        assert f" {told} " in text, text


@pytest.mark.parametrize("state", [evening, everything_wrong])
def test_on_every_size_nothing_is_wider_or_longer_than_the_screen(desk, state):
    state(desk)
    shown = desk.picture()
    for columns in (10, 20, 27, 39, 40, 55, 59, 71, 72, 79, 131, 200):
        for rows in (1, 3, 5, 8, 11, 12, 17, 18, 19, 24, 50):
            for lines in (
                screen_lines(shown, columns, rows, {}, True, NOW_S),
                large_lines(shown, columns, rows, True),
            ):
                assert max(len(line.text) for line in lines) <= columns, (columns, rows)
                assert len(lines) <= rows, (columns, rows, [line.text for line in lines])
                assert lines[0].mark == "bad"  # the first line is always what is wrong
