# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A camera with a shutter: its pictures blur as the robot turns, and darken with the light."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.camera import wall_texture
from robot_mapping_qa.rig.checks import above, at_least, between, topic_name
from robot_mapping_qa.rig.records import CameraInfo, Payload, Picture
from robot_mapping_qa.rig.route import needs_route, Route
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.trajectory import Walk

FULL_WELL_ELECTRONS = 10000.0
"""Electrons of a pixel that reads 255 at gain 1; of the order of a small sensor's."""

_FINER = 2
_MOST_INSTANTS = 48
_TARGET_SHARE = 110.0 / 255.0


@dataclass(frozen=True, kw_only=True)
class ShutterCameraSpec(SensorSpec):
    """
    A camera at the body's origin that looks forward at a wall distance_m away, mono8.

    A wall that gives back all light fills a pixel in well_lux_s of light times exposure. The
    exposure is chosen for the mean brightness, up to exposure_max_s, then the gain up to
    gain_max; beyond that the picture is dark. read_noise_electrons is that of each pixel besides
    the shot noise of its light. The picture is stamped at the middle of its exposure.
    """

    kind: ClassVar[str] = 'shutter_camera'

    info_topic: str
    width: int = 320
    height: int = 240
    focal_px: float = 240.0
    distance_m: float = 3.0
    well_lux_s: float = 4.0
    exposure_max_s: float = 0.02
    gain_max: float = 8.0
    read_noise_electrons: float = 20.0

    def __post_init__(self) -> None:
        """Refuse a camera without pixels, lens, wall or light."""
        SensorSpec.__post_init__(self)
        topic_name('info_topic', self.info_topic)
        for name in ('width', 'height'):
            between(name, getattr(self, name), 8, 2048)
        between('focal_px', self.focal_px, 8.0, 2048.0)
        for name in ('distance_m', 'well_lux_s', 'exposure_max_s'):
            above(name, getattr(self, name), 0.0)
        between('exposure_max_s', self.exposure_max_s, 0.0, 1.0 / self.rate_hz)
        at_least('gain_max', self.gain_max, 1.0)
        at_least('read_noise_electrons', self.read_noise_electrons, 0.0)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        return {self.info_topic: 'sensor_msgs/msg/CameraInfo', self.topic: 'sensor_msgs/msg/Image'}

    def exposure(self, lux: float) -> tuple[float, float]:
        """Time (s) and gain that the camera chooses in this light."""
        # On average the wall gives back half of its light.
        needed_s = 2.0 * _TARGET_SHARE * self.well_lux_s / lux
        exposure_s = min(needed_s, self.exposure_max_s)
        return exposure_s, min(max(needed_s / exposure_s, 1.0), self.gain_max)

    def check(self, motion: Walk | Route) -> None:
        """Refuse a walk whose light is not known."""
        needs_route(self.kind, motion)

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> ShutterCamera:
        """Return the camera, ready to see the motion with a texture and noise drawn from rng."""
        return ShutterCamera(self, needs_route(self.kind, motion), rng)


class ShutterCamera:
    """The camera at work."""

    def __init__(self, spec: ShutterCameraSpec, motion: Route, rng: np.random.Generator) -> None:
        """Draw the wall's texture, finer than the pixels by _FINER."""
        self.spec = spec
        self._motion = motion
        self._rng = rng
        self._info = CameraInfo(spec.width, spec.height, spec.focal_px)
        # The texture is as long as one whole turn, so that it closes on itself; nodding moves it
        # by less than its height.
        self._rows = _FINER * spec.height
        self._columns = round(2 * math.pi * _FINER * spec.focal_px)
        texture = wall_texture(self._rows, self._columns, rng).astype(np.float32)
        self._texture = np.pad(
            texture, ((0, _FINER * spec.height), (0, _FINER * spec.width)), mode='wrap')
        self._aside_m = 0.0
        self._time_s: float | None = None

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the calibration and the picture whose exposure has its middle now."""
        spec = self.spec
        true = self._motion.at(time_s)
        if self._time_s is not None:
            self._aside_m += true.linear[1] * (time_s - self._time_s)
        self._time_s = time_s
        lux = self._motion.site.light_lux(true.position)
        exposure_s, gain = spec.exposure(lux)
        share = self._reflected(time_s, exposure_s) * (lux * exposure_s / spec.well_lux_s)
        # Shot noise: the variance of counted electrons is their number.
        electrons = FULL_WELL_ELECTRONS * share
        electrons += np.sqrt(electrons + spec.read_noise_electrons ** 2) \
            * self._rng.standard_normal(electrons.shape, dtype=np.float32)
        pixels = np.clip(electrons * (255.0 * gain / FULL_WELL_ELECTRONS) + 0.5, 0.0, 255.0)
        return [(spec.info_topic, self._info), (spec.topic, Picture(pixels.astype(np.uint8)))]

    def _reflected(self, time_s: float, exposure_s: float) -> np.ndarray:
        """Return the share of light (height, width) that comes back, mean over the exposure."""
        spec = self.spec
        (row, column), (last_row, last_column) = (
            self._corner(time_s, side * exposure_s / 2) for side in (-1.0, 1.0))
        rows, columns = last_row - row, last_column - column
        # The heading may pass from half a turn to minus half a turn, the texture does not end.
        columns -= self._columns * round(columns / self._columns)
        travel = max(abs(rows), abs(columns))
        instants = min(1 + round(travel), _MOST_INSTANTS)
        total = np.zeros((spec.height, spec.width), np.float32)
        for instant in range(instants):
            u = (instant + 0.5) / instants
            top = round(row + u * rows) % self._rows
            left = round(column + u * columns) % self._columns
            total += self._texture[
                top:top + _FINER * spec.height:_FINER, left:left + _FINER * spec.width:_FINER]
        return total / np.float32(255.0 * instants)

    def _corner(self, time_s: float, after_s: float) -> tuple[float, float]:
        """Return row and column of the texture in the picture's corner, after_s after a time."""
        spec = self.spec
        true = self._motion.at(time_s + after_s)
        aside_m = self._aside_m + true.linear[1] * after_s
        focal = _FINER * spec.focal_px
        # A turn or a move to the left brings what is farther left into view: a lower column.
        return (focal * (true.pitch - true.position[2] / spec.distance_m),
                -focal * (true.yaw + aside_m / spec.distance_m))
