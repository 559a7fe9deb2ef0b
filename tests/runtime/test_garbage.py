"""The search for garbage is short, whatever was made (M8)."""

import gc
import weakref

import pytest

from zerobeat.runtime.runner import MOST_SEARCHED, search_garbage


class Ring:
    """Garbage that only a search finds."""

    def __init__(self):
        self.itself = self


@pytest.fixture
def searched():
    gc.collect()
    gc.freeze()
    gc.disable()
    yield
    gc.enable()
    gc.unfreeze()
    gc.collect()


def test_garbage_is_found(searched):
    ring = weakref.ref(Ring())
    assert ring() is not None
    search_garbage()
    assert ring() is None


def test_what_is_much_is_not_searched_neither_now_nor_later(searched):
    ring = weakref.ref(Ring())
    much = [[number] for number in range(MOST_SEARCHED + 100)]
    search_garbage()
    assert ring() is not None and len(much) > MOST_SEARCHED
    assert gc.get_count()[0] < 100  # the next search is short
    search_garbage()
    assert ring() is not None
