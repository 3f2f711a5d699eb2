# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What messages that are held back have in common, and how they differ from those before."""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

from robot_mapping_qa.timing.ordinary import Message, Ordinary

COUNTS = (16, 8, 4)
"""So many messages next to a change are looked at."""
FEW = 8
"""So many and more show their smallest delay by the three lowest."""
NEAR = 0.25
"""Delays are near each other within this share of a period."""
SAME = 0.25
"""Smallest delays are the same within this share of what they wander by themselves."""
AVERAGED = 12
"""The middle of so many stamps is known twice as well as one."""
SHARP = 4.0
"""A fall by so many times what the lowest delays lie apart is none by chance."""
CRYSTALS = 1e-4
"""Clocks that are left to themselves drift apart by up to this share. Common practice, no source:
crystals are specified within 100 ppm."""
LEAST_SHARE = 0.6
"""At least so many of the messages held back must be the new clock's."""


def own_messages(waiting: list[Message], ordinary: Ordinary, reference: int) -> list[Message]:
    """
    Return the messages that keep to the grid of the newest one; none where too few do.

    Where that grid is another one than that of the stamp ``reference``, the others are stray
    messages of before, which may still come in for a while.
    """
    newest = waiting[-1][0]
    room = ordinary.tolerance_ns
    offs = [ordinary.off_grid(stamp - newest) for stamp, _ in waiting]
    if max(offs) - min(offs) <= 2.0 * room:
        return waiting
    own = [message for message, off in zip(waiting, offs) if abs(off) <= room]
    strays = [message for message, off in zip(waiting, offs) if abs(off) > room]
    if len(own) < max(3.0, LEAST_SHARE * len(waiting)) or any(
            abs(ordinary.off_grid(stamp - reference)) > ordinary.grid_room(stamp - reference)
            for stamp, _ in strays):
        return []
    return own


class Move(NamedTuple):
    """
    By how much the smallest delay moved, ns, and the sorted delays that show it.

    ``drift`` is by how much clocks may have drifted apart between the two, ns.
    """

    moved: int
    before: list[int]
    after: list[int]
    drift: float

    def chance(self, raised_ns: float, ordinary: Ordinary) -> float:
        """
        Return how likely delays are that have moved so if those after are all ``raised_ns``.

        By chance any order of the delays is as likely (as in the rank test of Wilcoxon): so many
        that are lower than all ``before`` are all of the later ones. A fall by much more than
        what the lowest ones lie apart is none by chance, unless all ``before`` lie higher than
        they need.
        """
        before, after = self.before, self.after
        moved = self.moved + raised_ns
        near = SAME * ordinary.room_ns
        if abs(moved) < near + self.drift:
            return 1.0
        if moved > 0.0:
            return ordinary.chance(moved - self.drift, len(after))
        apart = max(near, *(
            delays[2] - delays[0] for delays in (before, after) if len(delays) > 2))
        if moved < -SHARP * apart:
            high = after[0] - self.moved - ordinary.floor_ns
            return ordinary.chance(high, len(before)) if high + moved > -ordinary.room_ns else 0.0
        chance = 1.0
        for lower in range(bisect_left(after, before[0] - raised_ns - self.drift)):
            chance *= (len(after) - lower) / (len(before) + len(after) - lower)
        return chance


def delay_moves(before: list[Message], after: list[Message], ordinary: Ordinary
                ) -> tuple[list[Move], bool]:
    """
    Return by how much the delay of messages differs from that of those just before.

    Where delays are steady compared with the period, those just before and after are compared,
    so that a burst that happens to be on does not matter; there is more than one answer where
    it began or ended just before. Else it is the smallest ones that are compared, of the whole
    time ``before``. The second value tells whether delays are steady.
    """
    near = NEAR * ordinary.period_ns
    old, new = [[(messages, delays) for messages in groups
                 if _steady(delays := _delays(messages), near)] for groups in (
        [before[-count:] for count in COUNTS],
        [after, *(after[:count] for count in COUNTS if count < len(after))])]
    if old and new:
        return [_move(*there, *here) for here in new for there in old], True
    move = _move(before, _delays(before), after, _delays(after))
    return [move._replace(moved=move.after[0] - ordinary.floor_ns)], False


def _delays(messages: list[Message]) -> list[int]:
    """Return the sorted delays."""
    return sorted(receive - stamp for stamp, receive in messages)


def _move(before: list[Message], old: list[int], after: list[Message], new: list[int]) -> Move:
    """Return by how much the sorted delays ``new`` of messages differ from those ``old``."""
    return Move(new[0] - old[0], old, new, CRYSTALS * (after[-1][1] - before[0][1]))


def usual_delay(before: list[Message], ordinary: Ordinary) -> float:
    """Return the longest delay that is ordinary, or like those of the last messages."""
    last = sorted(receive - stamp for stamp, receive in before[-COUNTS[-1]:])
    return max(ordinary.high_ns, ordinary.floor_ns + ordinary.room_ns,
               last[-2] + NEAR * ordinary.period_ns)


def _steady(delays: list[int], near: float) -> bool:
    """Whether all sorted delays but one lie near the smallest, or of many the three lowest."""
    return len(delays) > 2 and delays[2 if len(delays) >= FEW else -2] - delays[0] < near


def off_old_grid(own: list[Message], ordinary: Ordinary, reference: int) -> tuple[float, float]:
    """Return how far the middle stamp is off the grid of ``reference``, and may be by it, ns."""
    first = own[0][0]
    offs = sorted(ordinary.off_grid(stamp - first) for stamp, _ in own)
    allowed = ordinary.grid_room(first - reference)
    if len(own) >= AVERAGED:
        allowed *= 0.5
    return ordinary.off_grid(offs[len(own) // 2] + first - reference), allowed
