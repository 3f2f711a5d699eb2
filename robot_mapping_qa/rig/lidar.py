# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The lidar: a spinning scanner in a plain rectangular hall."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, between, ScenarioError
from robot_mapping_qa.rig.records import Cloud, Payload
from robot_mapping_qa.rig.rotation import matrix
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.trajectory import Walk

POINT_FIELDS = (
    ('x', '<f4', 0), ('y', '<f4', 4), ('z', '<f4', 8), ('intensity', '<f4', 12),
    ('time', '<f4', 16), ('ring', '<u2', 20))
"""Name, format and offset: place in the sensor's frame (m), time after the stamp (s)."""

POINT = np.dtype({
    'names': [name for name, _, _ in POINT_FIELDS],
    'formats': [form for _, form, _ in POINT_FIELDS],
    'offsets': [offset for _, _, offset in POINT_FIELDS],
    'itemsize': 24})
"""One point."""


@dataclass(frozen=True, kw_only=True)
class LidarSpec(SensorSpec):
    """
    A scanner at the body's origin, in a hall around the map's origin.

    One revolution lasts one period and is stamped at its end, so the points' times are negative.
    """

    kind: ClassVar[str] = 'lidar'

    rings: int = 16
    columns: int = 900
    vertical_view_rad: float = 0.6
    range_noise_m: float = 0.01
    hall_length_m: float = 24.0
    hall_width_m: float = 12.0
    floor_m: float = -0.8
    ceiling_m: float = 4.2

    def __post_init__(self) -> None:
        """Refuse a scanner without beams or a hall without room."""
        SensorSpec.__post_init__(self)
        between('rings', self.rings, 1, 256)
        between('columns', self.columns, 8, 8192)
        between('vertical_view_rad', self.vertical_view_rad, 0.0, 3.0)
        at_least('range_noise_m', self.range_noise_m, 0.0)
        above('hall_length_m', self.hall_length_m, 0.0)
        above('hall_width_m', self.hall_width_m, 0.0)
        above('ceiling_m', self.ceiling_m, self.floor_m)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        return {self.topic: 'sensor_msgs/msg/PointCloud2'}

    def check(self, motion: Walk | Route) -> None:
        """Refuse a walk through the walls, or one that is not round the hall."""
        walk = self._round_the_hall(motion)
        for name, reach_m, room_m in (
                ('hall_length_m', walk.half_length_m, self.hall_length_m / 2),
                ('hall_width_m', walk.half_width_m, self.hall_width_m / 2),
                ('floor_m', walk.heave_m, -self.floor_m),
                ('ceiling_m', walk.heave_m, self.ceiling_m)):
            if reach_m >= room_m:
                raise ScenarioError(
                    f'{name}: found {getattr(self, name)!r}, expected room for the walk, '
                    f'which reaches {reach_m:g} m that way')

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> Lidar:
        """Return the lidar, ready to scan along the walk with noise drawn from rng."""
        return Lidar(self, self._round_the_hall(motion), rng)

    def _round_the_hall(self, motion: Walk | Route) -> Walk:
        if not isinstance(motion, Walk):
            raise ScenarioError(
                f'kind: found {self.kind!r}, expected scanner for a walk along a route')
        return motion


class Lidar:
    """The lidar at work."""

    def __init__(self, spec: LidarSpec, walk: Walk, rng: np.random.Generator) -> None:
        """Lay out the beams of one revolution."""
        self.spec = spec
        self._walk = walk
        self._rng = rng
        shape = (spec.rings, spec.columns)
        elevation = np.linspace(
            -spec.vertical_view_rad / 2, spec.vertical_view_rad / 2, spec.rings)[:, None]
        azimuth = np.linspace(math.pi, -math.pi, spec.columns, endpoint=False)[None, :]
        after_s = (np.arange(spec.columns) - spec.columns + 1) / (spec.columns * spec.rate_hz)
        # (3, points) float32: half the memory traffic, and 1 um at 20 m is far below the noise.
        self._beams = np.stack([
            (np.cos(elevation) * np.cos(azimuth)).ravel(),
            (np.cos(elevation) * np.sin(azimuth)).ravel(),
            np.broadcast_to(np.sin(elevation), shape).ravel()]).astype(np.float32)
        self._after_s = np.broadcast_to(after_s, shape).ravel().astype(np.float32)
        self._beams_after = self._beams * self._after_s
        self._blank = np.zeros(shape, POINT)
        self._blank['time'] = after_s
        self._blank['ring'] = np.arange(spec.rings)[:, None]
        half = (spec.hall_length_m / 2, spec.hall_width_m / 2)
        self._low = np.array([-half[0], -half[1], spec.floor_m], np.float32)
        self._high = np.array([half[0], half[1], spec.ceiling_m], np.float32)

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the scan that ends now, each beam from where the body was at its time."""
        true = self._walk.at(time_s)
        # Body velocity and turn rate are taken as constant over one revolution, and a beam sent
        # at t is turned by t * (turn rate x beam), which is exact to first order.
        to_map = np.array(matrix(true.quaternion), np.float32)
        wx, wy, wz = true.angular
        cross = np.array([[0.0, -wz, wy], [wz, 0.0, -wx], [-wy, wx, 0.0]], np.float32)
        beams = to_map @ self._beams
        beams += (to_map @ cross) @ self._beams_after
        velocity = to_map @ np.array(true.linear, np.float32)
        reach = np.full(beams.shape[1], np.inf, np.float32)
        with np.errstate(divide='ignore'):
            for axis in range(3):
                to_wall = np.where(beams[axis] > 0, self._high[axis], self._low[axis])
                to_wall -= np.float32(true.position[axis])
                to_wall -= velocity[axis] * self._after_s
                to_wall /= beams[axis]
                np.minimum(reach, np.abs(to_wall, out=to_wall), out=reach)
        # The first-order turn lengthened the beams slightly; ranges are along unit beams.
        ranges = reach * np.sqrt((beams * beams).sum(axis=0))
        ranges += np.float32(self.spec.range_noise_m) * self._rng.standard_normal(
            len(ranges), dtype=np.float32)
        # Copied as bytes: numpy copies records with gaps between fields one by one.
        points = self._blank.view(np.uint8).copy().view(POINT)
        for axis, name in enumerate(('x', 'y', 'z')):
            points[name] = (ranges * self._beams[axis]).reshape(points.shape)
        points['intensity'] = (200.0 / (1.0 + ranges / 5.0)).reshape(points.shape)
        return [(self.spec.topic, Cloud(points))]
