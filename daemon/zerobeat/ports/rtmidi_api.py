"""The python-rtmidi library, or one line that says how to get it."""

from __future__ import annotations

from .patch import Patch, need

try:
    import rtmidi
except ImportError:
    raise need(
        "python-rtmidi",
        "python3-rtmidi of your distribution",
        "pip has it ready made up to Python 3.12 only; later ones build it with ALSA's headers",
    ) from None

__all__ = ["api_of", "rtmidi"]


def api_of(patch: Patch) -> int:
    """Return rtmidi's number of the backend."""
    return int(rtmidi.API_LINUX_ALSA if patch.backend == "alsa" else rtmidi.API_UNIX_JACK)
