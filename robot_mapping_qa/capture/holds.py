# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The record of one hold, which reads right when the hold is long over."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Iterable

from robot_mapping_qa.capture.causes import by_cause
from robot_mapping_qa.verdicts import Condition

_S = 1_000_000_000


@dataclass(slots=True)
class Cause:
    """
    One condition over the length of a hold.

    ``text`` is its sentence for the record. It holds since ``since_ns`` or did so until
    ``last_ns``; before that, ``times - 1`` times for ``before_ns`` in all.
    """

    text: str
    since_ns: int
    last_ns: int
    times: int = 1
    before_ns: int = 0

    def sentence(self, so_far: bool) -> str:
        """Return the sentence with how long the condition lasted; ``so_far``: it still does."""
        lasted_s = (self.before_ns + max(0, self.last_ns - self.since_ns)) / _S
        often = f'{self.times} times, ' if self.times > 1 else ''
        tail = ' so far' if so_far else ' in all' if self.times > 1 else ''
        return f'{self.text} ({often}for {lasted_s:.1f} s{tail})'


@dataclass(slots=True)
class Hold:
    """
    One closing of the gate.

    ``onset_ns`` is when its earliest cause began, ``closed_ns`` when the gate closed and
    ``released_ns`` when it opened again (None while it is held). ``unit`` is the name of the
    pose stream. ``causes`` keeps every condition that held the gate, by key, in the order in
    which they appeared.
    """

    onset_ns: int
    closed_ns: int
    released_ns: int | None = None
    unit: str = ''
    causes: dict[str, Cause] = field(default_factory=dict)
    _noted: frozenset[str] = frozenset()

    def note(self, conditions: Iterable[Condition], now_ns: int) -> bool:
        """
        Take what holds the gate at ``now_ns``; return whether that sets the onset back.

        A condition found during the hold may have begun before it.
        """
        conditions = tuple(conditions)
        for key in self._noted:
            # Also for those that are over now: they lasted until this look.
            self.causes[key].last_ns = max(now_ns, self.causes[key].since_ns)
        for condition in conditions:
            cause = self.causes.get(condition.key)
            if cause is None:
                self.causes[condition.key] = Cause(
                    condition.for_the_record, condition.onset_ns, now_ns)
                continue
            if condition.key not in self._noted:
                cause.before_ns += max(0, cause.last_ns - cause.since_ns)
                cause.since_ns = max(condition.onset_ns, cause.last_ns)
                cause.last_ns = now_ns
                cause.times += 1
            if condition.record:
                cause.text = condition.record
        self._noted = frozenset(condition.key for condition in conditions)
        earliest_ns = min((c.onset_ns for c in conditions), default=self.onset_ns)
        if earliest_ns >= self.onset_ns:
            return False
        self.onset_ns = earliest_ns
        return True

    @property
    def reasons(self) -> tuple[str, ...]:
        """One sentence a cause, its consequences behind it, in the order of appearance."""
        causes = self.causes

        def sentence(key: str) -> str:
            return causes[key].sentence(self.released_ns is None and key in self._noted)
        return tuple(
            sentence(key) + (', and so: ' + ', '.join(map(sentence, following))
                             if following else '')
            for key, following in by_cause(causes, self.unit).items())
