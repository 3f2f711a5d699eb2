# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A spinning lidar that scans the structure along a route, weak echoes and all."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, between
from robot_mapping_qa.rig.fan import Fan, unit_beams
from robot_mapping_qa.rig.lidar import POINT
from robot_mapping_qa.rig.range_physics import (
    echo_margin, incidence_cosine, slant_noise_m, ways_through)
from robot_mapping_qa.rig.records import Cloud, Payload
from robot_mapping_qa.rig.rotation import matrix
from robot_mapping_qa.rig.route import needs_route, Route
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.site import LEAF_SPACING_M
from robot_mapping_qa.rig.solids import Hits
from robot_mapping_qa.rig.trajectory import MotionState, Walk

WATER_RETURNS = 0.03
"""Share of the beams that come back from water, which mirrors the others away."""


@dataclass(frozen=True, kw_only=True)
class ScannerSpec(SensorSpec):
    """
    A scanner at the body's origin; one revolution lasts revolution_s and is stamped at its end.

    range_m is where a surface that is met squarely is just seen; on a slant it is less. dropouts
    is the share of returns that are lost besides. Beams without return are NaN points, or with
    keeps_order false are left out, the cloud then being a single row.
    """

    kind: ClassVar[str] = 'scanner'

    rings: int = 16
    columns: int = 900
    vertical_view_rad: float = 0.8
    range_m: float = 30.0
    range_noise_m: float = 0.01
    dropouts: float = 0.005
    revolution_s: float = 0.1
    keeps_order: bool = True

    def __post_init__(self) -> None:
        """Refuse a scanner without beams, or one that takes longer than it has."""
        SensorSpec.__post_init__(self)
        between('rings', self.rings, 2, 256)
        between('columns', self.columns, 8, 8192)
        between('vertical_view_rad', self.vertical_view_rad, 0.01, 2.0)
        above('range_m', self.range_m, 0.0)
        at_least('range_noise_m', self.range_noise_m, 0.0)
        between('dropouts', self.dropouts, 0.0, 1.0)
        above('revolution_s', self.revolution_s, 0.0)
        between('revolution_s', self.revolution_s, 0.0, 1.0 / self.rate_hz)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        return {self.topic: 'sensor_msgs/msg/PointCloud2'}

    def check(self, motion: Walk | Route) -> None:
        """Refuse a walk without a structure to scan."""
        needs_route(self.kind, motion)

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> Scanner:
        """Return the scanner, ready to scan along the motion with noise drawn from rng."""
        return Scanner(self, needs_route(self.kind, motion), rng)


class Scanner:
    """The scanner at work."""

    def __init__(self, spec: ScannerSpec, motion: Route, rng: np.random.Generator) -> None:
        """Lay out the beams of one revolution."""
        self.spec = spec
        self._motion = motion
        self._site = motion.site
        self._rng = rng
        self._beams = unit_beams(spec.rings, spec.columns, spec.vertical_view_rad)
        self._after_s = ((np.arange(spec.columns) - spec.columns + 1)
                         * (spec.revolution_s / spec.columns)).astype(np.float32)
        self._beams_after = self._beams * self._after_s
        self._blank = np.zeros((spec.rings, spec.columns), POINT)
        self._blank['time'] = self._after_s
        self._blank['ring'] = np.arange(spec.rings)[:, None]

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the scan that ends now, each beam from where the body was at its time."""
        spec = self.spec
        fan = self._fan(self._motion.at(time_s))
        hits = self._site.solids.cast(fan, spec.range_m)
        cosine = incidence_cosine(fan, hits)
        with np.errstate(divide='ignore', invalid='ignore'):
            margin = echo_margin(hits.reach, cosine, spec.range_m)
            noise_m = slant_noise_m(spec.range_noise_m, hits.reach, cosine)
            ranges = hits.reach + noise_m * self._rng.standard_normal(
                margin.shape, dtype=np.float32)
        kept = margin > 1.0
        lucky = self._rng.random(kept.shape, dtype=np.float32)
        kept &= lucky >= np.where(self._on_water(fan, hits), 1.0 - WATER_RETURNS, spec.dropouts)
        self._grow_leaves(fan, hits, ranges, kept)
        ranges[~kept] = np.nan
        # Copied as bytes: numpy copies records with gaps between fields one by one.
        points = self._blank.view(np.uint8).copy().view(POINT)
        for axis, name in enumerate(('x', 'y', 'z')):
            points[name] = ranges * self._beams[axis]
        points['intensity'] = np.where(kept, 20.0 * np.minimum(np.nan_to_num(margin), 12.0), 0.0)
        if spec.keeps_order:
            return [(spec.topic, Cloud(points, bool(kept.all())))]
        return [(spec.topic, Cloud(points[kept][None, :]))]

    def _fan(self, true: MotionState) -> Fan:
        """Return the beams of the revolution that ends at this motion, in the map frame."""
        # Body velocity and turn rate are taken as constant over one revolution, and a beam sent
        # at t is turned by t * (turn rate x beam), which is exact to first order; for its length
        # to second order it is brought back to one below.
        to_map = np.array(matrix(true.quaternion), np.float32)
        wx, wy, wz = true.angular
        cross = np.array([[0.0, -wz, wy], [wz, 0.0, -wx], [-wy, wx, 0.0]], np.float32)
        shape = self._beams.shape
        beams = to_map @ self._beams.reshape(3, -1)
        beams += (to_map @ cross) @ self._beams_after.reshape(3, -1)
        beams /= np.sqrt(np.einsum('ij,ij->j', beams, beams))
        velocity = to_map @ np.array(true.linear, np.float32)
        origins = np.array(true.position, np.float32)[:, None] + velocity[:, None] * self._after_s
        revolution_s = self.spec.revolution_s
        # A tilt moves a beam's azimuth by the tilt times the tangent of its elevation at most.
        tilt = math.acos(min(float(to_map[2, 2]), 1.0))
        spread_rad = math.hypot(wx, wy, wz) * revolution_s + tilt * max(
            1.0, math.tan(self.spec.vertical_view_rad / 2))
        return Fan(
            beams.reshape(shape), origins, self.spec.vertical_view_rad, math.pi + true.yaw,
            spread_rad, math.hypot(*true.linear) * revolution_s)

    def _on_water(self, fan: Fan, hits: Hits) -> np.ndarray:
        """Return which beams end on the ground where it is under water."""
        level = hits.normal[2] > 0.5
        with np.errstate(invalid='ignore'):
            x, y, z = (fan.origins[axis] + hits.reach * fan.beams[axis] for axis in range(3))
            return level & (z < 0.0) & self._site.wet(x, y)

    def _grow_leaves(
            self, fan: Fan, hits: Hits, ranges: np.ndarray, kept: np.ndarray) -> None:
        """End beams in vegetation, where it stands in their way."""
        reach = hits.reach.copy()
        for window, enter, leave in ways_through(
                fan, self._site.vegetation, reach, self.spec.range_m):
            ends = enter + LEAF_SPACING_M * self._rng.standard_exponential(
                enter.shape, dtype=np.float32)
            stopped = ends < np.minimum(leave, self.spec.range_m)
            np.copyto(reach[window], ends, where=stopped)
            np.copyto(ranges[window], ends, where=stopped)
            kept[window] |= stopped
