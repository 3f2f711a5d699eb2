# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One stream's clock over a run: its offset, and how far it has moved since it settled."""

from __future__ import annotations

from math import hypot

from robot_mapping_qa.timing.one_way import OneWayClock

KNOWN_SKEW = 50e-6
"""A skew that is not known better than this is not reported: it is a guess about crystals."""


class StreamClock:
    """
    Keeps the clock's movements apart from the delay's.

    The line under the delays (`OneWayClock`) starts again whenever clock or delay has stepped.
    Where it was the delay, its change is taken off, so that `offset` follows the clock alone.
    """

    def __init__(self) -> None:
        """Start without any message."""
        self._one_way = OneWayClock()
        # By how much the smallest delay now exceeds that at the start, and the least of that.
        self._raised_s = self._least_raised_s = 0.0
        self._baseline: tuple[float, float] | None = None
        self._baseline_raised_s = 0.0

    def add(self, receive_ns: int, delay_ns: int) -> None:
        """Take one message's receive time and receive time less stamp."""
        change = self._one_way.add(receive_ns, delay_ns)
        if change is not None:
            self._raise(change.size_s)

    def step(self, at_ns: int) -> None:
        """Take note that the clock stepped at host time ``at_ns``."""
        self._one_way.restart(at_ns)

    def change_delay(self, at_ns: int, size_s: float) -> None:
        """Take note that the smallest delay changed by ``size_s`` at host time ``at_ns``."""
        self._raise(self._one_way.change_level(at_ns, size_s).size_s)

    def step_host(self, at_ns: int, now_ns: int, size_s: float, delay_s: float) -> None:
        """
        Take note that the host's clock jumped forward by ``size_s`` at ``at_ns``.

        ``delay_s`` is the smallest delay of late, at ``now_ns``.
        """
        line = self._one_way.line
        if line is None:
            return
        if abs(delay_s - line.at(now_ns)) > 0.5 * abs(size_s):
            self.change_delay(at_ns, size_s)
        self._raised_s -= size_s
        self._least_raised_s = min(0.0, self._raised_s)
        self._baseline_raised_s = self._raised_s
        if self._baseline is not None:
            self._baseline = (self._baseline[0] - size_s, self._baseline[1])

    def settle(self, now_ns: int) -> None:
        """Make the present offset the one that `moved` counts from."""
        self._baseline = self.offset(now_ns)
        self._baseline_raised_s = self._raised_s

    def offset(self, now_ns: int) -> tuple[float, float] | None:
        """
        Return the clock's offset at a host time and its standard deviation, seconds.

        Counted from the smallest delay at the start of the run; None before the first message.
        """
        line = self._one_way.line
        if line is None:
            return None
        return -line.at(now_ns) + self._raised_s, line.sigma_at(now_ns)

    def offset_from_least_delay(self, now_ns: int) -> tuple[float, float] | None:
        """Return the same, counted from the smallest delay of the run."""
        offset = self.offset(now_ns)
        return None if offset is None else (offset[0] - self._least_raised_s, offset[1])

    def moved(self, now_ns: int) -> tuple[float, float] | None:
        """Return the movement since `settle` and its standard deviation; None until then."""
        offset = self.offset(now_ns)
        if self._baseline is None or offset is None:
            return None
        return offset[0] - self._baseline[0], hypot(offset[1], self._baseline[1])

    def skew(self, now_ns: int) -> tuple[float, float] | None:
        """Return the skew and its standard deviation; None while it is hardly known."""
        line = self._one_way.line
        if line is None or line.slope_sigma > KNOWN_SKEW:
            return None
        return -line.slope_at(now_ns), line.slope_sigma_at(now_ns)

    def delay_shift(self, now_ns: int, delay_s: float) -> float | None:
        """Return by how much a delay of ``delay_s`` now is above that of `settle`, seconds."""
        line = self._one_way.line
        if self._baseline is None or line is None:
            return None
        return self._raised_s - self._baseline_raised_s + delay_s - line.at(now_ns)

    def _raise(self, size_s: float) -> None:
        self._raised_s += size_s
        self._least_raised_s = min(self._least_raised_s, self._raised_s)
