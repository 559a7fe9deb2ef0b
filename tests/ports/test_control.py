"""The control socket with real sockets: what a client may do, and that none can stall the loop.

Time is an argument, so no test sleeps. Requirement T7: slow readers are dropped.
"""

import json
import os
import select
import socket
import stat

import pytest

from zerobeat.errors import PortError
from zerobeat.ports.control import MOST_CLIENTS, Control
from zerobeat.ports.deferred_answer import Later

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
        self.control = Control(folder, self.answer, self.picture)

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
        Control(folder, dict, dict)


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


def test_the_seventeenth_client_hears_why(daemon):
    peers = [daemon.peer() for _ in range(MOST_CLIENTS)]
    late = daemon.peer()
    first, last = late.lines()
    assert first["error"].startswith("found 16 clients; allowed: no more")
    assert last is None
    peers[3].link.close()
    daemon.turns(2)
    after = daemon.peer()
    after.send(ASK)
    daemon.turns()
    assert after.lines() == [{"id": 1, "ok": True}]


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
    later = Later()
    daemon.answer = daemon.control._answer = lambda request: (
        later if request["command"] == "store" else {"ok": True}
    )
    peer = daemon.peer()
    peer.send(b'{"zerobeat": 1, "id": 7, "command": "store"}\n' + ASK)
    peer.link.shutdown(socket.SHUT_WR)  # it asks no more, but waits for what is owed
    daemon.turns(4)
    assert peer.lines() == [{"id": 1, "ok": True}]
    later.tell({"ok": True, "said": "stored"}, daemon.now_s)
    daemon.turns(2)
    assert peer.lines() == [{"id": 1, "ok": True}, {"id": 7, "ok": True, "said": "stored"}, None]


def test_an_answer_to_a_client_that_has_gone_is_dropped(daemon):
    later = Later()
    daemon.control._answer = lambda request: later
    peer = daemon.peer()
    peer.send(ASK)
    daemon.turns(2)
    peer.link.close()
    daemon.turns(2)
    later.tell({"ok": True}, daemon.now_s)
    daemon.turns(2)
