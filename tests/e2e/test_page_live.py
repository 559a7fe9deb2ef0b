"""The page beside a real daemon: what the rig says, what a foot does, a kill, a crowd."""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

from kit.daemon_commands import strike, write_scenes, zerobeat
from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, wait_until
from kit.page_process import free_port

SHOWN_S = 0.3
CROWD = 500
PATIENCE_S = 15.0
PEDALS = """\
bindings:
  - {controller: 80, action: next}
  - {controller: 81, action: previous}
"""


class PageReader:
    """A browser without a screen: what the live stream says, and when."""

    def __init__(self, port: int) -> None:
        self._link = socket.create_connection(("127.0.0.1", port), 10.0)
        self._link.sendall(f"GET /live HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\n\r\n".encode())
        self._file = self._link.makefile("r", encoding="utf-8")

    def until(self, name: str, key: str, value: object) -> float:
        """Return when an event had a value, monotonic."""
        event, last = "", None
        end_s = time.monotonic() + PATIENCE_S
        for line in self._file:
            if line.startswith("event: "):
                event = line.split()[1]
            elif line.startswith("data: ") and event == name:
                last = json.loads(line.removeprefix("data: "))[key]
                if last == value:
                    return time.monotonic()
            assert time.monotonic() < end_s, f"{name} {key} is {last}, not {value}"
        raise AssertionError(f"the stream ended before {name} {key} {value}")

    def close(self) -> None:
        self._file.close()
        self._link.close()


@contextlib.contextmanager
def page_of(daemon: DaemonProcess, port: int) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """``zerobeat page`` beside a daemon, and its log."""
    log = daemon.folder / "page.log"
    with log.open("wb") as file:
        process = subprocess.Popen(
            [*ZEROBEAT, "page", "--while-enabled"],
            env=daemon.environment,
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=file,
        )
    try:
        wait_until(lambda: f":{port}/" in log.read_text(), 20.0)
        yield process, log
    finally:
        process.terminate()
        process.wait(10.0)


@pytest.fixture
def port() -> int:
    return free_port()


def write_case(folder: Path, port: int) -> Path:
    (folder / "pedalboards").mkdir()
    (folder / "pedalboards/feet.yaml").write_text(PEDALS)
    page = f"page: {{enabled: true, addresses: ['127.0.0.1:{port}', '192.168.234.1']}}\n"
    rig = write_scenes(folder, f"scenes: [plain, fifth]\nset_list: [plain, fifth]\n{page}")
    feet = '  feet: {port: "feet:out", pedalboard: feet}\n'
    rig.write_text(rig.read_text().replace("converters:\n", f"{feet}converters:\n"))
    return rig


def read_code(text: str) -> str:
    """Return what a camera reads from a code drawn with half blocks, white on black."""
    rows = [line for line in text.splitlines() if line and set(line) <= set(" ▀▄█")]
    pixels = np.zeros((2 * len(rows), max(map(len, rows))), np.uint8)
    for number, row in enumerate(rows):
        for column, sign in enumerate(row):
            pixels[2 * number, column] = 255 * (sign in "▀█")
            pixels[2 * number + 1, column] = 255 * (sign in "▄█")
    codes = zxingcpp.read_barcodes(np.kron(pixels, np.ones((4, 4), np.uint8)), try_invert=False)
    return codes[0].text if codes else ""


def test_the_page_beside_a_real_daemon(loose_server: JackServer, tmp_path: Path, port: int):
    rig = write_case(tmp_path, port)
    with (
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, loose_server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys")
        octo.wait_for_silence()
        with page_of(daemon, port) as (page, log):
            # An address that is not there yet keeps no other from being served. It is only
            # bound: nothing here may connect to it.
            wait_until(lambda: "192.168.234.1:8080/: can't be served" in log.read_text(), 10.0)
            said = zerobeat(daemon, "page", "--pair")
            assert f"http://127.0.0.1:{port}/#pair=" in said
            link = next(
                word for word in said.split() if word.startswith("http://192.168.234.1:8080/")
            )
            assert read_code(said) == link

            with contextlib.closing(PageReader(port)) as reader:
                reader.until("picture", "scene", "plain")
                took = []
                for scene, foot in (("fifth", 80), ("plain", 81), ("fifth", 80)):
                    at_s = time.monotonic()
                    feet.send(bytes((0xB0, foot, 127)))
                    waits = f"waiting for the next note: scene {scene}"
                    took.append(reader.until("picture", "waits", waits) - at_s)
                    feet.send(bytes((0xB0, foot, 0)))
                    strike(keys, octo)
                    reader.until("picture", "scene", scene)
                assert sorted(took)[1] <= SHOWN_S, took

                daemon.kill()
                reader.until("alive", "trouble", "zerobeat has stopped: waiting for it")
                daemon.start()
                reader.until("alive", "trouble", "")

            with contextlib.ExitStack() as stack:
                for number in range(CROWD):
                    link = stack.enter_context(socket.create_connection(("127.0.0.1", port)))
                    with contextlib.suppress(OSError):
                        link.send(b"GET / HTTP/1.1\r\nhost: " if number % 2 else b"\x00" * 99)
                daemon.wait_for_line("connected: input keys")
                octo.wait_for_silence()
                assert strike(keys, octo) == [67, 67]

            rig.write_text(rig.read_text().replace("enabled: true", "enabled: false"))
            zerobeat(daemon, "reload")
            assert page.wait(10.0) == 0
            assert "the rig wants no page any more" in log.read_text()
