"""``doctor`` about the page: whether it answers where the rig says, and who could read it."""

import json
import socket
import threading

import pytest

from kit.page_process import free_port
from zerobeat.doctor.page_checks import page


@pytest.fixture
def rig_wants(tmp_path, monkeypatch):
    """A runtime directory with a daemon's socket in it, and the page's addresses."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))

    def want(*addresses):
        text = json.dumps({"addresses": addresses, "commands": True})
        (tmp_path / "page.wanted").write_text(text)
        return [(found.level, found.text) for found in page()]

    with socket.socket(socket.AF_UNIX) as control:
        control.bind(str(tmp_path / "control"))
        assert list(page()) == []  # a rig without a page
        yield want


def test_a_page_that_does_not_answer_is_a_warning(rig_wants):
    address = f"127.0.0.1:{free_port()}"
    assert rig_wants(address) == [("warning", f"http://{address}/: Connection refused")]


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (b"HTTP/1.1 200 OK\r\n\r\n", "answers"),
        (b"HTTP/1.1 404 Not Found\r\n\r\n", ": answers 404: is it zerobeat's?"),
        (b"220 mail\r\n", ": something else answers there"),
    ],
)
def test_what_answers_there_is_said(rig_wants, answer, said):
    def serve(listening):
        link, _ = listening.accept()
        with link:
            link.recv(1000)
            link.sendall(answer)

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,))
        thread.start()
        ((_, text),) = rig_wants(f"127.0.0.1:{listening.getsockname()[1]}")
        thread.join()
    assert text.endswith(said)


def test_who_could_read_it_is_a_note(rig_wants, monkeypatch):
    # No test of ours connects to an address that is not this computer's.
    monkeypatch.setattr("zerobeat.doctor.page_checks._not_answered", lambda address: "silent")
    levels = [level for level, _ in rig_wants("192.168.4.1:8080")]
    assert levels == ["warning", "note"]
    assert [level for level, _ in rig_wants(f"[::1]:{free_port()}")] == ["warning"]
