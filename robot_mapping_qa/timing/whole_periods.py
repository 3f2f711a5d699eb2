# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Steps by whole periods, which leave the stamps on their grid.

Such a step shows in the count of the stamps alone: a step back gives some of them out twice, a
step forward never gives some out, while messages keep coming. When the delay changes instead,
every stamp is given out once: stamps go on as they were, or fill the hole that they were
overtaken over.
"""

from __future__ import annotations

from typing import Callable

Message = tuple[int, int]
"""Stamp and receive time, ns."""
Chance = Callable[[float, int], float]
"""Return the chance that so many delays in a row all exceed the smallest one by this much, ns."""

SAME_MESSAGE = 0.8
"""Where messages come twice, the second copy comes sooner than this share of the step after the
first one; a stamp that a step gives out again comes later."""
SHARE_REPEATED = 0.5
"""Least share of the stamps due to repeat that must: some are lost."""
ODDS = 3.0
"""A hole must be so much likelier left by a step than by lost messages."""
UNLIKELY = 0.01


def numbers(messages: list[Message], period_ns: float) -> list[int]:
    """
    Return the number of each message's stamp on the grid, counted from the first one.

    Counted from message to message, so that it does not matter how exactly the period is known.
    """
    number, last = 0, messages[0][0]
    counted = []
    for stamp, _ in messages:
        number += round((stamp - last) / period_ns)
        last = stamp
        counted.append(number)
    return counted


def stepped_back(messages: list[Message], periods: int, period_ns: float, new_floor_ns: float,
                 room_ns: float) -> bool:
    """
    Whether the newest messages repeat stamps as a step back by ``periods`` makes them.

    ``messages`` are those of before and after, in order of arrival. Delays of the new clock lie
    above ``new_floor_ns`` less ``room_ns``.
    """
    slots = numbers(messages, period_ns)
    limit_ns = new_floor_ns - room_ns
    first: dict[int, int] = {}
    oldest, last_old = max(slots), 0
    apart: list[int] = []
    copies = 0
    for place, (slot, (stamp, receive)) in enumerate(zip(slots, messages)):
        before = first.setdefault(slot, receive)
        if receive - stamp < limit_ns:
            last_old = place
            oldest = min(oldest, slot)
            copies += receive > before
        elif receive > before:
            apart.append(receive - before)
    new = slots[last_old + 1:]
    # Where the oldest messages are not known any more, stamps older than those are repeated too.
    unknown = sum(slot < oldest for slot in new)
    least_ns = SAME_MESSAGE * periods * period_ns if copies else 0.0
    repeated = unknown + sum(value > least_ns for value in apart)
    return repeated >= max(1.0, SHARE_REPEATED * min(periods, len(new) + len(apart)))


def stepped_forward(messages: list[Message], periods: int, period_ns: float,
                    old_floor_ns: float, room_ns: float, chance: Chance) -> int | None:
    """
    Return when a step forward by ``periods`` shows first, None where stamps show none.

    ``messages`` are those of before and after, in order of arrival. Delays below
    ``old_floor_ns`` less ``room_ns`` are surely the new clock's; the stamps that it skipped lie
    just before the first of those.
    """
    slots = numbers(messages, period_ns)
    sure = [slot for slot, (stamp, receive) in zip(slots, messages)
            if receive - stamp < old_floor_ns - room_ns]
    if not sure:
        return None
    first_sure = min(sure)
    given = sorted(set(slots))
    place = given.index(first_sure)
    span = given[-1] - given[0] + 1
    excess = periods * period_ns - room_ns
    for unsure in range(place):
        hole = given[place - unsure] - given[place - unsure - 1] - 1
        likely = chance(excess, unsure)
        if likely < UNLIKELY:
            return None
        if hole >= periods:
            loss = (span - len(given) - hole + 1) / span
            if hole > 2 * periods + 2 or likely < ODDS * (unsure + 1) * loss ** periods:
                return None
            new = given[place - unsure]
            return min(receive for slot, (_, receive) in zip(slots, messages) if slot >= new)
    return None
