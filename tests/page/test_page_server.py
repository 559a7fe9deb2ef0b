"""The page over real sockets: who may ask what; hostile clients; presses that act once."""

from __future__ import annotations

import contextlib
import json
import os
import random
import resource
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from kit.page_process import PageHarness
from zerobeat.page.page_server import MOST_STREAMS

CROWD = 500
MOST_MEMORY_KB = 40_000
MOST_OPEN = 130  # descriptors
ANSWERED_S = 1.0


@pytest.fixture
def own(tmp_path):
    """A page of the test's own, whose counts are fresh."""
    with PageHarness(tmp_path) as running:
        yield running


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A page for tests that leave no trace."""
    with PageHarness(tmp_path_factory.mktemp("page")) as running:
        yield running


@pytest.fixture
def page(shared):
    """The page that others use too, with a daemon of the test's own and no phones."""
    shared.new_daemon()
    shared.ask("revoke", phone="all")
    return shared


def memory_kb(page: PageHarness) -> int:
    lines = Path(f"/proc/{page.process.pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))


# ---------------------------------------------------------------- what is served


def test_the_page_has_a_strict_policy_and_no_cookie(shared):
    for path in ("/", "/page.css", "/page.js", "/icon.svg"):
        status, headers, body = shared.request(path)
        assert status == 200 and len(body) == int(headers["content-length"])
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert "set-cookie" not in headers and "access-control-allow-origin" not in headers
    html = shared.request("/")[2].decode()
    assert "style=" not in html and "onclick" not in html and "http" not in html.lower()
    status, headers, body = shared.request("/", method="HEAD")
    assert status == 200 and body == b"" and int(headers["content-length"]) == len(html)


@pytest.mark.parametrize(
    "path",
    [
        "/phones.json",
        "/../page.js",
        "/page.js/",
        "/%2e%2e/etc/passwd",
        "//etc/passwd",
        "/live/",
        "/?",
    ],
)
def test_no_path_leads_to_a_file(shared, path):
    status, _, body = shared.request(path)
    assert status == 404 and body == b"there is nothing here\n"


def test_a_name_of_somebody_elses_is_refused(shared):
    port = shared.port
    for host in (
        "evil.example",
        f"evil.example:{port}",
        "127.0.0.1",
        f"127.0.0.1:{port + 1}",
        "none",
    ):
        assert shared.request("/", host=host)[0] == 421, host
    for host in (f"localhost:{port}", f"LOCALHOST:{port}", f"{socket.gethostname()}.local:{port}"):
        assert shared.request("/", host=host)[0] == 200, host


def test_another_page_may_not_ask(shared):
    body = b'{"ask": true}'
    for headers in (
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "none"},
        {"origin": shared.address.replace("http", "https")},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
    ):
        assert shared.request("/pair", body, **headers)[0] == 403, headers
    assert shared.request("/pair", body, content_type="text/plain")[0] == 415
    assert shared.request("/live", origin="http://evil.example")[0] == 403
    assert shared.request("/page.js", sec_fetch_site="cross-site")[0] == 403
    assert shared.request("/", sec_fetch_site="cross-site")[0] == 200  # a link that was followed


def test_the_live_stream_begins_with_all_there_is(page):
    page.hello()
    events = page.events(3)
    assert [name for name, _ in events] == ["hello", "picture", "alive"]
    hello, picture, alive = (values for _, values in events)
    assert hello["commands"] is True and len(hello["run"]) == 16
    assert picture["first"] == "all well" and not picture["bad"]
    assert picture["scene"] == "together"
    assert alive["trouble"] == "" and 0 <= alive["age_s"] < 6


# ---------------------------------------------------------------- presses


def test_presses_of_a_paired_phone(page):
    phone = page.pair()
    engine = page.desk.case.engine
    said = phone.press(command="recall", scene="drone")
    assert said == (200, {"ok": True, "said": "scene drone waits for the next note"})
    assert engine.live.wanted_scene.name == "drone"
    phone.press(command="cancel")
    assert engine.live.wanted_scene.name == "together"
    phone.press(command="mute", voice="reed", on=True)
    assert engine.live.tonight.mute == {"reed"}
    phone.press(command="bypass", on=True)
    assert len(engine.live.tonight.bypass) == 5
    for command in ("trigger", "panic", "next", "previous"):
        assert phone.press(command=command)[1]["ok"], command
    refused = phone.press(command="recall", scene="dron")[1]
    assert not refused["ok"] and "allowed: drone, " in refused["error"]


def test_nothing_else_may_be_asked(shared):
    phone = shared.pair()
    before = shared.desk.case.picture()
    for command in (
        {"command": "store"},
        {"command": "set", "voice": "reed", "changes": {"detune_cents": 3}},
        {"command": "play", "voice": "reed", "note": 60},
        {"command": "status"},
        {"command": "next", "scene": "drone"},
        {"command": "recall", "scene": ["drone"]},
        {"command": "mute", "voice": "reed"},
        {"command": "mute", "voice": "reed", "on": 1},
        {"command": ["next"]},
    ):
        status, answer = phone.press(**command)
        assert status == 200 and not answer["ok"], command
    assert shared.desk.case.picture() == before


def test_a_press_acts_once_however_often_it_comes(page):
    phone = page.pair()
    asked: list[str] = []
    handlers = page.desk.control._answer
    page.desk.control._answer = lambda request: (asked.append(request["scene"]), handlers(request))[
        1
    ]
    text = json.dumps({"command": "next"})
    links = []
    for number in (1, 2):  # two presses within 20 ms, each with a number of its own
        body = json.dumps(phone.body(text, number)).encode()
        link = page.connect()
        link.sendall(
            f"POST /press HTTP/1.1\r\nhost: 127.0.0.1:{page.port}\r\norigin: {page.address}\r\n"
            f"content-type: application/json\r\ncontent-length: {len(body)}\r\n\r\n".encode()
            + body
        )
        links.append(link)
    for link in links:
        with link:
            assert b'"ok": true' in page.rest(link)
    assert asked == ["next"]
    phone.number = 2
    time.sleep(0.15)
    phone.press(command="next")
    assert len(asked) == 2
    assert phone.press(3, command="next")[1]["again"]  # sent again by a network
    assert phone.press(1, command="next")[1] == {
        "ok": False,
        "error": "an old press: nothing was done",
    }
    assert len(asked) == 2


def test_without_a_right_signature_nothing_is_done_and_tries_are_counted(own):
    phone = own.pair()
    before = own.desk.case.picture()
    text = json.dumps({"command": "next"})
    body = phone.body(text, 1)
    statuses = [own.post("/press", **body | {"sign": "0" * 64})[0] for _ in range(12)]
    assert statuses[:9] == [401] * 9 and statuses[-1] == 429
    assert own.post("/press", **body)[0] == 429  # from here, for a while
    assert own.desk.case.picture() == before
    assert own.request("/")[0] == 200  # it may still look


@pytest.mark.parametrize("press", [0, -1, True, "1", 1.5, None, 2**60])
def test_a_press_has_a_number(shared, press):
    assert shared.post("/press", phone="x", sign="x", command="x", press=press)[0] == 400


def test_no_answer_from_the_daemon_is_said(page):
    phone = page.pair()
    page.desk.control._answer = lambda request: time.sleep(0.3) or {"ok": True, "said": "late"}
    status, answer = phone.press(command="trigger")
    assert status == 200
    assert answer == {
        "ok": False,
        "error": "no answer within 100 ms: look before you press again",
    }


def test_a_picture_only(tmp_path):
    (tmp_path / "page.wanted").write_text('{"addresses": ["127.0.0.1:1"], "commands": false}')
    with PageHarness(tmp_path) as page:
        assert page.hello()["commands"] is False
        assert page.post("/pair", ask=True)[0] == 403
        assert page.post("/press")[0] == 403
        refused = page.run("page", "--pair")
        assert refused.returncode == 1 and "the page is a picture only" in refused.stderr


# ---------------------------------------------------------------- the rig, reloads, ends


def test_the_page_follows_the_rig_and_ends_with_it(tmp_path):
    """What the daemon writes at a reload is in force within two seconds."""
    from kit.page_process import free_port

    ports = free_port(), free_port()
    wanted = tmp_path / "page.wanted"

    def want(port: int, commands: bool) -> None:
        addresses = [f"127.0.0.1:{port}"]
        wanted.write_text(json.dumps({"addresses": addresses, "commands": commands}))

    want(ports[0], True)
    with PageHarness.of_the_rig(tmp_path, ports[0], "--while-enabled") as page:
        assert page.hello()["commands"] is True
        want(ports[1], False)
        page.until(lambda: f":{ports[1]}/" in page.log(), "the new address")
        page.port = ports[1]
        assert page.hello()["commands"] is False
        page.desk.close()  # a daemon that stops takes its file along: the page stays
        wanted.unlink()
        time.sleep(1.2)
        assert page.process.poll() is None
        page.desk.start()
        end_s = time.monotonic() + 20.0
        while page.process.poll() is None and time.monotonic() < end_s:
            page.turn()
        assert page.process.returncode == 0 and "the rig wants no page any more" in page.log()


def test_a_second_page_and_an_address_in_use_are_one_line(page):
    second = page.run("page", "--address", f"127.0.0.1:{page.port}")
    assert second.returncode == 1 and "the page is served already" in second.stderr
    assert page.request("/")[0] == 200
    wrong = page.run("page", "--address", "box.local")
    assert wrong.returncode == 1 and wrong.stderr.startswith("--address: found box.local; allowed:")


def test_phones_are_listed_and_revoked_in_words(page):
    assert page.run("page", "--phones").stdout == "no phone is paired\n"
    phone = page.pair()
    assert page.run("page", "--phones").stdout.startswith(f"{phone.name}  since 20")
    wrong = page.run("page", "--revoke", "nobody")
    assert wrong.returncode == 1 and f"allowed: all, {phone.name}" in wrong.stderr
    assert page.run("page", "--revoke", phone.name).stdout == f"revoked: {phone.name}\n"
    assert phone.press(command="trigger")[0] == 401


def test_without_a_page_the_commands_say_so(tmp_path):
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    for arguments in (("--pair",), ("--phones",), ("--revoke", "all")):
        command = [sys.executable, "-m", "zerobeat", "page", *arguments]
        done = subprocess.run(command, env=environment, capture_output=True, text=True)
        assert done.returncode == 1 and "no page is served here; start it" in done.stderr


# ---------------------------------------------------------------- hostile clients


@contextlib.contextmanager
def many_files():
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 4096), hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def answers_soon(page: PageHarness) -> None:
    start_s = time.monotonic()
    assert page.request("/")[0] == 200
    assert time.monotonic() - start_s < ANSWERED_S


def test_a_crowd_of_connections_takes_no_room_and_no_memory(own):
    own.hello()
    with many_files(), contextlib.ExitStack() as stack:
        links = []
        for number in range(CROWD):
            link = stack.enter_context(socket.create_connection(("127.0.0.1", own.port)))
            links.append(link)
            with contextlib.suppress(OSError):
                link.send(b"GET /live HTTP/1.1\r\nhost: " if number % 2 else b"")
            if number % 10 == 0:
                own.turn()
        answers_soon(own)
        assert len(os.listdir(f"/proc/{own.process.pid}/fd")) < MOST_OPEN
        assert memory_kb(own) < MOST_MEMORY_KB
    answers_soon(own)


def test_many_streams_and_browsers_that_do_not_read(own):
    own.hello()
    ask = f"GET /live HTTP/1.1\r\nhost: 127.0.0.1:{own.port}\r\n\r\n".encode()
    with contextlib.ExitStack() as stack:
        for _ in range(2 * MOST_STREAMS):
            link = stack.enter_context(own.connect())
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            link.sendall(ask)
            own.turn()
        before = memory_kb(own)
        for number in range(6):  # each picture is another one, of 40 kB
            own.desk.more["set_list"] = [f"{number} " * 150] * 128
            own.stream(
                lambda found, number=number: (
                    dict(found).get("picture", {}).get("scenes", [""])[0].startswith(f"{number} ")
                )
            )
        assert memory_kb(own) - before < 3000 and memory_kb(own) < MOST_MEMORY_KB
        assert own.events(2)[0][0] == "hello"


def test_random_bytes_and_oversized_headers(shared):
    chance = random.Random(21)
    for _ in range(30):
        shared.exchange(chance.randbytes(chance.randrange(1, 3000)) + b"\r\n\r\n")
    long = b"GET / HTTP/1.1\r\nX: " + b"a" * 20_000
    assert shared.exchange(long + b"\r\n\r\n").startswith(b"HTTP/1.1 431 ")
    head = f"POST /pair HTTP/1.1\r\nhost: 127.0.0.1:{shared.port}\r\n".encode()
    big = head + b"content-length: 99999999999\r\n\r\n"
    assert shared.exchange(big).startswith(b"HTTP/1.1 413 ")
    for body in (b"", b"[]", b"{", b"[" * 1000, b"\xff", b'{"phone": "\\ud800", "sign": "x"}'):
        assert shared.request("/pair", body)[0] == 400, body
    answers_soon(shared)
    assert "\x1b" not in shared.log()


@pytest.mark.slow
def test_a_slow_client_is_let_go(own):
    """Its request comes a byte at a time; the whole of it has five seconds."""
    with own.connect() as link:
        start_s = time.monotonic()
        answer = b""
        while not answer and time.monotonic() - start_s < 12.0:
            with contextlib.suppress(OSError):
                link.send(b"G")
            time.sleep(0.2)
            answers_soon(own)
            with contextlib.suppress(BlockingIOError):
                answer = link.recv(1000)
        assert answer.startswith(b"HTTP/1.1 408 ")
        assert time.monotonic() - start_s < 8.0
