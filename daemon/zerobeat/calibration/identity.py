"""Proves a voice's identity: the sound on its input must follow a pattern of small bends.

Where it does not, the other voices are tried and the one that answers is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..engine.settings import Voice
from ..errors import MeasureError, VoiceMeasureError
from ..measure.pitch.reader import REASONS
from ..measure.pitch.take import PERIODS, Take, TakeRequest
from ..tuning.units import pitch_to_hertz
from .audio_listener import LiveListener
from .measuring_session import MeasuringSession
from .soundcheck import TOO_LOUD_PEAK_SHARE, TOO_QUIET_DBFS

FOLLOWS_CENTS = 2.0  # largest deviation of the sound from the bends sent
IDENTITY_PATTERN_CENTS = (0.0, 12.0, -9.0, 5.0, -14.0)
IDENTITY_SETTLE_S = 0.12
LEAST_IDENTITY_S = 0.2  # the pattern's bends are much larger than the reading's sigma
SEARCH_CENTS = 600.0  # the voice may sound so far below the expected pitch


def identity_note(voice: Voice) -> int:
    """Return a note in the middle of what a voice may be sent."""
    return (voice.lowest_note + voice.highest_note) // 2


def identity_requests(voice: Voice, note: int) -> list[TakeRequest]:
    """Return the requests of the pattern; they search the whole range."""
    expected = 100.0 * note + 1200.0 * voice.panel_octaves
    seconds = max(LEAST_IDENTITY_S, PERIODS / pitch_to_hertz(expected - SEARCH_CENTS))
    return [
        TakeRequest(
            voice.name, note, cents, seconds, "search", IDENTITY_SETTLE_S, None, expected + cents
        )
        for cents in IDENTITY_PATTERN_CENTS
    ]


def follows_bends(sent_cents: Sequence[float], read_cents: Sequence[float]) -> bool:
    """Return whether the pitches read moved as the bends that were sent.

    Args:
        sent_cents: a pattern like ``IDENTITY_PATTERN_CENTS``, shape (n,), three or more.
        read_cents: the pitches read, shape (n,), with any offset.
    """
    sent, read = np.asarray(sent_cents, float), np.asarray(read_cents, float)
    if sent.shape != read.shape or len(sent) < 3:
        return False
    sent, read = sent - sent.mean(), read - read.mean()
    scale = float(sent @ read / (sent @ sent))  # a wrong bend range still follows
    left = np.abs(read - scale * sent)
    return bool(scale > 0.05 and left.max() <= max(FOLLOWS_CENTS, 0.1 * scale * np.ptp(sent)))


class Identity:
    """The result of an identity test.

    Attributes:
        takes: of the pattern, up to the first refused one.
        follows: whether the sound followed the bends.
        answers: another voice that did instead; "" if none.
        refused: why a take could not be read; "" if all could.
    """

    def __init__(self, takes: list[Take]) -> None:
        self.takes = takes
        self.answers = ""
        self.refused = next((one.refused for one in takes if one.pitch is None), "")
        read = [one for one in takes if one.pitch is not None]
        self.follows = len(read) == len(IDENTITY_PATTERN_CENTS) and follows_bends(
            [one.request.bend_cents for one in read], [one.sounding_cents for one in read]
        )

    @property
    def level_dbfs(self) -> float | None:
        """Level of the last take that was read; None if none was."""
        levels = [one.pitch.level_dbfs for one in self.takes if one.pitch is not None]
        return levels[-1] if levels else None

    @property
    def peak_share(self) -> float:
        """Largest share of samples in runs at full scale."""
        return max(
            (one.pitch.peak_share for one in self.takes if one.pitch is not None), default=0.0
        )


def identify(
    session: MeasuringSession, listener: LiveListener, name: str, probe: bool = True
) -> Identity:
    """Play the pattern on a voice; where the sound does not follow, find which voice answers.

    Args:
        session: with the voice's input open.
        listener: of the session.
        name: of the voice.
        probe: whether other voices are tried.
    """
    found = _play_pattern(listener, session.voice(name))
    session.release(name)
    if found.follows or not probe:
        return found
    source = session.input_of(name)
    for other in session.voices:
        if other == name:
            continue
        session.say(f"{name}: is not what is heard on {source}; trying {other}")
        if _play_pattern(_FixedInputListener(session, source), session.voice(other)).follows:
            found.answers = other
            session.release(other)
            break
        session.release(other)
    return found


def _play_pattern(listener: LiveListener, voice: Voice) -> Identity:
    takes: list[Take] = []
    expected: float | None = None
    for request in identity_requests(voice, identity_note(voice)):
        takes.append(listener.listen(replace(request, expected_cents=expected)))
        expected = expected if takes[0].pitch is None else takes[0].sounding_cents
        if takes[-1].pitch is None:
            break
    return Identity(takes)


class _FixedInputListener(LiveListener):
    """Reads every voice on one input, whichever the rig names for it."""

    def __init__(self, session: MeasuringSession, source: str) -> None:
        super().__init__(session)
        self._source = source

    def listen_many(self, requests: Sequence[TakeRequest]) -> list[Take]:
        return self._once(requests, [self._source], 0.0)


def prove(session: MeasuringSession, listener: LiveListener, name: str) -> Identity:
    """Test a voice's identity and level, and report the level to the player.

    Raises:
        MeasureError: another voice answers, none does, or the level is wrong.
    """
    found = identify(session, listener, name)
    source = session.input_of(name)
    if found.answers:
        raise VoiceMeasureError(
            name, f"the voice {found.answers} answers on input {source}: are two cables swapped?"
        )
    if found.refused:
        reason = found.refused
        raise VoiceMeasureError(
            name,
            f"can't be heard on input {source}: {reason.replace('_', ' ')}: "
            f"{REASONS.get(reason, reason)}",
        )
    if not found.follows:
        raise VoiceMeasureError(
            name,
            f"what is heard on input {source} does not follow the bends sent; check cable, "
            "converter channel, sync and vibrato",
        )
    if found.peak_share > TOO_LOUD_PEAK_SHARE:
        raise MeasureError(f"input {source}: overloads; turn its level down, then repeat")
    level = found.level_dbfs
    if level is not None and level < TOO_QUIET_DBFS:
        session.say(
            f"input {source}: {level:.0f} dBFS is low; turn its level up for finer readings"
        )
    elif level is not None:
        session.say(f"{name}: heard on {source}, {level:.0f} dBFS, good")
    return found
