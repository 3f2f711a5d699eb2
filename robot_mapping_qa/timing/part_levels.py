# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Levels of the smallest delay since a clock last stepped, and the least of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Mapping

from robot_mapping_qa.timing.delay_line import DelayLine

SURE_RISE_S = 3e-3
"""An earlier level is remembered where it lies lower by more than this: across a step its place
is known no better than the size of the step."""


class PartLevels:
    """
    The lines under the parts of one stream's delays that the same clock has stamped.

    Parts are numbered in the order in which they began. The lowest line of before, whose delays
    are not known any more or which another clock has stamped, is carried along.
    """

    def __init__(self) -> None:
        """Start without any line."""
        self._lines: dict[int, DelayLine] = {}
        self._first = 0
        self._earlier: DelayLine | None = None

    def begin(self, part: int, before: Mapping[int, DelayLine], step_s: float, now_ns: int
              ) -> None:
        """
        Go on with another clock from ``part`` on, by which delays read ``step_s`` more.

        ``before`` are the lines under the parts of the clocks before.
        """
        self._lines = {old: line for old, line in before.items() if old >= self._first}
        lowest = self._lowest(now_ns)
        if lowest is not None:
            self._earlier = replace(lowest, level_s=lowest.level_s + step_s)
        self._lines = {}
        self._first = part

    def forget(self) -> None:
        """Forget everything: where the smallest delay was says nothing about where it is."""
        self._lines = {}
        self._earlier = None

    def lay_one(self, part: int, line: DelayLine) -> None:
        """Take a part's line, laid anew on the course of the others."""
        self._lines[part] = line

    def lay_all(self, lines: Mapping[int, DelayLine], now_ns: int) -> None:
        """Take the lines of all parts whose delays are still known."""
        known = {part: line for part, line in lines.items() if part >= self._first}
        if known and not self._lines.keys() <= known.keys():
            self._earlier = self._lowest(now_ns)
        self._lines = known

    def line(self, part: int) -> DelayLine | None:
        """Return the line under a part, None where it is not known."""
        return self._lines.get(part)

    def least(self, now_ns: int) -> tuple[float, float] | None:
        """Return the smallest delay of the run at a host time and its sigma, None without any."""
        lowest = self._lowest(now_ns)
        return None if lowest is None else (lowest.at(now_ns), lowest.sigma_at(now_ns))

    def _lowest(self, now_ns: int) -> DelayLine | None:
        earlier = self._earlier
        if not self._lines:
            return earlier
        lowest = min(self._lines.values(), key=lambda line: line.at(now_ns))
        if earlier is not None:
            room_s = SURE_RISE_S + 3.0 * earlier.sigma_at(now_ns)
            if earlier.at(now_ns) < lowest.at(now_ns) - room_s:
                return earlier
        return lowest
