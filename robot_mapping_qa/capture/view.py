# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How a camera looks at the structure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from robot_mapping_qa.pose.quaternion import Vector
from robot_mapping_qa.pose.working_distance import Sight


@dataclass(frozen=True, slots=True)
class View:
    """
    How a capture stream looks at the inspected point: along ``sight``, at ``distance_m``.

    The standard deviations, per axis, are those of the camera's place and rotation in the unit's
    frame.
    """

    sight: Sight
    distance_m: float
    mount_sigma_m: float = 0.0
    mount_sigma_rad: float = 0.0

    @property
    def line_of_sight_m(self) -> Vector:
        """From the camera to the point, in the unit's frame."""
        return self.sight.way_m(self.distance_m)

    @property
    def lever_m(self) -> Vector:
        """From the unit to the point, in the unit's frame."""
        return self.sight.lever_m(self.distance_m)

    def at(self, distance_m: float) -> View:
        """Return the view of the point at another distance from the camera."""
        return replace(self, distance_m=distance_m)
