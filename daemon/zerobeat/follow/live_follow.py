"""Follow on live audio: a process of its own beside the daemon, with the audio inputs.

It waits for the stream and for sound, reads at most a third of each voice's time and a fifth of
a core, and gives the inputs up when a measuring command asks. What it can't do is a state that
is shown and tried again, never an exit.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable
from typing import Any

from ..client.daemon_client import Client
from ..config.rig import LoadedRig
from ..engine.settings import Voice
from ..errors import AudioError
from ..measure.audio.audio_inputs import AudioInputs
from ..measure.audio.devices import WantedInput
from ..tuning.bend import bend_to_cents
from .drift_model import NOTE_SIGMA_CENTS
from .expected_pitch import expected_pitch_of
from .follower import UNMEASURED_NOTE_CENTS, FollowedVoice, Follower, FollowMove
from .hand import FollowLimits
from .kept_drift import KeptDrift, KeptKnob
from .path_delay import AFTER_S, BEFORE_S, Onset, PathDelays, onset_delay
from .stretches import ListenedVoice

TURN_S = 0.05
MOVE_EVERY_S = 0.25
REPORT_EVERY_S = 1.0
OPEN_AGAIN_S = 3.0
KEPT_SOUND_S = 6.0
MOST_OF_A_CORE = 0.2
MOST_READING_DEBT_S = 0.3
CARD_STEP_CENTS = 0.05  # of a converter whose steps are not known

SayLine = Callable[[str], None]


class LiveFollow:
    """Follows the voices of a running daemon.

    Args:
        client: of role ``follow``.
        loaded: the rig that the daemon plays.
        kept: what is kept.
        say: logs a line.
        power_on_s: monotonic seconds of power-on.
    """

    def __init__(
        self,
        client: Client,
        loaded: LoadedRig,
        kept: KeptDrift,
        say: SayLine,
        power_on_s: float,
    ) -> None:
        self._client = client
        self._loaded = loaded
        self._kept = kept
        self._say = say
        self._power_on_s = power_on_s
        now_s = time.monotonic()
        unix_s = time.time()
        self._followed, others = followed_voices(loaded, kept.beliefs(unix_s), kept.knobs(unix_s))
        settings = loaded.follow
        limits = FollowLimits(
            settings.limit_cents, settings.warming_limit_cents, 60.0 * settings.warm_minutes
        )
        self.follower = Follower(self._followed, now_s, others, limits, power_on_s, seed=int(now_s))
        listened = [ListenedVoice(v.name, v.input, v.always_heard) for v in self._followed]
        self._delays = PathDelays([*listened, *others])
        self._audio: AudioInputs | None = None
        self._open_at_s = now_s
        self._lent = False
        self._claimed = False
        self._claim_id: int | None = None  # of the report that says the inputs will be opened
        self._opening = False
        self._audio_fault = ""
        self._begun: set[str] = set()
        self._stream_id = 0
        self._debt_s = 0.0
        self._turned_s = now_s
        self._moved_s = self._reported_s = now_s
        self.stopping = False
        self._reloaded = False

    # ------------------------------------------------------------ the loop

    def run(self) -> None:
        """Follow until ``stopping`` is set, or the rig was reloaded.

        Raises:
            ControlError: the daemon has stopped.
        """
        self._client.send("expected")
        self._stream_id = self._client.last_id
        try:
            while not self.stopping and not self._reloaded:
                self._turn()
        finally:
            self._close_audio()
            self._keep(time.monotonic(), always=True)

    def _turn(self) -> None:
        waits: list[Any] = [self._client]
        if self._audio is not None:
            waits.append(self._audio)
        ready, _, _ = select.select(waits, (), (), TURN_S)
        if self._client in ready:
            self._client.hear()
        for answer in self._client.answers():
            self._take_answer(answer)
        now_s = time.monotonic()
        self._debt_s = max(0.0, self._debt_s - MOST_OF_A_CORE * (now_s - self._turned_s))
        self._turned_s = now_s
        self._listen(now_s)
        if now_s - self._moved_s >= MOVE_EVERY_S:
            self._moved_s = now_s
            for move in self.follower.moves(now_s):
                self._send(move)
            for line in self.follower.lines(now_s):
                self._say(line)
        if now_s - self._reported_s >= REPORT_EVERY_S:
            self._reported_s = now_s
            self._send_report(now_s)
            self._keep(now_s)

    def _send_report(self, now_s: float) -> None:
        has_inputs = self._opening or self._audio is not None or self._claim_id is not None
        self._client.send("follow_report", voices=self._report(now_s), inputs=has_inputs)

    def _report(self, now_s: float) -> dict[str, dict[str, Any]]:
        report = self.follower.report(now_s)
        fault = "its input is lent to a measuring command" if self._lent else self._audio_fault
        if fault:
            for one in report.values():
                one["sure"], one["why"] = False, fault
        return report

    def _keep(self, now_s: float, always: bool = False) -> None:
        report = self.follower.report(now_s)
        fault = self._kept.fault
        keep = self._kept.keep if always else self._kept.keep_if_due
        keep(report, now_s, now_s - self._power_on_s)
        if self._kept.fault and self._kept.fault != fault:
            self._say(self._kept.fault)

    def _send(self, move: FollowMove) -> None:
        if move.offset_cents is None:
            self._client.send("follow_move", voice=move.voice, back=True)
            return
        self._client.send(
            "follow_move",
            voice=move.voice,
            offset_cents=move.offset_cents,
            stretch_cents=move.stretch_cents,
            reference_cents=move.reference_cents,
            sounding_cents=move.sounding_cents,
        )

    # ------------------------------------------------------------ the stream

    def _take_answer(self, answer: dict[str, Any]) -> None:
        if answer.get("id") == self._claim_id:
            self._claim_id = None
            self._claimed = answer.get("said") == "reported"
            return
        if answer.get("id") != self._stream_id or "expected" not in answer:
            return
        now_s = time.monotonic()
        if answer.get("lost"):
            self._say(f"{answer['lost']} lines of the stream were lost: too slow")
            self.follower.stream_lost()
        for act in answer.get("asked", ()):
            self._ask(str(act.get("voice")), str(act.get("act")), now_s)
        self._lend(answer.get("inputs") == "wanted", now_s)
        for line in answer["expected"]:
            expected = expected_pitch_of(line)
            if expected.voice not in self._begun:
                self._begun.add(expected.voice)
                whole, by_hand = tuple(line["taken_out"]), tuple(line["by_hand"])
                self.follower.in_force(expected.voice, expected.at_s, whole, by_hand)
            elif self.follower.touched_anew(expected):
                whole, by_hand = tuple(line["taken_out"]), tuple(line["by_hand"])
                self.follower.in_force(expected.voice, expected.at_s, whole, by_hand)
            self.follower.hear(expected)
            self._delays.hear(expected)

    def _ask(self, voice: str, act: str, now_s: float) -> None:
        self._reloaded = self._reloaded or act == "reload"
        if voice == "all" and act in ("on", "off"):
            self.follower.off = act == "off"
        for name in self.follower.names if voice == "all" else (voice,):
            self.follower.ask(name, act, now_s)

    # ------------------------------------------------------------ sound

    def _lend(self, wanted: bool, now_s: float) -> None:
        begins, ends = wanted and not self._lent, self._lent and not wanted
        self._lent = wanted
        if begins and not self._opening:
            self._close_audio()
            self._claim_id = None
            self._claimed = False
            self._send_report(now_s)
        elif ends:
            self._open_at_s = now_s

    def _close_audio(self) -> None:
        if self._audio is not None:
            self._audio.close_now()
            self._audio = None

    def _claim(self, now_s: float) -> None:
        """Say that the inputs will be opened: from the answer on nobody else is lent them."""
        self._open_at_s = now_s + OPEN_AGAIN_S
        self._client.send("follow_report", voices=self._report(now_s), inputs=True)
        self._claim_id = self._client.last_id

    def _open(self, now_s: float) -> None:
        """Open the inputs; what fails is tried again later, and said once."""
        names = dict.fromkeys(voice.input for voice in self._followed)
        self._open_at_s = now_s + OPEN_AGAIN_S
        if not names:
            self._audio_fault = "found no voice with an audio input"
            return
        wanted = [
            WantedInput(i.name, i.device, i.device_is_pattern, i.channel, i.clock_ppm)
            for i in (self._loaded.audio_inputs[name] for name in names)
        ]
        self._opening = True
        try:
            self._audio = AudioInputs(wanted, self._must_give_up)
        except AudioError as error:
            self._opening = False
            if not self._lent and not self.stopping:
                self._fail(str(error))
            self._send_report(time.monotonic())
            return
        finally:
            self._opening = False
        if self._lent:
            self._close_audio()
            self._send_report(time.monotonic())
            return
        if self._audio_fault:
            self._say("the audio inputs are there again")
        self._audio_fault = ""

    def _must_give_up(self) -> bool:
        """Serve the socket while the inputs are being opened; return whether to let them go."""
        if select.select([self._client], (), (), 0)[0]:
            self._client.hear()
        for answer in self._client.answers():
            self._take_answer(answer)
        now_s = time.monotonic()
        if now_s - self._reported_s >= REPORT_EVERY_S:
            self._reported_s = now_s
            self._send_report(now_s)
        return self._lent or self.stopping

    def _fail(self, why: str) -> None:
        if why != self._audio_fault:
            self._say(why)
        self._audio_fault = why
        self._close_audio()
        self._open_at_s = time.monotonic() + OPEN_AGAIN_S

    def _listen(self, now_s: float) -> None:
        if self._audio is None:
            if self._claimed:
                self._claimed = False
                self._open(now_s)
            elif not self._lent and now_s >= self._open_at_s and self._claim_id is None:
                self._claim(now_s)
            return
        audio = self._audio
        try:
            audio.poll()
        except AudioError as error:
            self._fail(str(error))
            return
        audio.forget(now_s - KEPT_SOUND_S)
        self._measure_delay()
        if self._debt_s > MOST_READING_DEBT_S or not self._followed:
            return
        head_s = min(audio.head_s(name) for name in {v.input for v in self._followed})
        stretch = self.follower.next_stretch(min(head_s, now_s))
        if stretch is None:
            return
        take = audio.whole(stretch.input, stretch.from_s, stretch.seconds)
        if take is None:
            self.follower.refuse(stretch, "sound was lost")
            return
        began_s = time.process_time()
        self.follower.read(stretch, take.samples, take.rate_hz)
        self._debt_s += time.process_time() - began_s

    def _measure_delay(self) -> None:
        audio, due = self._audio, self._delays.due
        if not due or audio is None:
            return
        onset: Onset = due[0]
        if audio.head_s(onset.input) < onset.at_s + AFTER_S:
            return
        due.popleft()
        take = audio.whole(onset.input, onset.at_s - BEFORE_S, BEFORE_S + AFTER_S)
        if take is None:
            return
        found = self._delays.add(onset, onset_delay(take.samples, take.rate_hz))
        if found is not None:
            if onset.input not in self.follower.picker.delays_s:
                # Sound is stamped with the earliest moment it can be of, so it may seem early.
                late_ms = max(0.0, 500.0 * sum(found))
                self._say(f"input {onset.input}: {late_ms:.0f} ms behind the notes")
            self.follower.picker.delays_s[onset.input] = found


def followed_voices(
    loaded: LoadedRig,
    beliefs: dict[str, tuple[float, float, float]],
    knobs: dict[str, KeptKnob],
) -> tuple[list[FollowedVoice], list[ListenedVoice]]:
    """Return the voices of a rig that are followed, and others that are heard on their inputs."""
    followed: list[FollowedVoice] = []
    others: list[ListenedVoice] = []
    for voice in loaded.rig.voices:
        listening = loaded.listening[voice.name]
        if listening.input not in loaded.audio_inputs:
            continue
        always = voice.gate_ignored or listening.tap == "before_vca"
        if not listening.follow:
            others.append(ListenedVoice(voice.name, listening.input, always))
            continue
        step = bend_to_cents(1, voice.bend_range_cents)
        followed.append(
            FollowedVoice(
                voice.name,
                listening.input,
                always,
                _reference_cents(voice),
                max(step, CARD_STEP_CENTS),
                voice.bend_range_cents,
                beliefs.get(voice.name),
                NOTE_SIGMA_CENTS if voice.curve is not None else UNMEASURED_NOTE_CENTS,
                knobs.get(voice.name),
            )
        )
    return followed, others


def _reference_cents(voice: Voice) -> float:
    """Return a pitch in the middle of what a voice plays."""
    low, high = max(voice.lowest_note, 36), min(voice.highest_note, 84)
    middle = 50.0 * (low + high) if low <= high else 50.0 * (voice.lowest_note + voice.highest_note)
    return middle + 1200.0 * voice.panel_octaves
