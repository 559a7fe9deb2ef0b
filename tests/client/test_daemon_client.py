"""The small commands against a real socket: one line each, exit 1 and no traceback on failure."""

import json
import os
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from kit.control_socket import ControlSocketHarness
from zerobeat.client.ask_daemon import value_of
from zerobeat.client.daemon_client import Client
from zerobeat.errors import ControlError
from zerobeat.midi import NoteOn

COMMANDS = "status recall set hold trigger cancel bypass solo panic reload".split()
SCALES = Path(__file__).resolve().parents[2] / "profiles/scales"


@pytest.fixture
def desk(tmp_path):
    with ControlSocketHarness(tmp_path) as running:
        yield running


NEEDED = {"recall": ["drone"], "set": ["reed", "root", "D"], "hold": ["note"], "solo": ["reed"]}


@pytest.mark.parametrize("command", COMMANDS)
def test_without_a_daemon_one_line_says_how_to_start_one(tmp_path, command):
    done = subprocess.run(
        [sys.executable, "-m", "zerobeat", command, *NEEDED.get(command, [])],
        env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)},
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        f"no zerobeat plays here (socket {tmp_path}/control); start it: zerobeat run rig.yaml\n"
    )


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become somebody else")
def test_without_permission_one_line_names_the_group():
    code = (
        "import os\nfrom zerobeat.client.daemon_client import Client\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: Client()\nexcept Exception as error: print(error)"
    )
    with tempfile.TemporaryDirectory(prefix="zb") as name, ControlSocketHarness(Path(name)) as desk:
        os.chmod(name, 0o755)
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, **desk.environment},
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.startswith(f"{name}/control: permission denied; run it as root, or ")
        assert "usermod -aG root $USER" in done.stdout


SAID = [
    (["recall", "white", "keys"], "scene white keys waits for the next note"),
    (["set", "reed", "detune_cents", "-3.5"], "reed: detune_cents waits for the next note"),
    (["set", "reed", "legato", "on"], "reed: legato waits for the next note"),
    (["set", "reed", "legato", "yes"], "reed: legato waits for the next note"),
    (["set", "all", "scale", "maqam", "rast"], "all: scale waits for the next note"),
    (["set", "all", "scale", "19", "equal"], "all: scale waits for the next note"),
    (["set", "scene", "time_signature", "7/8"], "scene together: time_signature is in force"),
    (
        ["set", "scene", "triggers", "[{clock: {every: 2, unit: bars}}, key]"],
        "scene together: triggers is in force",
    ),
    (
        ["set", "scene", "triggers", "[{remote_note: {input: steps, note: C2}}]"],
        "scene together: triggers is in force",
    ),
    (["set", "scene", "assign", "rotate"], "scene together: assign waits for the next note"),
    (["set", "tonight", "concert_a_hz", "442"], "A4 442 Hz, transposed by +0"),
    (["hold", "trigger"], "hold trigger"),
    (["hold", "none", "--voice", "reed"], "hold none for reed"),
    (["trigger"], "triggered"),
    (["cancel"], "nothing waits now"),
    (["bypass"], "all: played raw; panel octaves -1 (bass) still acting"),
    (["bypass", "off"], "all: corrected"),
    (["bypass", "reed"], "reed: played raw"),
    (["solo", "reed"], "reed: solo on, from the next key"),
    (["solo", "all", "off"], "all: solo off, from the next key"),
    (["panic"], "every note released"),
]


@pytest.mark.parametrize(("arguments", "said"), SAID, ids=lambda v: " ".join(v)[:40])
def test_a_command_prints_what_came_of_it(desk, arguments, said):
    done = desk.run(*arguments)
    assert (done.returncode, done.stdout, done.stderr) == (0, said + "\n", "")


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (
            ["recall", "dron"],
            "scene: found 'dron'; allowed: drone, frozen, together and 2 more; next, ",
        ),
        (["recall", "zzz"], "scene: found 'zzz'; allowed: "),
        (
            ["set", "reed", "transpose", "3"],
            "set: transpose: found unknown key; allowed: semitones, ",
        ),
        (["set", "reed", "detune", "3"], "set: detune: found unknown key; allowed: detune_cents, "),
        (["set", "reed", "legato", "maybe"], "set: legato: found maybe; allowed: true or false"),
        (["set", "scene", "hold", "nite"], "set scene: hold: found nite; allowed: none, note"),
        (["set", "all", "scale", "xyz"], "set: scale: found xyz; allowed: N equal, "),
        (["set", "rede", "legato", "on"], "set: voice: found rede; allowed: reed, "),
        (["set", "reed", "detune_cents", "much"], "set: detune_cents: found much; allowed"),
        (["set", "reed", "scale", "gone.scl"], "set: scale: found gone.scl: "),
        (["set", "tonight", "moon", "1"], "tonight: moon: found unknown key; allowed: "),
    ],
)
def test_a_refusal_is_one_line_and_exit_status_not_zero(desk, arguments, error):
    done = desk.run(*arguments)
    assert done.returncode != 0
    assert done.stdout == ""
    assert done.stderr.startswith(error)
    assert "Traceback" not in done.stderr
    if (
        "allowed: " in done.stderr and " more" in done.stderr
    ):  # the nearest three, never all or none
        allowed = done.stderr.partition("allowed: ")[2].removeprefix("N equal, ")
        assert allowed.partition(" and ")[0].count(",") == 2


def test_a_scale_file_is_read_here_and_sent_written_out(desk):
    done = desk.run("set", "reed", "scale", str(SCALES / "pure-major.scl"))
    assert done.stdout == "reed: scale waits for the next note\n"
    desk.case.hear(NoteOn(0, 60, 100))
    scale = desk.case.engine.states["reed"].settings.scale
    assert scale.degrees_cents[4] == pytest.approx(701.955, abs=5e-4)  # 3/2


def test_status_as_json(desk):
    desk.case.hear(NoteOn(0, 60, 100))
    done = desk.run("status", "--json")
    shown = json.loads(done.stdout)
    assert shown["scene"] == "together"
    assert shown["voices"][0]["channel_number"] == 1
    assert [port["name"] for port in shown["ports"]] == ["keys", "steps", "feet", "quad", "octo"]


def test_what_is_no_zerobeat_is_one_line(tmp_path):
    path = tmp_path / "other"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()
        with Client(path) as client:
            peer, _ = listener.accept()
            peer.sendall(b"220 welcome\n")
            with pytest.raises(ControlError, match="is that socket zerobeat's"):
                client.ask("panic")
            peer.close()


def test_a_daemon_that_stops_is_one_line(desk):
    with Client(desk.control.path) as client:
        desk.turn()
        desk.close()
        with pytest.raises(ControlError, match="has stopped"):
            client.ask("panic")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3.5", 3.5),
        ("-3", -3),
        ("dorian", "dorian"),
        ("true", True),
        ("null", None),
        ("[0, 204, 1200]", [0, 204, 1200]),
        ("19 equal", "19 equal"),
        ('"3"', '"3"'),
        ("D", "D"),
    ],
)
def test_values_of_the_command_line(text, value):
    assert value_of(text) == value
    assert type(value_of(text)) is type(value)
