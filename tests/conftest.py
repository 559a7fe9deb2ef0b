"""Options and checks that all tests share."""

from __future__ import annotations

import itertools
import os
import signal
import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from kit.jack import JackServer

LEAVING_S = 2.0
LONGEST_MODULE = "e2e/test_measure.py"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line sets it


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="run the slow and soak tests too")
    parser.addoption("--soak", type=int, default=0, help="events of the soak test (10000000)")
    parser.addoption(
        "--feet", type=float, default=5.0, help="seconds of random pedal presses (3600)"
    )
    parser.addoption("--steps", type=int, default=0, help="random steps of the state machines")
    parser.addoption(
        "--rewrite-golden", action="store_true", help="write the golden files as heard now"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "slow: takes long; runs with --slow")
    config.addinivalue_line(
        "markers", "alone: loads the machine or is exact in time; runs by itself"
    )
    # Started in the background, a shell has it ignored, and every process under test too.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    # The module whose tests take longest comes first, so that no worker waits for it at the end.
    items.sort(key=lambda item: not item.path.as_posix().endswith(LONGEST_MODULE))  # stable
    if config.getoption("--slow") or os.environ.get("ZEROBEAT_SLOW"):
        return
    skip = pytest.mark.skip(reason="slow; runs with --slow")
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(skip)


@pytest.hookimpl(optionalhook=True)  # of pytest-xdist
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    from kit.sharing_out import RealTimeBesideComputing

    return RealTimeBesideComputing(config, log)


_CACHES = itertools.count()


@pytest.fixture(autouse=True)
def no_cache_of_the_players(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What commands keep between two runs stays out of the home folder, and out of other tests."""
    folder = tmp_path_factory.getbasetemp() / f"cache-{next(_CACHES)}"  # made only if it is used
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """A test that leaves a Python thread running fails."""
    before = set(threading.enumerate())
    yield
    end_s = time.monotonic() + LEAVING_S
    while left := [t for t in threading.enumerate() if t not in before and t.is_alive()]:
        if time.monotonic() > end_s:
            pytest.fail(f"threads left running: {', '.join(t.name for t in left)}")
        time.sleep(0.01)


@pytest.fixture
def server() -> Iterator[JackServer]:
    """A JACK server of the test's own that waits for every client."""
    yield from _running()


@pytest.fixture
def loose_server() -> Iterator[JackServer]:
    """A server that goes on when a client is killed. A client that is late for a period loses what
    is in it, or receives it twice; so its periods are long."""
    yield from _running(period_frames=1024, synchronous=False)


def _running(**settings: int) -> Iterator[JackServer]:
    from kit.jack import JackServer, jack_is_installed  # needs libjack, which most tests don't

    if not jack_is_installed():
        pytest.skip("jackd2 is not installed")
    with JackServer(**settings) as running:
        yield running
