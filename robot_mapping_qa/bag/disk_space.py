# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How long the disk lasts at the present rate."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

RATE_WINDOW_S = 30.0
"""The rate is a mean over this time: several files' worth of chunks, and soon up to date."""

SHORTEST_S = 2.0
"""No rate is told before: the first chunks of a bag come in a lump."""


@dataclass(frozen=True, slots=True)
class DiskLimits:
    """
    When a recording warns and when it stops.

    It warns where fewer than ``warn_s`` remain until ``stop_bytes`` are left, and stops there.
    """

    warn_s: float
    stop_bytes: int


class RateOfGrowth:
    """How fast a size grows, over the last `RATE_WINDOW_S`."""

    def __init__(self) -> None:
        """Start without a rate."""
        self._samples: deque[tuple[float, int]] = deque()

    def add(self, time_s: float, size_bytes: int) -> None:
        """Take the size at a monotonic time."""
        self._samples.append((time_s, size_bytes))
        while time_s - self._samples[0][0] > RATE_WINDOW_S:
            self._samples.popleft()

    @property
    def bytes_per_s(self) -> float | None:
        """The mean rate, None until it can be told."""
        (first_s, first), (last_s, last) = self._samples[0], self._samples[-1]
        return (last - first) / (last_s - first_s) if last_s - first_s >= SHORTEST_S else None


def remaining_s(free_bytes: int | None, rate_bytes_per_s: float | None,
                limits: DiskLimits) -> float | None:
    """Return the time until the recording stops, None where it is not known or not in sight."""
    if free_bytes is None or not rate_bytes_per_s:
        return None
    return max(0, free_bytes - limits.stop_bytes) / rate_bytes_per_s
