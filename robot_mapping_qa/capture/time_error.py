# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How far a picture's clock is off the unit's, as the timing verdict tells it."""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from robot_mapping_qa.verdicts import Verdict


class TimeError(NamedTuple):
    """
    How far a stream's stamps are off the unit's, seconds.

    ``moved_s`` is known: the clock's movement since both settled, and what one of the two lay
    ahead of the host then. ``sigma_s`` is the standard deviation of that and of a
    constant offset, as configured.
    """

    moved_s: float
    sigma_s: float

    @property
    def rms_s(self) -> float:
        """Return the root mean square of the time error."""
        return hypot(self.moved_s, self.sigma_s)


def time_error(timing: Verdict | None, stream: str) -> TimeError | None:
    """Return the time error of a stream by the newest timing verdict; None where not known."""
    if timing is None:
        return None
    moved_s = timing.figures.get(f'{stream}/time_error_s')
    sigma_s = timing.figures.get(f'{stream}/time_error_sigma_s')
    return None if moved_s is None or sigma_s is None else TimeError(moved_s, sigma_s)
