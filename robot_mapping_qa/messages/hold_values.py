# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The present or last hold among the values of the gate's status: told, and read back."""

from __future__ import annotations

from typing import Any, Mapping, NamedTuple

from robot_mapping_qa.capture.holds import Hold
from robot_mapping_qa.capture.moments import Course, Span

SPANS_TOLD = 20
"""Of a cause that comes and goes the newest spans: the status comes twice a second."""

_CAUSE, _SPANS = 'hold/cause/', 'hold/spans_ns/'


class HoldValues(NamedTuple):
    """What the gate tells of a hold; see `Hold`."""

    onset_ns: int
    closed_ns: int
    released_ns: int | None
    reasons: tuple[str, ...]
    courses: dict[str, Course]


def hold_values(hold: Hold) -> dict[str, Any]:
    """Return the values that tell of a hold, with its reasons for a person."""
    return {
        'hold/onset_ns': hold.onset_ns, 'hold/closed_ns': hold.closed_ns,
        'hold/released_ns': hold.released_ns,
        **{f'hold/reason_{number}': text for number, text in enumerate(hold.reasons, start=1)}}


def course_values(hold: Hold) -> dict[str, Any]:
    """Return the values that tell which cause held the gate when."""
    values = {}
    for key, course in hold.courses.items():
        values[_CAUSE + key] = course.text
        values[_SPANS + key] = ' '.join(
            f'{since_ns} {"-" if end_ns is None else end_ns}'
            for since_ns, end_ns in course.spans[-SPANS_TOLD:])
    return values


def hold_from_values(values: Mapping[str, str]) -> HoldValues | None:
    """Return what the values tell, None without a hold; ValueError or KeyError on nonsense."""
    if 'hold/closed_ns' not in values:
        return None
    released = values['hold/released_ns']
    return HoldValues(
        int(values['hold/onset_ns']), int(values['hold/closed_ns']),
        int(released) if released else None,
        tuple(text for key, text in values.items() if key.startswith('hold/reason_')),
        {key[len(_CAUSE):]: Course(text, _spans(values[_SPANS + key[len(_CAUSE):]]))
         for key, text in values.items() if key.startswith(_CAUSE)})


def _spans(text: str) -> tuple[Span, ...]:
    words = text.split()
    return tuple((int(since), None if end == '-' else int(end))
                 for since, end in zip(words[::2], words[1::2], strict=True))
