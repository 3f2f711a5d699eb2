# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What held the gate at one moment of a hold: the reasons of a single picture."""

from __future__ import annotations

from bisect import bisect_right
from typing import Iterable, Mapping, NamedTuple, Sequence

from robot_mapping_qa.capture.causes import by_cause

Span = tuple[int, int | None]
"""First and last instant, host time in ns; None while it goes on."""

HEALTHY_AGAIN = 'healthy again, waiting for the off-delay'


class Course(NamedTuple):
    """The sentence of a cause and the spans of time in which it held, the oldest first."""

    text: str
    spans: Sequence[Span]


def merged(known: Mapping[str, Course], told: Mapping[str, Course]) -> dict[str, Course]:
    """Return the courses told, with the earlier spans that are known of them."""
    return {key: Course(course.text, (
        *_until(known[key].spans, course.spans[0][0]), *course.spans))
        if key in known and course.spans else course for key, course in told.items()}


def _until(spans: Sequence[Span], time_ns: int) -> list[Span]:
    """Return the spans that began before a time; none of them outlasts it."""
    return [(since_ns, time_ns if end_ns is None else end_ns)
            for since_ns, end_ns in spans if since_ns < time_ns]


class Moments:
    """The causes of a hold over time."""

    def __init__(self, courses: Mapping[str, Course], unit: str) -> None:
        """Take the causes by key; ``unit`` is the name of the pose stream."""
        self._courses = courses
        self._unit = unit

    def at(self, stamp_ns: int, receive_ns: int) -> tuple[str, ...]:
        """
        Return the reasons of a picture that was taken during the hold.

        Those are the causes that held at its stamp. A picture that was stamped before all of
        them or after the last is told by what held until its receipt, else that all was well
        again. Host time.
        """
        keys = self._within(stamp_ns, stamp_ns) or self._within(
            min(stamp_ns, receive_ns), max(stamp_ns, receive_ns))
        return self._sentences(keys) or (HEALTHY_AGAIN,)

    def before(self, stamp_ns: int, receive_ns: int) -> tuple[str, ...]:
        """Return those of a picture that was taken before the gate closed: the same, or all."""
        keys = self._within(stamp_ns, stamp_ns) or self._within(
            min(stamp_ns, receive_ns), max(stamp_ns, receive_ns)) or list(self._courses)
        return self._sentences(keys)

    def _within(self, first_ns: int, last_ns: int) -> list[str]:
        return [key for key, course in self._courses.items()
                if _touches(course.spans, first_ns, last_ns)]

    def _sentences(self, keys: Iterable[str]) -> tuple[str, ...]:
        families = by_cause(keys, self._unit)
        alone = [key for key in families if key.endswith('/settling') and not families[key]]
        groups = [[key] for key in families if key not in alone] + [alone] * bool(alone)
        return tuple(with_consequences(self._text(group), self._text(families[group[0]]))
                     for group in groups)

    def _text(self, keys: Iterable[str]) -> str:
        return joined({key: self._courses[key].text for key in keys})


def _touches(spans: Sequence[Span], first_ns: int, last_ns: int) -> bool:
    """Return whether one of the spans, which follow each other, holds part of an interval."""
    place = bisect_right(spans, last_ns, key=lambda span: span[0])
    if not place:
        return False
    end_ns = spans[place - 1][1]
    return end_ns is None or first_ns <= end_ns


def with_consequences(cause: str, consequences: str) -> str:
    """Return the sentence of a cause with what follows from it, if anything does."""
    return f'{cause}, and so: {consequences}' if consequences else cause


def joined(texts: Mapping[str, str]) -> str:
    """Return the sentences of conditions, by key, as one; several that settle in one phrase."""
    settling = [key.partition('/')[0] for key in texts if key.endswith('/settling')]
    if len(settling) < 2:
        return ', '.join(texts.values())
    return ', '.join([text for key, text in texts.items() if not key.endswith('/settling')]
                     + [f'settling: {", ".join(settling)}'])
