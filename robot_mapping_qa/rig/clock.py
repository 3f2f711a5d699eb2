# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A sensor's own clock: offset, skew and steps against the host's clock, in exact integers."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.rig.checks import between

_SKEW_UNIT = 10 ** 12


@dataclass(frozen=True, slots=True)
class ClockSpec:
    """
    Error of a sensor's clock: clock minus host, offset_s at the start, growing by skew_ppm.

    Raises ScenarioError for an offset beyond a day or a skew beyond 1000 ppm: such a clock is
    broken in another way than this model describes.
    """

    offset_s: float = 0.0
    skew_ppm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse errors that are no clock's."""
        between('offset_s', self.offset_s, -86400.0, 86400.0)
        between('skew_ppm', self.skew_ppm, -1000.0, 1000.0)


class Clock:
    """
    A running clock, read in integer nanoseconds.

    The reading at host time h is h + offset + floor((h - start) * skew) + steps made at or before
    h. The skew is held as a whole number of parts in 1e12, so that no reading is ever rounded
    differently from another, whatever the length of the run.
    """

    def __init__(
            self, spec: ClockSpec, start_ns: int, steps: tuple[tuple[int, int], ...] = ()) -> None:
        """Start a clock at host time start_ns; steps are (host time, size), nanoseconds."""
        self.start_ns = start_ns
        self.offset_ns = round(spec.offset_s * 1e9)
        self.skew = round(spec.skew_ppm * (_SKEW_UNIT // 10 ** 6))
        self.steps = tuple(sorted(steps))

    def stamp_ns(self, host_ns: int) -> int:
        """Return what the clock reads at a host time."""
        stamp = self._steady(host_ns)
        for at_ns, size_ns in self.steps:
            if host_ns >= at_ns:
                stamp += size_ns
        return stamp

    def host_ns(self, stamp_ns: int) -> tuple[int, ...]:
        """
        Return the host times at which the clock reads stamp_ns or, in passing, first exceeds it.

        Usually one; none if a step skipped the reading, two if a step back repeated it.
        """
        found = []
        low, shift = None, 0
        for at_ns, size_ns in (*self.steps, (None, 0)):
            host = self._when_steady(stamp_ns - shift)
            if (low is None or host >= low) and (at_ns is None or host < at_ns):
                found.append(host)
            low, shift = at_ns, shift + size_ns
        return tuple(found)

    def _steady(self, host_ns: int) -> int:
        return host_ns + self.offset_ns + (host_ns - self.start_ns) * self.skew // _SKEW_UNIT

    def _when_steady(self, stamp_ns: int) -> int:
        """Earliest host time with a reading of stamp_ns or more, steps left aside."""
        # With a = host - start the reading is start + offset + floor(a * (unit + skew) / unit):
        # the smallest such a is a ceiling division.
        elapsed = stamp_ns - self.offset_ns - self.start_ns
        return self.start_ns - (-elapsed * _SKEW_UNIT) // (_SKEW_UNIT + self.skew)
