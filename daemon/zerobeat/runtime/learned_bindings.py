"""The bindings that ``learn`` writes.

| command | takes |
| --- | --- |
| `bind` | `input` and the keys of a binding in a pedalboard file; answered once on the disk |
| `forget` | `number`: of a binding, as `bindings` counts them |
| `bindings` | nothing; answers with `bindings`, the learned ones first |
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from ..engine.commands import Command, UseLearned
from ..engine.engine import Engine
from ..engine.pedals.bindings import Binding, Learned
from ..errors import CommandError, StoreError, one_of
from ..json_value import JsonObject
from ..ports.deferred_answer import Accepted, DeferredAnswer
from ..state.bindings_file import (
    MOST_LEARNED,
    learned_from,
    learned_to_yaml,
    plain_learned,
    read_learned,
    with_learned,
)
from ..state.store_writer import Done
from .journal import Journal
from .persistence import Persistence, refused


class _Change(NamedTuple):
    """A change of what is learned, and who waits for it."""

    learned: Callable[[], tuple[Learned, ...]]  # raises CommandError
    said: str
    later: DeferredAnswer


class LearnedBindings:
    """Learned bindings: in force at once, on the disk before the answer.

    Args:
        persistence: the disk.
        engine: whose pedals they are.
        act: hands a command to the engine.
        journal: for a file that can't be read.
    """

    def __init__(
        self,
        persistence: Persistence,
        engine: Engine,
        act: Callable[[Command], None],
        journal: Journal,
    ) -> None:
        self._persistence = persistence
        self._engine = engine
        self._act = act
        self._learned: tuple[Learned, ...] = ()
        self._changes: deque[_Change] = deque()  # the first is being stored; others wait for it
        self.known: dict[str, Callable[[JsonObject], DeferredAnswer]] = {
            "bind": self._bind,
            "forget": self._forget,
            "bindings": self._bindings,
        }
        self._load(journal)

    def _load(self, journal: Journal) -> None:
        try:
            found = self._persistence.store.load_bindings()
        except StoreError as error:
            journal.log(f"{error}; nothing that was learned is in force")
            return
        if found is None:
            return
        self._learned, lines = read_learned(found.content, found.path)
        for line in (*found.warnings, *lines):
            journal.log(line)
        # The loop does not run yet, and this sends nothing.
        self._engine.receive(UseLearned(self._learned), "", 0.0, [])

    # ------------------------------------------------------------ commands

    def _bind(self, values: JsonObject) -> DeferredAnswer:
        rig = self._engine.rig
        new = learned_from(values, rig.program_numbers_from, rig.middle_c_octave)
        self._check(new)

        def learned() -> tuple[Learned, ...]:
            if len(self._learned) >= MOST_LEARNED:
                raise CommandError(f"{MOST_LEARNED} switches are learned already; forget some")
            return with_learned(self._learned, new)

        return self._keep(learned, f"learned {new.input}: {self._in_words(new.binding)}")

    def _check(self, new: Learned) -> None:
        """Refuse names that the rig does not have."""
        engine = self._engine
        inputs = [source.name for source in engine.rig.inputs]
        for what, name, names in (
            ("input", new.input, inputs),
            ("voice", new.binding.voice, list(engine.states)),
            ("scene", new.binding.scene, list(engine.live.bank)),
        ):
            if name is not None and name not in names:
                allowed = one_of(name, names) or "none"
                raise CommandError(f"{what}: found {name}; allowed: {allowed}")

    def _forget(self, values: JsonObject) -> DeferredAnswer:
        number = values.get("number")
        if set(values) != {"number"} or not isinstance(number, int) or isinstance(number, bool):
            raise CommandError("forget: needs number alone, a whole number")
        if not 1 <= number <= len(self._learned):
            count = len(self._learned)
            allowed = f"1 to {count}" if count else "none, nothing is learned"
            raise CommandError(f"number: found {number}; allowed: {allowed}")
        gone = self._learned[number - 1]

        def left() -> tuple[Learned, ...]:
            return tuple(one for one in self._learned if one is not gone)

        return self._keep(left, f"forgot {gone.input}: {self._in_words(gone.binding)}")

    def _in_words(self, binding: Binding) -> str:
        from ..config.describe import binding_text  # at hand only when a player asks

        rig = self._engine.rig
        return binding_text(binding, rig.program_numbers_from, rig.middle_c_octave)

    def _keep(self, change: Callable[[], tuple[Learned, ...]], said: str) -> DeferredAnswer:
        """Take a change into force and store it, once those before it are on the disk.

        One that could not be stored is taken back, so the next has to begin without it.
        """
        later = DeferredAnswer()
        self._changes.append(_Change(change, said, later))
        if len(self._changes) == 1:
            try:
                self._store_next()
            except CommandError:
                self._changes.clear()
                raise
        return later

    def _store_next(self) -> None:
        change = self._changes[0]
        before, learned = self._learned, change.learned()

        def stored(done: Done, now_s: float) -> None:
            self._changes.popleft()
            if done.error:
                self._use(before)
                change.later.resolve(refused(done.error), now_s)
            else:
                answer: Accepted = {"ok": True, "said": change.said, "file": str(done.path)}
                change.later.resolve(answer, now_s)
            while self._changes:
                try:
                    self._store_next()
                    return
                except CommandError as error:
                    self._changes.popleft().later.resolve(refused(str(error)), now_s)

        text = learned_to_yaml(learned, self._engine.rig.program_numbers_from)
        self._persistence.save_bindings(text, stored)
        self._use(learned)

    def _use(self, learned: tuple[Learned, ...]) -> None:
        self._learned = learned
        self._act(UseLearned(learned))

    def _bindings(self, values: JsonObject) -> DeferredAnswer:
        if values:
            raise CommandError(
                f"{next(iter(values))[:40]}: found unknown key; allowed: nothing more"
            )
        rig = self._engine.rig
        first = rig.program_numbers_from
        inputs = {source.name for source in rig.inputs}
        shown: list[JsonObject] = [
            {
                "number": number,
                "text": f"{one.input}: {self._in_words(one.binding)}",
                "in_force": one.input in inputs,
                **plain_learned(one, first),
            }
            for number, one in enumerate(self._learned, 1)
        ]
        for name, pedalboard in rig.pedalboards.items():
            for binding in pedalboard.bindings:
                one = Learned(name, binding)
                over = self._engine.pedals.bound.in_force(name, binding)
                text = f"{name}: {self._in_words(binding)}"
                shown.append({"text": text, "in_force": over, **plain_learned(one, first)})
        later = DeferredAnswer()
        later.resolve({"ok": True, "bindings": shown}, time.monotonic())
        return later
