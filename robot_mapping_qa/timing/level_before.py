# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Where the smallest delay was before something changed, to know when all is as it was.

What a step was taken for can be wrong on an overloaded computer: stamps are late themselves then,
and all delays rise together. Once the smallest delay is again what it was before the first
change, no clock has moved in between for good, whatever was made of the changes.
"""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.timing.one_way import OneWayClock

CALM_BLOCKS, FIRST_BLOCKS = 6, 2
"""So many half seconds with about the same smallest delay make a level; and so few the first one,
as a clock may step as soon as it is watched."""
RETURN_BLOCKS = 3
"""So many half seconds in a row must all be back at it."""
LEAST_ROOM_S, MOST_ROOM_S = 2e-3, 8e-3
"""How near to the level counts: within what delays scatter, and well within the 20 ms by which
clocks may move."""
DRIFT = 20e-6
"""How well the clock's rate is known that carries the level on. Common practice, no source."""
LASTS_NS = 600_000_000_000
"""After ten minutes of drift the level says nothing any more."""


@dataclass(frozen=True, slots=True)
class LevelBefore:
    """The smallest delay was ``level_s`` at ``at_ns`` and grew by ``slope``."""

    at_ns: int
    level_s: float
    slope: float
    room_s: float

    def grown_s(self, time_ns: int) -> float:
        """Return by how much the level has grown since then, seconds."""
        return self.slope * (time_ns - self.at_ns) * 1e-9

    def held_again_ns(self, one_way: OneWayClock, changed_ns: int, shift_s: float) -> int | None:
        """
        Return since when the newest delays are at the level, raised by ``shift_s``.

        None where they are not, or not all of them came after ``changed_ns``.
        """
        newest = one_way.newest(RETURN_BLOCKS)
        if newest is None:
            return None
        begin_ns, least = newest
        if begin_ns < changed_ns:
            return None
        level_s = self.level_s + shift_s + self.grown_s(begin_ns)
        room_s = min(self.room_s + DRIFT * (begin_ns - self.at_ns) * 1e-9, MOST_ROOM_S)
        same = all(abs(value * 1e-9 - level_s) <= room_s for value in least)
        return begin_ns if same else None

    def outlived(self, now_ns: int) -> bool:
        """Whether it is too long ago to tell anything."""
        return now_ns - self.at_ns > LASTS_NS


def calm_level(one_way: OneWayClock, blocks: int = CALM_BLOCKS) -> LevelBefore | None:
    """Return the level of the newest half seconds, None where they do not agree on one."""
    newest = one_way.newest(blocks)
    if newest is None or one_way.line is None:
        return None
    at_ns, least = newest
    least.sort()
    if (least[-1] - least[0]) * 1e-9 > MOST_ROOM_S:
        return None
    level = least[blocks // 2]
    if abs(level * 1e-9 - one_way.line.at(at_ns)) > MOST_ROOM_S:
        # A burst may be on: the line has not followed.
        return None
    return LevelBefore(at_ns, level * 1e-9, one_way.line.course.slope_at(at_ns),
                       LEAST_ROOM_S + 2e-9 * (level - least[0]))
