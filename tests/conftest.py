"""Options and checks that all tests share."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator

import pytest

LEAVING_S = 2.0
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line sets it


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="run the slow and soak tests too")
    parser.addoption("--soak", type=int, default=0, help="events of the soak test (10000000)")
    parser.addoption("--steps", type=int, default=0, help="random steps of the state machines")
    parser.addoption(
        "--rewrite-golden", action="store_true", help="write the golden files as heard now"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "slow: takes long; runs with --slow")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--slow") or os.environ.get("ZEROBEAT_SLOW"):
        return
    skip = pytest.mark.skip(reason="slow; runs with --slow")
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(skip)


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
