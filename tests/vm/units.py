"""The units beside the daemon's, each a user of its own. Run in the guest as root:

    units.py [WORD IN A NAME]

The page for the phone and follow: what each may do, when each comes and goes, what it costs; and
the sound card, which one program at a time may have.
"""

from __future__ import annotations

import http.client
import json
import os
import pwd
import random
import signal
import socket
import sys
import time
from pathlib import Path

from guest import (
    PYTHON,
    RIG,
    STATE,
    Peer,
    main,
    pid,
    plays,
    sh,
    sink,
    slowness,
    source,
    start,
    status,
    wait,
    write_rig,
)

from zerobeat.client.daemon_client import Client
from zerobeat.page.pairing import phone_name, signature

PAGE, FOLLOW = "zerobeat-page.service", "zerobeat-follow.service"
ADDRESS = "127.0.0.1:8080"
PHONES = "/var/lib/zerobeat-page/page/phones.json"
PAGE_RIG = f"page: {{enabled: true, addresses: [{ADDRESS}]}}\n"
CARD_RIG = 'audio_inputs:\n  left: {device: "Loopback: PCM [device 1]", channel_number: 1}\n'
FOLLOW_RIG = f"{CARD_RIG}follow: {{enabled: true}}\n"
CAPTURE = Path("/proc/asound/LabBox/pcm1c/sub0/status")
LENT_S = 0.5
MOST_PAGE_MB = 40.0

VIEW = set("status bindings tuning listen follow".split())
STAGE = VIEW | set("recall trigger cancel panic bypass mute following".split())
MEASURE = VIEW | set(
    "play release needle touch_up put_profile undo_profile borrow_inputs panic".split()
)
FOLLOWS = VIEW | {"expected", "follow_move", "follow_report"}
FILES = [str(RIG), str(RIG.parent), str(STATE), "/run/zerobeat", "/run/zerobeat/sounding", PHONES]


def _use(rig: str, voices: str = "") -> None:
    """Let the daemon play a rig that it has taken as its own."""
    write_rig(more=rig, voices=voices)
    start()
    wait("the daemon", lambda: sh("zerobeat status --once --json", check=False).startswith("{"))


def _active(unit: str) -> bool:
    return sh(f"systemctl is-active {unit}", check=False) == "active"


def _pid(unit: str) -> int:
    return int(sh(f"systemctl show {unit} -P MainPID"))


def _journal(unit: str, lines: int = 40) -> str:
    return sh(f"journalctl -u {unit} -o cat --no-pager -n {lines}", check=False)


def _user(process: int) -> str:
    return pwd.getpwuid(os.stat(f"/proc/{process}").st_uid).pw_name


def _resident_mb(process: int) -> float:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) * 1024 / 1e6


# ---------------------------------------------------------------- what each may do


def each_unit_may_what_its_role_may() -> None:
    """Roles by user and group, asked from within each unit's own sandbox."""
    _use("")
    expected = {PAGE: (STAGE, {"view", "stage"}), FOLLOW: (FOLLOWS, {"view", "follow"})}
    for unit, (may, roles) in expected.items():
        said = _probe(unit)
        assert set(said["roles"]) == roles, (unit, said["roles"])
        assert set(said["may"]) == may, (unit, set(said["may"]) ^ may)
        name = unit.removesuffix(".service")
        assert said["user"] == pwd.getpwnam(name).pw_uid
        assert not said["write"], (unit, said["write"])
        assert said["internet"] == (unit == PAGE)
        if unit == PAGE:
            assert not {str(RIG), str(STATE)} & set(said["read"]), said["read"]
        else:
            assert PHONES not in said["read"]
        print(f"    {unit}: {', '.join(sorted(roles))}")


def _probe(unit: str) -> dict:
    """Run the probe in place of a unit's own program."""
    folder = Path(f"/run/systemd/system/{unit}.d")
    folder.mkdir(parents=True, exist_ok=True)
    run = f"{PYTHON} /opt/tree/tests/vm/role_probe.py {' '.join(FILES)}"
    (folder / "probe.conf").write_text(f"[Service]\nExecStart=\nExecStart={run}\nRestart=no\n")
    before = _journal(unit, 1)
    sh("systemctl daemon-reload")
    try:
        sh(f"systemctl start {unit}")
        wait("the probe", lambda: not _active(unit))
        wait("its line", lambda: "{" in _journal(unit, 5) and _journal(unit, 5) != before)
    finally:
        (folder / "probe.conf").unlink()
        sh("systemctl daemon-reload")
    lines = [line for line in _journal(unit, 8).splitlines() if line.startswith('{"user"')]
    return json.loads(lines[-1])


def each_user_may_what_its_groups_allow() -> None:
    """A player of the group may all; a group of a role holds its members to it; others can't."""
    sh("groupadd -f zerobeat-view; groupadd -f zerobeat-measure")
    _use("")
    cases = {
        "zerobeat": (None, {"view", "stage", "measure", "follow", "all"}),
        "zerobeat,zerobeat-view": (VIEW, {"view"}),
        "zerobeat,zerobeat-measure": (MEASURE, {"view", "measure"}),
        "zerobeat,zerobeat-measure,zerobeat-stage": (MEASURE | STAGE, {"view", "measure", "stage"}),
        "audio": (set(), set()),
    }
    try:
        for groups, (may, roles) in cases.items():
            line = f"setpriv --reuid=lab --regid=lab --groups={groups} --inh-caps=-all --"
            probe = "/opt/tree/tests/vm/role_probe.py"
            if may is None:  # not every command: some of them would act
                code = f"import sys; sys.path.insert(0, '{Path(probe).parent}')\n"
                code += "import role_probe as r\n"
                code += (
                    "print([role for role in r.ROLES if not r.asked(command='role', role=role)])"
                )
                found = sh(f'{line} {PYTHON} -c "{code}"')
                assert set(json.loads(found.replace("'", '"'))) == roles, (groups, found)
                continue
            said = json.loads(sh(f"{line} {PYTHON} {probe}"))
            assert set(said.get("roles", ())) == roles, (groups, said)
            assert set(said.get("may", ())) == may, (groups, said)
    finally:
        sh("groupdel zerobeat-view; groupdel zerobeat-measure")


def the_sandboxes_of_all_units_are_hard() -> None:
    """Exposure as it is now; the page's bound is 2."""
    for unit, most in ((PAGE, 13), (FOLLOW, 8), ("zerobeat-touchup.service", 8)):
        answer = sh(
            "set -o pipefail; "
            f"systemd-analyze security --no-pager --threshold={most} {unit} | tail -1"
        )
        print(f"    {answer}")


# ---------------------------------------------------------------- the page


def the_page_comes_and_goes_with_the_rig() -> None:
    """By the path unit, as a user of its own, with little memory, also with twenty phones."""
    _use("")
    assert not _active(PAGE) and _active("zerobeat-page.path")
    write_rig(more=PAGE_RIG)
    sh("zerobeat reload")
    came_s = wait("the page", lambda: _active(PAGE) and _get("/")[0] == 200)
    assert _user(_pid(PAGE)) == "zerobeat-page"
    streams = [_stream() for _ in range(20)]
    wait("pictures", lambda: all(b"event: " in stream.recv(65_536) for stream in streams))
    resident_mb = _resident_mb(_pid(PAGE))
    counted_mb = int(sh(f"systemctl show {PAGE} -P MemoryCurrent")) / 1e6
    print(
        f"    there after {came_s:.1f} s (emulated); {resident_mb:.1f} MB, unit {counted_mb:.1f} MB"
    )
    assert resident_mb < MOST_PAGE_MB and counted_mb < MOST_PAGE_MB
    for stream in streams:
        stream.close()
    write_rig()
    sh("zerobeat reload")
    wait("its end", lambda: not _active(PAGE))
    time.sleep(3.0)
    assert not _active(PAGE), _journal(PAGE)


def a_phone_is_paired_once_and_commands() -> None:
    """By a player of the group; the secret is the unit's alone; it lasts until it is revoked."""
    sh("usermod -aG zerobeat lab")
    _use(PAGE_RIG)
    wait("the page", lambda: _active(PAGE) and _get("/")[0] == 200)
    told = sh("runuser -u lab -- zerobeat page --pair")
    key = told.partition("#pair=")[2].split()[0]
    name = phone_name(key)
    assert _post("/pair", phone=name, sign=signature(key, _run(), "pair", name)) == {"paired": name}
    assert "refused" in _post("/pair", phone=name, sign=signature(key, _run(), "pair", name))
    assert _press(key, 1, command="bypass", on=True)["ok"]
    wait("bypass", lambda: status()["voices"][0]["bypass"])
    assert not _press(key, 2, command="reload")["ok"]  # nothing of the page's
    _only_the_unit_reads(PHONES)
    assert key in Path(PHONES).read_text()
    os.kill(_pid(PAGE), signal.SIGKILL)
    wait("the page again", lambda: _active(PAGE) and _get("/")[0] == 200)
    assert _press(key, 3, command="bypass", on=False)["ok"]
    sh(f"systemctl restart {PAGE}")
    wait("the page again", lambda: _get("/")[0] == 200)
    assert name in sh("runuser -u lab -- zerobeat page --phones")
    sh("runuser -u lab -- zerobeat page --revoke all")
    assert "error" in _press(key, 4, command="bypass", on=True)
    answer = sh("runuser -u nobody -- zerobeat page --pair", check=False)
    assert "join the group" in answer or "no page is served" in answer, answer


def _only_the_unit_reads(path: str) -> None:
    facts = os.stat(path)
    assert facts.st_mode & 0o777 == 0o600, oct(facts.st_mode)
    assert pwd.getpwuid(facts.st_uid).pw_name == "zerobeat-page"
    for user in ("lab", "zerobeat", "zerobeat-follow", "nobody"):
        answer = sh(f"runuser -u {user} -- cat {path}", check=False)
        assert "Permission denied" in answer, (user, answer)


def _get(path: str) -> tuple[int, bytes]:
    link = http.client.HTTPConnection(ADDRESS, timeout=30)
    try:
        link.request("GET", path)
        answer = link.getresponse()
        return answer.status, answer.read()
    except OSError:
        return 0, b""
    finally:
        link.close()


def _post(path: str, **values: object) -> dict:
    link = http.client.HTTPConnection(ADDRESS, timeout=30)
    headers = {"Origin": f"http://{ADDRESS}", "Content-Type": "application/json"}
    link.request("POST", path, json.dumps(values), headers)
    answer = link.getresponse()
    body = answer.read()
    link.close()
    return json.loads(body) if answer.status == 200 else {"error": body.decode()}


def _stream() -> socket.socket:
    host, _, port = ADDRESS.partition(":")
    link = socket.create_connection((host, int(port)), 30)
    link.sendall(f"GET /live HTTP/1.1\r\nhost: {ADDRESS}\r\n\r\n".encode())
    return link


def _run() -> str:
    """Return the text of the page's start, which each signature holds."""
    received = b""
    with _stream() as link:
        while b"\n\n" not in received.partition(b"event: hello")[2]:
            received += link.recv(65_536)
    line = received.partition(b"event: hello\ndata: ")[2].partition(b"\n")[0]
    return json.loads(line)["run"]


def _press(key: str, number: int, **command: object) -> dict:
    text = json.dumps(command)
    sign = signature(key, _run(), str(number), text)
    return _post("/press", phone=phone_name(key), sign=sign, press=number, command=text)


# ---------------------------------------------------------------- follow


def _plug_card() -> None:
    if not CAPTURE.exists():
        sh("rmmod snd_aloop; modprobe snd-aloop id=LabBox pcm_substreams=1", check=False)
        wait("the card", CAPTURE.exists)


def _has_the_card() -> bool:
    return "closed" not in CAPTURE.read_text()


def _follows() -> None:
    """Let the unit follow two voices with the card's input."""
    _plug_card()
    _use(FOLLOW_RIG, voices=", input: left")
    wait("follow", lambda: _active(FOLLOW) and _has_the_card(), 180.0)


def follow_comes_and_goes_with_the_rig() -> None:
    """By the path unit, as a user of its own, with the card."""
    _plug_card()
    _use(CARD_RIG, voices=", input: left")
    assert not _active(FOLLOW) and _active("zerobeat-follow.path")
    write_rig(more=FOLLOW_RIG, voices=", input: left")
    sh("zerobeat reload")
    came_s = wait("follow", lambda: _active(FOLLOW) and _has_the_card(), 180.0)
    assert _user(_pid(FOLLOW)) == "zerobeat-follow"
    wait("its report", lambda: status()["follow"]["runs"])
    memory_mb = int(sh(f"systemctl show {FOLLOW} -P MemoryCurrent")) / 1e6
    tasks = sh(f"systemctl show {FOLLOW} -P TasksCurrent")
    print(f"    there after {came_s:.1f} s (emulated); the unit {memory_mb:.1f} MB, {tasks} tasks")
    with source() as keys, sink() as quad:
        plays(keys, quad)
    write_rig(more=CARD_RIG, voices=", input: left")
    sh("zerobeat reload")
    wait("its end", lambda: not _active(FOLLOW))
    wait("the card", lambda: not _has_the_card(), 10.0)
    assert "Traceback" not in _journal(FOLLOW), _journal(FOLLOW)


def follow_lends_the_card_and_takes_it_again() -> None:
    """Exclusive on ALSA: given up within 0.5 s, also while it is being opened; never both."""
    _follows()
    slow = slowness()
    gave_s, took_s = [], []
    chance = random.Random(5)
    for number in range(12):
        with Client(role="measure") as client:
            begin_s = time.monotonic()
            while client.ask("borrow_inputs")["said"] != "free":
                time.sleep(0.02)
            gave_s.append(time.monotonic() - begin_s)
            assert not _has_the_card(), f"lent while follow has it, time {number}"
            time.sleep(1.0)
            assert not _has_the_card(), f"taken while it is lent, time {number}"
            sh("arecord -q -D hw:LabBox,1 -f S16_LE -r 48000 -c 2 -s 4800 /dev/null")
        begin_s = time.monotonic()
        if number % 2:  # it is asked for again at any moment of its being opened
            time.sleep(chance.uniform(0.0, 1.0) * (max(took_s) if took_s else 3.0))
            continue
        took_s.append(wait("follow has the card again", _has_the_card, 180.0))
    print(
        f"    given up in {min(gave_s):.2f} to {max(gave_s):.2f} s, taken again after "
        f"{min(took_s):.1f} to {max(took_s):.1f} s; the guest is {slow:.0f} times slower"
    )
    assert max(gave_s) < LENT_S * max(1.0, slow / 3)  # a small box is three times slower
    assert "in use" not in _journal(FOLLOW), _journal(FOLLOW)


def a_touch_up_gets_the_card_from_follow() -> None:
    """The real command, while follow listens: it hears silence, and that is all it complains of."""
    _follows()
    told = sh("zerobeat touchup v1 --yes", check=False, timeout_s=600.0)
    print(f"    {told.splitlines()[-1]}")
    for word in ("in use", "found no device", "busy", "can't be opened"):
        assert word not in told, told
    wait("follow has the card again", _has_the_card, 180.0)


def a_card_in_use_is_named() -> None:
    """By another program: follow says so once and takes the card when it is free."""
    _plug_card()
    _use(CARD_RIG, voices=", input: left")
    with Peer("record", "hw:LabBox,1", ""):
        wait("the other program", _has_the_card)
        write_rig(more=FOLLOW_RIG, voices=", input: left")
        sh("zerobeat reload")
        wait("the line", lambda: "is in use by" in _journal(FOLLOW, 5), 180.0)
        assert "in use by" in sh("zerobeat ports --levels", timeout_s=600.0)
    wait("follow has the card", lambda: "there again" in _journal(FOLLOW, 5), 180.0)


# ---------------------------------------------------------------- both


def both_are_back_after_the_daemon_was_killed() -> None:
    """And after they were: by themselves, as often as it happens."""
    _plug_card()
    _use(f"{FOLLOW_RIG}{PAGE_RIG}", voices=", input: left")
    for victim in ("the daemon", PAGE, FOLLOW):
        wait("both", lambda: status()["follow"]["runs"] and _get("/")[0] == 200, 180.0)
        os.kill(pid() if victim == "the daemon" else _pid(victim), signal.SIGKILL)
        with source() as keys, sink() as quad:
            plays(keys, quad)
        back_s = wait("both", lambda: _active(PAGE) and _active(FOLLOW), 180.0)
        wait("follow", lambda: sh("zerobeat status --once --json", check=False)[:1] == "{")
        print(f"    {victim} killed: both there after {back_s:.1f} s (emulated)")
    wait("the card", _has_the_card, 180.0)
    assert status()["follow"]["runs"]


def they_go_along_with_upgrade_and_removal() -> None:
    """After an upgrade each is the new version's; after a purge nothing of them is left."""
    _plug_card()
    _use(f"{FOLLOW_RIG}{PAGE_RIG}", voices=", input: left")
    wait("both", lambda: status()["follow"]["runs"] and _get("/")[0] == 200, 180.0)
    before = os.readlink("/opt/zerobeat/current")
    sh("bash /opt/tree/systemd/install.sh --wheels /opt/wheels", timeout_s=1800.0)
    after = os.readlink("/opt/zerobeat/current")
    assert after != before
    wait("both", lambda: status()["follow"]["runs"] and _get("/")[0] == 200, 180.0)
    for unit in (PAGE, FOLLOW):
        command = Path(f"/proc/{_pid(unit)}/cmdline").read_text()
        assert command.startswith(after), (unit, command)
    sh("bash /opt/tree/systemd/install.sh --remove")
    for unit in (PAGE, FOLLOW):
        assert not _active(unit)
    assert _get("/")[0] == 0 and not _has_the_card()
    sh("bash /opt/tree/systemd/install.sh --remove --purge")
    for name in ("zerobeat", "zerobeat-page", "zerobeat-follow"):
        assert sh(f"getent passwd {name}", check=False) == "", name
        assert not os.path.exists(f"/var/lib/{name}"), name
    left = sh("getent group | grep zerobeat", check=False)
    assert not left, left


if __name__ == "__main__":
    sys.exit(main())
