# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Steps by whole periods, which leave the stamps on their grid.

Such a step shows in the count of the stamps alone: a step back repeats some of them, a step
forward skips some, while messages keep coming. When the delay changes instead, stamps go on as
they were, or fill the holes of those that they were overtaken by.
"""

from __future__ import annotations

SAME_MESSAGE = 0.8
"""A second copy of a message comes sooner than this share of the step after the first one; a stamp
that a step repeats comes later."""
SHARE_REPEATED = 0.5
"""Least share of the stamps due to repeat that must: some are lost."""
SHARE_SKIPPED = 0.8
"""Least share of the stamps due to be missing that must be missing in a row."""


def stepped_back(before: list[tuple[int, int]], after: list[tuple[int, int]], periods: int,
                 period_ns: float) -> bool:
    """
    Whether the messages of ``after`` repeat stamps as a step back by ``periods`` makes them.

    Messages are (stamp, receive time) in order of arrival.
    """
    base = after[0][0]
    first: dict[int, int] = {}
    for stamp, receive in before:
        first.setdefault(round((stamp - base) / period_ns), receive)
    oldest = min(first)
    apart_ns = SAME_MESSAGE * periods * period_ns
    due = after[:periods]
    repeated = 0
    for stamp, receive in due:
        slot = round((stamp - base) / period_ns)
        repeated += slot < oldest or receive - first.get(slot, receive) > apart_ns
    return repeated >= SHARE_REPEATED * len(due)


def stepped_forward(before: list[tuple[int, int]], after: list[tuple[int, int]], periods: int,
                    period_ns: float, middle_ns: float) -> bool:
    """
    Whether stamps are missing between ``before`` and ``after`` as a step forward makes them.

    Delays of ``before`` above ``middle_ns`` belong to the time before the step.
    """
    base = after[0][0]
    newest = max((round((stamp - base) / period_ns) for stamp, receive in before
                  if receive - stamp > middle_ns), default=0)
    # A message of the new clock may have slipped in before; one that was overtaken fills a hole.
    slots = [round((stamp - base) / period_ns) for stamp, _ in before + after]
    return longest_gap([newest, *(slot for slot in slots if slot > newest)]) \
        >= SHARE_SKIPPED * periods


def longest_gap(slots: list[int]) -> int:
    """Return the longest run of numbers that are missing between the others."""
    ordered = sorted(set(slots))
    return max((right - left - 1 for left, right in zip(ordered, ordered[1:])), default=0)
