"""Ports on a real JACK server, one a test."""

import os
from collections.abc import Iterator

import pytest

from kit.jack import JackServer
from zerobeat.ports.patch import Patch, open_patch


@pytest.fixture
def patch(server: JackServer) -> Iterator[Patch]:
    opened = open_patch("jack")
    yield opened
    opened.close()


@pytest.fixture
def wake_fd() -> Iterator[int]:
    descriptor = os.eventfd(0, os.EFD_NONBLOCK)
    yield descriptor
    os.close(descriptor)
