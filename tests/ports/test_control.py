"""The control socket with real sockets: what a client may do, and that none can stall the loop.

Time is an argument, so no test sleeps. Requirement T7: slow readers are dropped.
"""

import json
import os
import select
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from zerobeat.errors import PortError
from zerobeat.ports.control import ControlSocket
from zerobeat.ports.deferred_answer import DeferredAnswer
from zerobeat.ports.roles import SEATS, STREAM_SEATS, RolePolicy

ASK = b'{"zerobeat": 1, "id": 1, "command": "panic"}\n'


class Peer:
    """A client of the socket."""

    def __init__(self, path):
        self.link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.link.connect(os.fspath(path))
        self.link.setblocking(False)
        self.heard = b""

    def send(self, content):
        """Send as much as goes in; return how much that was."""
        sent = 0
        while sent < len(content):
            try:
                sent += self.link.send(content[sent:])
            except BlockingIOError:
                return sent
        return sent

    def lines(self):
        """Return the answers so far; None at the end means that the daemon closed."""
        while True:
            try:
                content = self.link.recv(1 << 20)
            except BlockingIOError:
                break
            except ConnectionResetError:
                content = b""
            if not content:
                return [*map(json.loads, self.heard.splitlines()), None]
            self.heard += content
        return [*map(json.loads, self.heard.splitlines())]


class ControlServer:
    """The daemon's side: the real socket, served with a time of its own."""

    def __init__(self, folder):
        self.done = []
        self.pictures = 0
        self.shown = {"scene": "drone"}
        self.now_s = 100.0
        self.peers = []
        self.control = ControlSocket(folder, self.answer, self.picture)

    def answer(self, request):
        self.done.append(request)
        if request["command"] == "wrong":
            raise ValueError("wrong: found wrong")
        return {"ok": True}

    def picture(self):
        self.pictures += 1
        return self.shown

    def turns(self, count=1):
        for _ in range(count):
            readers, writers = self.control.readers(self.now_s), self.control.writers()
            readable, _, _ = select.select(readers, writers, (), 0)
            self.control.serve(readable, self.now_s)

    def peer(self):
        peer = Peer(self.control.path)
        self.peers.append(peer)
        self.turns()
        return peer

    def close(self):
        self.control.close()
        for peer in self.peers:
            peer.link.close()


@pytest.fixture
def daemon(tmp_path):
    running = ControlServer(tmp_path)
    yield running
    running.close()


def test_a_request_is_answered_with_its_id(daemon):
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": "x7", "command": "recall", "scene": "drone"}\n')
    daemon.turns()
    assert daemon.done == [{"command": "recall", "scene": "drone"}]
    assert peer.lines() == [{"id": "x7", "ok": True}]


def test_the_socket_is_for_user_and_group_and_leaves_no_file(tmp_path):
    before = os.umask(0o022)
    os.umask(before)
    daemon = ControlServer(tmp_path)
    assert stat.S_IMODE(os.stat(daemon.control.path).st_mode) == 0o660
    assert os.umask(before) == before
    daemon.close()
    assert not daemon.control.path.exists()
    daemon.control.close()


def test_the_socket_of_a_killed_daemon_is_replaced(tmp_path):
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(tmp_path / "control"))
    left.close()
    daemon = ControlServer(tmp_path)
    daemon.peer()
    daemon.close()


def test_a_path_too_long_for_a_socket_is_one_clear_line(tmp_path):
    folder = tmp_path / ("deep" * 30)
    with pytest.raises(PortError, match="bytes; allowed for a socket: 107"):
        ControlSocket(folder, dict, dict)


def test_half_lines_are_put_together(daemon):
    peer = daemon.peer()
    for start in range(0, len(ASK), 7):
        assert daemon.done == []
        peer.send(ASK[start : start + 7])
        daemon.turns()
    assert peer.lines() == [{"id": 1, "ok": True}]


def test_a_last_line_may_lack_its_end(daemon):
    peer = daemon.peer()
    peer.send(ASK.strip())
    peer.link.shutdown(socket.SHUT_WR)
    daemon.turns(3)
    assert peer.lines() == [{"id": 1, "ok": True}, None]


def test_one_who_has_said_all_still_gets_the_picture(daemon):
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": 5, "command": "status"}\n')
    peer.link.shutdown(socket.SHUT_WR)
    daemon.turns(3)
    assert peer.lines() == [{"id": 5, "ok": True, "status": {"scene": "drone"}}, None]


MALFORMED = {
    "no JSON": b"panic\n",
    "no object": b"[1]\n",
    "not UTF-8": b'{"zerobeat": 1, "command": "\xff"}\n',
    "not a number": b'{"zerobeat": 1, "id": NaN, "command": "panic"}\n',
    "deep": b"[" * 60_000 + b"\n",
    "zero bytes": b"\0\0\n",
    "a number of many digits": b'{"id": ' + b"9" * 60_000 + b"}\n",
    "an id of many digits": b'{"zerobeat": 1, "id": ' + b"9" * 4_000 + b', "command": "panic"}\n',
    "an id that is a list": b'{"zerobeat": 1, "id": [1], "command": "panic"}\n',
    "a line without end": b"x" * 70_000,
    "a long line": b'{"a": "' + b"x" * 66_000 + b'"}\n',
}


@pytest.mark.parametrize("content", MALFORMED.values(), ids=MALFORMED)
def test_a_malformed_line_closes_that_client_alone(daemon, content):
    bad, good = daemon.peer(), daemon.peer()
    bad.send(content)
    daemon.turns(5)
    first, last = bad.lines()
    assert first["ok"] is False
    assert first["error"].endswith("the connection is closed")
    assert len(first["error"]) < 200
    assert last is None
    good.send(ASK)
    daemon.turns()
    assert good.lines() == [{"id": 1, "ok": True}]


@pytest.mark.parametrize(
    ("request_line", "error"),
    [
        (b'{"id": 1, "command": "panic"}', "zerobeat: found null; allowed: 1"),
        (b'{"zerobeat": 2, "id": 1, "command": "panic"}', "zerobeat: found 2; allowed: 1"),
        (b'{"zerobeat": true, "id": 1, "command": "panic"}', "zerobeat: found true; allowed: 1"),
        (b'{"zerobeat": 1, "id": 1, "command": "wrong"}', "wrong: found wrong"),
        (
            b'{"zerobeat": 1, "id": 1, "command": "follow", "at_most_hz": 50}',
            "at_most_hz: found 50; allowed: 0.1 to 4",
        ),
        (
            b'{"zerobeat": 1, "id": 1, "command": "status", "voice": "reed"}',
            'status: found "voice"; allowed: nothing more',
        ),
    ],
)
def test_a_wrong_request_is_answered_and_the_client_stays(daemon, request_line, error):
    peer = daemon.peer()
    peer.send(request_line + b"\n" + ASK)
    daemon.turns(2)
    assert peer.lines() == [{"id": 1, "ok": False, "error": error}, {"id": 1, "ok": True}]


def test_each_turn_does_one_command_of_each_client(daemon):
    greedy, modest = daemon.peer(), daemon.peer()
    greedy.send(ASK * 10)
    modest.send(ASK)
    daemon.turns()
    assert len(daemon.done) == 2
    assert modest.lines() == [{"id": 1, "ok": True}]


def test_a_flood_gets_its_budget_and_is_not_read_beyond_it(daemon):
    """20 at once, then 100 a second; the socket fills and the kernel holds the flooder."""
    peer, other = daemon.peer(), daemon.peer()
    peer.send(ASK * 100_000)
    daemon.turns(200)
    assert len(daemon.done) == 20
    peer.send(ASK * 100_000)  # as much as was read
    daemon.turns(200)
    assert peer.send(ASK * 100_000) == 0
    for _ in range(100):
        daemon.now_s += 0.01
        daemon.turns(5)
    assert len(daemon.done) == pytest.approx(120, abs=1)
    other.send(ASK)
    daemon.turns()
    assert other.lines() == [{"id": 1, "ok": True}]


def test_a_flooder_out_of_budget_lets_the_loop_sleep(daemon):
    peer = daemon.peer()
    peer.send(ASK * 1000)
    daemon.turns(40)
    assert daemon.control.readers(daemon.now_s) == [daemon.control._listener.fileno()]
    assert daemon.control.wake_at_s(daemon.now_s) == pytest.approx(daemon.now_s + 0.01)


def test_with_nothing_to_do_the_loop_may_sleep_for_ever(daemon):
    daemon.peer()
    assert daemon.control.wake_at_s(daemon.now_s) is None


def test_who_does_not_end_a_line_is_closed(daemon):
    peer = daemon.peer()
    peer.send(b'{"zerobeat"')
    daemon.turns()
    wake_s = daemon.control.wake_at_s(daemon.now_s)
    assert wake_s == pytest.approx(daemon.now_s + 10)
    daemon.now_s = wake_s + 0.1
    daemon.turns(2)
    assert peer.lines()[-1] is None
    assert "no end of a line for 10 s" in peer.lines()[0]["error"]


def test_who_does_not_read_is_closed_and_nothing_waits(daemon):
    daemon.shown = {"text": "x" * 200_000}  # more than a socket holds
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": 1, "command": "follow"}\n')
    daemon.turns(2)
    for _ in range(8):
        daemon.now_s += 1
        daemon.shown = {"text": str(daemon.now_s) + "x" * 200_000}
        daemon.turns(2)
    assert len(daemon.control._clients) == 1
    daemon.now_s += 5
    daemon.turns(2)
    assert daemon.control._clients == []


def test_who_asks_much_and_reads_nothing_is_closed(daemon):
    daemon.shown = {"text": "x" * 200_000}
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": 1, "command": "status"}\n' * 20)
    daemon.turns(20)
    daemon.now_s += 1
    daemon.turns(2)
    assert daemon.control._clients == []


def ask(daemon, peer, command, **values):
    """Send a request; return the last answer, None if the daemon closed."""
    peer.send(json.dumps({"zerobeat": 1, "id": 1, "command": command, **values}).encode() + b"\n")
    daemon.turns(2)
    lines = peer.lines()
    return lines[-1] if lines else "nothing"


def test_sixteen_idle_clients_lock_nobody_out(daemon):
    for role in ("", "view", "stage", "measure", "all"):
        for _ in range(16):
            idle = daemon.peer()
            if role:
                ask(daemon, idle, "role", role=role)
        for command, least in (("recall", "stage"), ("play", "measure"), ("store", "all")):
            if least != role:
                assert ask(daemon, daemon.peer(), command) == {"id": 1, "ok": True}
        assert ask(daemon, daemon.peer(), "panic") == {"id": 1, "ok": True}
        daemon.now_s += 11.0  # now the idle ones make room in their own role, too
        assert ask(daemon, daemon.peer(), "recall") == {"id": 1, "ok": True}
        for peer in daemon.peers:
            peer.link.close()
        daemon.turns(2)


def test_a_role_has_so_many_seats(daemon):
    peers = []
    for _ in range(SEATS["view"]):
        peers.append(daemon.peer())
        assert ask(daemon, peers[-1], "bindings")["ok"]
    answer = ask(daemon, daemon.peer(), "bindings")
    assert answer["error"] == "found 12 clients of role view; allowed: no more"
    peers[3].link.close()
    daemon.turns(2)
    assert ask(daemon, daemon.peer(), "bindings")["ok"]


@pytest.mark.parametrize("role", ["view", "stage", "measure", "all"])
@pytest.mark.parametrize("stream", ["follow", "listen"])
def test_however_many_follow_one_that_asks_once_is_answered(daemon, role, stream):
    for _ in range(20):
        peer = daemon.peer()
        ask(daemon, peer, "role", role=role)
        ask(daemon, peer, stream)
    daemon.now_s += 60.0
    for _ in range(5):
        peer = daemon.peer()
        assert ask(daemon, peer, "role", role=role)["ok"]
        assert ask(daemon, peer, "bindings")["ok"]
        peer.link.close()
        daemon.turns()


def test_a_display_too_many_takes_the_place_of_the_oldest(daemon):
    displays = []
    for number in range(STREAM_SEATS["view"] + 1):
        daemon.now_s += 1.0
        daemon.shown = {"number": number}
        displays.append(daemon.peer())
        ask(daemon, displays[-1], "follow")
        daemon.now_s += 0.3
        daemon.turns(2)
        assert displays[-1].lines()[-1]["ok"]
    daemon.turns()
    *_, last, end = displays[0].lines()
    assert end is None
    error = "another display took this one's place; the connection is closed"
    assert last == {"id": None, "ok": False, "error": error, "let_go": True}
    assert all(display.lines()[-1]["ok"] for display in displays[1:])


def test_the_display_of_another_user_keeps_its_place(daemon, monkeypatch):
    real = daemon.control._policy.user_and_roles
    displays = []
    for _ in range(STREAM_SEATS["view"]):
        displays.append(daemon.peer())
        ask(daemon, displays[-1], "follow")
    another = lambda link: (4001, real(link)[1])  # noqa: E731
    monkeypatch.setattr(daemon.control._policy, "user_and_roles", another)
    error = ask(daemon, daemon.peer(), "follow")["error"]
    assert error == "found 10 clients of role view that follow or listen; allowed: no more"
    assert all(None not in display.lines() for display in displays)


def test_a_long_line_costs_as_much_as_many_short_ones(daemon):
    """M8: the worst line may come three times a second, and then it takes little of the loop."""
    long = b'{"zerobeat": 1, "id": 1, "command": "set", "x": "' + b"x" * 4000 + b'"}\n'
    assert len(long) < 4096
    peer = daemon.peer()
    for _ in range(1000):
        peer.send(long)
        daemon.now_s += 0.01
        daemon.turns(2)
    assert len(daemon.done) == pytest.approx((20 + 1000) / 8, abs=3)
    daemon.now_s += 0.05
    other = daemon.peer()
    assert ask(daemon, other, "panic")["ok"]


@pytest.mark.parametrize(
    ("role", "idle_s"), [("view", 2.0), ("stage", 2.0), ("all", 2.0), ("measure", 10.0)]
)
def test_one_that_asks_for_nothing_loses_its_seat_to_one_that_comes(daemon, role, idle_s):
    for _ in range(SEATS[role]):
        assert ask(daemon, daemon.peer(), "role", role=role)["ok"]
    assert "allowed: no more" in ask(daemon, daemon.peer(), "role", role=role)["error"]
    daemon.now_s += idle_s - 0.1
    assert "allowed: no more" in ask(daemon, daemon.peer(), "role", role=role)["error"]
    daemon.now_s += 0.2
    assert ask(daemon, daemon.peer(), "role", role=role)["ok"]


def test_a_client_gets_the_role_it_asks_for_and_no_more(daemon):
    peer = daemon.peer()
    assert ask(daemon, peer, "role", role="stage") == {"id": 1, "ok": True, "said": "role stage"}
    assert ask(daemon, peer, "recall")["ok"] and ask(daemon, peer, "panic")["ok"]
    for command in ("store", "play", "put_profile", "tonight", "reload"):
        assert ask(daemon, peer, command)["error"] == f"{command}: not allowed to role stage"
    assert (
        "allowed to you: view, stage, measure, follow, all"
        in (ask(daemon, peer, "role", role="king")["error"])
    )
    assert [request["command"] for request in daemon.done] == ["recall", "panic"]


@pytest.mark.parametrize(
    ("user", "groups", "roles"),
    [
        (0, {0}, {"view", "stage", "measure", "follow", "all"}),  # root, and the daemon's own user
        (4001, {4001}, {"view"}),
        (4001, {4001, 70}, {"view", "stage", "measure", "follow", "all"}),  # the daemon's group
        (4001, {4001, 70, 71}, {"view"}),  # held to a role, though it reaches the socket
        (4001, {4001, 70, 72}, {"view", "stage"}),
        (4001, {72, 73}, {"view", "stage", "measure"}),
    ],
)
def test_user_and_groups_bound_the_roles(user, groups, roles):
    policy = RolePolicy()
    policy._own_group, policy._hidden = 70, False
    policy._limits = {71: "view", 72: "stage", 73: "measure"}
    assert policy.roles(user, groups) == roles


@pytest.mark.parametrize(
    ("own", "others", "roles"),
    [
        (4001, [70], {"view", "stage", "measure", "follow", "all"}),
        (70, [72], {"view", "stage"}),  # as the units: group of the socket, held by another
        (4001, [70, 72, 73], {"view", "stage", "measure"}),
        (70, [*range(5000, 5200), 72], {"view", "stage"}),
        (70, [*range(5000, 5400), 72], {"view"}),  # more than can be asked for: the least
    ],
)
def test_the_kernel_tells_a_peers_groups(own, others, roles):
    """A real process (SO_PEERGROUPS): to miss a group of a role would be to give all."""
    if os.getuid() != 0:
        pytest.skip("needs root, to become another user")
    policy = RolePolicy()
    policy._own_group, policy._hidden = 70, False
    policy._limits = {71: "view", 72: "stage", 73: "measure"}
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(f"\0zerobeat-test-{os.getpid()}")
        listener.listen()
        code = (
            "import os, socket, sys; own, *others = map(int, sys.argv[2:]); os.setgroups(others)\n"
            "os.setgid(own); os.setuid(4001); link = socket.socket(socket.AF_UNIX)\n"
            "link.connect('\\0' + sys.argv[1]); link.recv(1)"
        )
        numbers = map(str, (own, *others))
        name = str(listener.getsockname()[1:], "ascii")
        with subprocess.Popen([sys.executable, "-c", code, name, *numbers]):
            link, _ = listener.accept()
            with link:
                assert policy.user_and_roles(link) == (4001, roles)


def test_another_user_may_look_and_nothing_else(daemon):
    """A real peer with credentials of its own (SO_PEERCRED, SO_PEERGROUPS)."""
    if os.getuid() != 0:
        pytest.skip("needs root, to become another user")
    os.chmod(daemon.control.path, 0o666)
    for folder in daemon.control.path.parents:
        if folder.stat().st_uid == 0 and folder != Path("/tmp") and len(folder.parts) > 2:
            folder.chmod(0o755)
    code = (
        "import os, socket, sys; os.setgroups([4002]); os.setgid(4001); os.setuid(4001)\n"
        "link = socket.socket(socket.AF_UNIX); link.connect(sys.argv[1])\n"
        "link.sendall(sys.stdin.buffer.read()); print(link.recv(1000).decode())"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(daemon.control.path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    process.stdin.write('{"zerobeat": 1, "id": 1, "command": "panic"}\n')
    process.stdin.close()
    while process.poll() is None:
        daemon.turns()
    assert "panic: not allowed to role view" in process.stdout.read()
    process.stdout.close()
    assert daemon.done == []


HOSTILE = {
    "a lone surrogate": b'{"zerobeat": 1, "id": 1, "command": "recall", "scene": "\\ud800"}',
    "one in a name": b'{"zerobeat": 1, "id": 1, "command": "recall", "\\uDfff": 1}',
    "nested 900 deep": b'{"zerobeat": 1, "a": ' + 900 * b"[" + 900 * b"]" + b"}",
    "nested 13 deep": b'{"zerobeat": 1, "a": ' + 13 * b"[" + 13 * b"]" + b"}",
    "a long name": b'{"zerobeat": 1, "' + 300 * b"a" + b'": 1}',
    "a long text": b'{"zerobeat": 1, "scene": "' + 5000 * b"a" + b'"}',
    "many values": b'{"zerobeat": 1, "a": [' + 2000 * b"1," + b"1]}",
    "a large number": b'{"zerobeat": 1, "a": 1' + 4000 * b"0" + b"}",
    "an infinite number": b'{"zerobeat": 1, "a": 1e999}',
    "a long line": b'{"zerobeat": 1, "a": "' + 16_400 * b"a" + b'"}',
    "a long line that poses as a profile": (
        b'{"zerobeat": 1, "id": "\\"put_profile\\"", "put": "put_profile", "a": "'
        + 20_000 * b"a"
        + b'"}'
    ),
    "nothing but ends": 30 * b"\n",
}


@pytest.mark.parametrize("what", HOSTILE)
def test_hostile_lines_reach_no_command_and_cost_no_time(daemon, what):
    """M8: nothing of it is walked, shown or suggested for beyond the bounds."""
    peer = daemon.peer()
    peer.send(HOSTILE[what] + b"\n")
    start_s = time.perf_counter()
    daemon.turns(3)
    assert time.perf_counter() - start_s < 0.05
    assert daemon.done == []
    if what != "nothing but ends":
        assert peer.lines()[-1] is None


def test_whole_characters_beyond_the_basic_plane_are_taken(daemon):
    peer = daemon.peer()
    assert ask(daemon, peer, "recall", scene="\U0001d11e")["ok"]  # dumps as a surrogate pair
    assert daemon.done[-1]["scene"] == "\U0001d11e"


def test_a_client_whose_request_fails_in_the_daemon_is_closed_once(daemon):
    peer = daemon.peer()
    daemon.control._answer = lambda request: 1 / 0
    peer.send(ASK)
    with pytest.raises(ZeroDivisionError):
        daemon.turns()
    daemon.turns(2)
    assert peer.lines() == [None] and daemon.control._clients == []


def test_the_socket_is_made_again_and_clients_stay(daemon):
    peer = daemon.peer()
    daemon.control.path.unlink()
    assert not daemon.control.is_there()
    daemon.control.bind_again()
    assert ask(daemon, daemon.peer(), "panic")["ok"] and ask(daemon, peer, "panic")["ok"]


def test_pictures_are_made_four_times_a_second_for_all(daemon):
    peers = [daemon.peer() for _ in range(8)]
    for peer in peers:
        peer.send(b'{"zerobeat": 1, "id": 9, "command": "status"}\n')
    daemon.turns()
    assert daemon.pictures == 1
    peers[0].send(b'{"zerobeat": 1, "id": 10, "command": "status"}\n')
    daemon.turns(3)
    assert daemon.pictures == 1  # too soon
    assert daemon.control.wake_at_s(daemon.now_s) == pytest.approx(daemon.now_s + 0.25)
    daemon.now_s += 0.25
    daemon.turns()
    assert daemon.pictures == 2
    assert [answer["id"] for answer in peers[0].lines()] == [9, 10]


def test_a_follower_hears_changes_and_else_only_that_there_are_none(daemon):
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": 3, "command": "follow", "at_most_hz": 2}\n')
    daemon.turns(2)
    for _ in range(45):
        daemon.now_s += 0.1
        daemon.turns()
    assert peer.lines() == [{"id": 3, "ok": True, "status": {"scene": "drone"}}]
    assert daemon.pictures <= 10  # 2 a second, as asked
    daemon.now_s += 0.6
    daemon.turns()
    assert peer.lines()[1:] == [{"id": 3, "ok": True, "unchanged": True}]
    daemon.shown = {"scene": "steps"}
    daemon.now_s += 0.5
    daemon.turns()
    assert peer.lines()[2:] == [{"id": 3, "ok": True, "status": {"scene": "steps"}}]


def test_one_who_hangs_up_is_forgotten(daemon):
    follower, asker = daemon.peer(), daemon.peer()
    follower.send(b'{"zerobeat": 1, "id": 3, "command": "follow"}\n')
    daemon.turns(2)
    asker.send(ASK)
    follower.link.close()
    asker.link.close()
    daemon.now_s += 1
    daemon.turns(3)
    assert daemon.control._clients == []
    assert daemon.done == [{"command": "panic"}]


def test_an_answer_may_come_later_and_finds_its_client(daemon):
    """A store is answered once it is on the disk; meanwhile others are served."""
    later = DeferredAnswer()
    daemon.answer = daemon.control._answer = lambda request: (
        later if request["command"] == "store" else {"ok": True}
    )
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": 7, "command": "store"}\n' + ASK)
    peer.link.shutdown(socket.SHUT_WR)  # it asks no more, but waits for what is owed
    daemon.turns(4)
    assert peer.lines() == [{"id": 1, "ok": True}]
    later.resolve({"ok": True, "said": "stored"}, daemon.now_s)
    daemon.turns(2)
    assert peer.lines() == [{"id": 1, "ok": True}, {"id": 7, "ok": True, "said": "stored"}, None]


def test_an_answer_to_a_client_that_has_gone_is_dropped(daemon):
    later = DeferredAnswer()
    daemon.control._answer = lambda request: later
    peer = daemon.peer()
    peer.send(ASK)
    daemon.turns(2)
    peer.link.close()
    daemon.turns(2)
    later.resolve({"ok": True}, daemon.now_s)
    daemon.turns(2)
