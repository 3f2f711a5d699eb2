# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What a scan at a place can tell about the pose: the information of its ranges in the true scene.

The Fisher information of ranges to surfaces that are known (after Censi, On achievable accuracy
for range-finder localization, ICRA 2007, carried over to six dimensions; from memory). With
unit beam u, hit p seen from the sensor, normal n and range r, a shift dt and turn dw of the
sensor change the range by dr = -(n . dt + (p x n) . dw) / (n . u). It comes from the surfaces as
they were built, not from points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from robot_mapping_qa.rig.fan import level_fan
from robot_mapping_qa.rig.range_physics import (
    echo_margin, incidence_cosine, slant_noise_m, ways_through)
from robot_mapping_qa.rig.site import LEAF_SPACING_M, Site
from robot_mapping_qa.rig.solids import NOTHING


@dataclass(frozen=True, slots=True)
class UnitScanner:
    """The mapping unit's own lidar: its independent beams and what one range is worth to it."""

    rings: int = 16
    columns: int = 120
    vertical_view_rad: float = 0.8
    range_m: float = 25.0
    noise_m: float = 0.03


def scene_information(site: Site, position: np.ndarray, scanner: UnitScanner) -> np.ndarray:
    """
    Return the information (6, 6) of one scan from a position (3,) in the map frame.

    About a shift and a turn of the sensor along and about the map's axes, 1/m^2 to 1/rad^2. The
    scanner looks all round, so its heading does not matter.
    """
    fan = level_fan(position, scanner.rings, scanner.columns, scanner.vertical_view_rad)
    hits = site.solids.cast(fan, scanner.range_m)
    cosine = incidence_cosine(fan, hits)
    weight = np.ones(hits.reach.shape)
    for window, enter, leave in ways_through(fan, site.vegetation, hits.reach, scanner.range_m):
        # Leaves stop a part of the beams, and move in the wind: they are nothing to go by.
        weight[window] *= np.exp(-np.maximum(leave - enter, 0.0) / LEAF_SPACING_M)
    seen = hits.surface != NOTHING
    seen[seen] = echo_margin(hits.reach[seen], cosine[seen], scanner.range_m) > 1.0
    reach, cosine = hits.reach[seen].astype(float), cosine[seen].astype(float)
    place = reach * fan.beams[:, seen].astype(float)
    normal = hits.normal[:, seen].astype(float)
    on_water = (normal[2] > 0.5) & (place[2] + position[2] < 0.0) & site.wet(
        place[0] + position[0], place[1] + position[1])
    slope = np.vstack([normal, np.cross(place, normal, axis=0)]) / cosine
    weight = weight[seen] * ~on_water / slant_noise_m(scanner.noise_m, reach, cosine) ** 2
    return (slope * weight) @ slope.T
