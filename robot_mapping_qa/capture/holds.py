# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The record of one hold, which reads right when the hold is long over."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Iterable, Sequence

from robot_mapping_qa.capture.causes import by_cause
from robot_mapping_qa.capture.moments import Course, joined, Moments, Span, with_consequences
from robot_mapping_qa.verdicts import Condition

AFTERMATH_NS = 1_000_000_000
"""What lasts for so much longer than its cause, settling included, has another one."""

STARTING_NS = 1_000_000_000
"""A stream whose first message comes within this time was not missing."""

MOST_SPANS = 1000
"""Kept of a cause that comes and goes; the two oldest are then taken for one."""

SO_FAR, UNTIL_THE_END = ' so far', ', until the end'
"""Behind how long a cause has held that goes on, now and once nothing more is to come."""

_S = 1_000_000_000


@dataclass(slots=True)
class Cause:
    """
    One condition over the length of a hold.

    ``text`` is its sentence for the record. It holds since ``since_ns`` or did so until
    ``last_ns``; before that, ``times - 1`` times for ``before_ns`` in all, in the ``earlier``
    spans of time.
    """

    text: str
    since_ns: int
    last_ns: int
    times: int = 1
    before_ns: int = 0
    earlier: list[Span] = field(default_factory=list)

    @property
    def lasted_ns(self) -> int:
        """How long it held, all times together."""
        return self.before_ns + max(0, self.last_ns - self.since_ns)

    def begin_again(self, since_ns: int, now_ns: int) -> None:
        """Take note that it came back after it had been over."""
        self.earlier.append((self.since_ns, max(self.since_ns, self.last_ns)))
        if len(self.earlier) > MOST_SPANS:
            self.earlier[:2] = [(self.earlier[0][0], self.earlier[1][1])]
        self.before_ns = self.lasted_ns
        self.since_ns = since_ns
        self.last_ns = now_ns
        self.times += 1


@dataclass(slots=True)
class Hold:
    """
    One closing of the gate.

    ``onset_ns`` is when its earliest cause began, ``closed_ns`` when the gate closed and
    ``released_ns`` when it opened again (None while it is held). ``unit`` is the name of the
    pose stream. ``causes`` keeps every condition that held the gate, by key, in the order in
    which they appeared. ``at_end`` says that the recording ended while the gate was held.
    """

    onset_ns: int
    closed_ns: int
    released_ns: int | None = None
    unit: str = ''
    causes: dict[str, Cause] = field(default_factory=dict)
    at_end: bool = False
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
                cause.begin_again(max(condition.onset_ns, cause.last_ns), now_ns)
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
        """One sentence a cause, its consequences behind it, in the order of how long each held."""
        told = [key for key in self.causes if not self._was_there_soon(key)] or list(self.causes)
        families = by_cause(told, self.unit, self._outlasts)
        sentences = []
        for roots in self._alike(list(families)):
            following = self._alike([key for root in roots for key in families[root]])
            sentences.append(with_consequences(
                self._sentence(roots), ', '.join(map(self._sentence, following))))
        return tuple(sentences)

    @property
    def moments(self) -> Moments:
        """What held the gate when."""
        return Moments(self.courses, self.unit)

    @property
    def courses(self) -> dict[str, Course]:
        """The causes by key, with the spans of time in which each held."""
        return {key: Course(cause.text, (*cause.earlier, (
            cause.since_ns, None if self._goes_on(key) else cause.last_ns)))
            for key, cause in self.causes.items()}

    def _goes_on(self, key: str) -> bool:
        return self.released_ns is None and key in self._noted

    def _was_there_soon(self, key: str) -> bool:
        return key.endswith('/not_seen') and self.causes[key].lasted_ns < STARTING_NS

    def _outlasts(self, key: str, cause: str) -> bool:
        subject, _, kind = cause.partition('/')
        if key.endswith('/settling'):
            return False
        ends_ns = [self.causes[each].last_ns for each in (cause, f'{subject}/settling')
                   if each in self.causes]
        return self.causes[key].last_ns > max(ends_ns) + AFTERMATH_NS

    def _alike(self, keys: Sequence[str]) -> list[list[str]]:
        """Return the keys, those that lasted longest first, what settles in one group."""
        settling = [key for key in keys if key.endswith('/settling')]
        groups = [[key] for key in keys if key not in settling] + [settling] * bool(settling)
        return sorted(groups, key=lambda group: -max(map(self._lasted_ns, group)))

    def _lasted_ns(self, key: str) -> int:
        return self.causes[key].lasted_ns

    def _sentence(self, keys: Sequence[str]) -> str:
        """Return the sentence of a cause, or of several that settle, with how long it lasted."""
        longest = max(keys, key=self._lasted_ns)
        cause = self.causes[longest]
        often = f'{cause.times} times, ' if cause.times > 1 else ''
        tail = ' in all' if cause.times > 1 else ''
        if self._goes_on(longest):
            tail = UNTIL_THE_END if self.at_end else SO_FAR
        text = joined({key: self.causes[key].text for key in keys})
        return f'{text} ({often}for {cause.lasted_ns / _S:.1f} s{tail})'
