# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""When did the level of a figure change: CUSUM."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Change:
    """
    A change of level.

    ``onset_ns`` is the time of the first sample that belongs to it, ``detected_ns`` of the one
    that proved it; ``level`` estimates the new mean.
    """

    onset_ns: int
    detected_ns: int
    level: float


class Cusum:
    """
    Tabular two-sided CUSUM (NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3).

    ``target`` is the level that is expected, ``slack`` (k) half of the shift that matters,
    ``threshold`` (h) the sum from which a change counts as proved, all in the unit of the
    samples. With independent samples of standard deviation s, k = 0.5 s and h = 5 s raise a
    false alarm every 465 samples on average (Montgomery, Introduction to Statistical Quality
    Control; the figure from memory).
    """

    def __init__(self, target: float, slack: float, threshold: float) -> None:
        if not (slack >= 0.0 and threshold > 0.0):
            raise ValueError(
                f'slack {slack!r}, threshold {threshold!r}: expected 0 or more, and more than 0')
        self.target = target
        self.slack = slack
        self.threshold = threshold
        self.restart()

    def restart(self) -> None:
        """Forget the sums, e.g. after a change has been dealt with."""
        self.high = 0.0
        self.low = 0.0
        self._high_count = self._low_count = 0
        self._high_since_ns = self._low_since_ns = 0

    def set_back(self, by_ns: int) -> None:
        """Go on after the clock of the samples' times was set back."""
        self._high_since_ns -= by_ns
        self._low_since_ns -= by_ns

    def add(self, value: float, time_ns: int) -> Change | None:
        """Take a sample; return the change that is proved at this time, if any."""
        self.high = max(0.0, self.high + value - self.target - self.slack)
        self.low = max(0.0, self.low + self.target - value - self.slack)
        # A sum that leaves zero starts a run: if it ends in an alarm, it began here.
        if self.high == 0.0:
            self._high_count = 0
        else:
            if self._high_count == 0:
                self._high_since_ns = time_ns
            self._high_count += 1
        if self.low == 0.0:
            self._low_count = 0
        else:
            if self._low_count == 0:
                self._low_since_ns = time_ns
            self._low_count += 1
        if self.high > self.threshold:
            return Change(self._high_since_ns, time_ns,
                          self.target + self.slack + self.high / self._high_count)
        if self.low > self.threshold:
            return Change(self._low_since_ns, time_ns,
                          self.target - self.slack - self.low / self._low_count)
        return None
