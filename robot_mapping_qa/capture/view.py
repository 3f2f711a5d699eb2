# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How a camera looks at the structure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot

from robot_mapping_qa.pose.quaternion import Vector, vector


@dataclass(frozen=True, slots=True)
class View:
    """
    How a capture stream looks at the structure.

    ``lever_m`` leads from the unit to the inspected point and ``sight_m`` from the camera to it,
    both in the unit's frame; without ``sight_m`` the camera is where the unit is. The standard
    deviations, per axis, are those of the camera's place and rotation in the unit's frame.
    """

    lever_m: Vector
    mount_sigma_m: float = 0.0
    mount_sigma_rad: float = 0.0
    sight_m: Vector | None = None

    @property
    def line_of_sight_m(self) -> Vector:
        """From the camera to the point, in the unit's frame."""
        return self.lever_m if self.sight_m is None else self.sight_m

    @property
    def camera_m(self) -> Vector:
        """Where the camera is, in the unit's frame."""
        return vector(lever - sight for lever, sight in zip(self.lever_m, self.line_of_sight_m))

    def at(self, distance_m: float) -> View:
        """Return the view of the point at another distance from the camera along its sight."""
        sight = self.line_of_sight_m
        factor = distance_m / hypot(*sight)
        sight_m = vector(factor * part for part in sight)
        return replace(self, sight_m=sight_m, lever_m=vector(
            lever + new - old for lever, new, old in zip(self.lever_m, sight_m, sight)))
