# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The jumps of a run, each with the distance since the one before."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from robot_mapping_qa.pose.jumps import Step
from robot_mapping_qa.verdicts import Event

# A unit that jumps for hours must not fill the memory.
_KEPT = 10_000


@dataclass(frozen=True, slots=True)
class Jump:
    """
    A jump of the pose, at the receive time of the message that carried it.

    ``percent_of_distance`` relates its size to the distance travelled since the jump before (or
    the start); None where that distance is shorter than the jump itself.
    """

    at_ns: int
    size_m: float
    size_rad: float
    percent_of_distance: float | None


class JumpLog:
    """Counts the way of a pose stream and keeps its first 10,000 jumps."""

    def __init__(self, name: str, limit_rad: float) -> None:
        """Prepare; a turn above half of ``limit_rad`` is worth a word."""
        self._name = name
        self._worth_a_word_rad = 0.5 * limit_rad
        self._jumps: list[Jump] = []
        self._since_jump_m = 0.0
        self.path_length_m = 0.0
        """The way of the whole run, without the jumps."""

    def count_way(self, distance_m: float) -> None:
        """Take a step of the way; negative takes one back that turned out to be a jump."""
        self.path_length_m += distance_m
        self._since_jump_m += distance_m

    def restart(self) -> None:
        """Begin the distance that jumps are compared with anew."""
        self._since_jump_m = 0.0

    def add(self, step: Step, onset_ns: int, now_ns: int) -> Event:
        """Take a jump; return the event that tells of it."""
        distance_m = self._since_jump_m
        percent = 100.0 * step.size_m / distance_m if distance_m > step.size_m else None
        text = f'{self._name} jumped {step.size_m:.2f} m'
        if step.size_rad > self._worth_a_word_rad:
            text += f' and {step.size_rad:.2f} rad'
        values = {'size_m': step.size_m, 'size_rad': step.size_rad,
                  'x_m': step.residual_m[0], 'y_m': step.residual_m[1], 'z_m': step.residual_m[2]}
        if percent is not None:
            text += f', {percent:.1f} % of the {distance_m:.0f} m travelled'
            values['percent_of_distance'] = percent
        if len(self._jumps) < _KEPT:
            self._jumps.append(Jump(onset_ns, step.size_m, step.size_rad, percent))
        self._since_jump_m = 0.0
        return Event('pose_jump', self._name, onset_ns, now_ns, text, values)

    @property
    def count(self) -> int:
        """How many jumps `summary` lists."""
        return len(self._jumps)

    def summary(self) -> list[dict[str, Any]]:
        """Return the jumps as plain values."""
        return [asdict(jump) for jump in self._jumps]
