# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The inspection camera: a textured wall that shifts as the robot turns and moves."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import above, between, topic_name
from robot_mapping_qa.rig.records import CameraInfo, Payload, Picture
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.trajectory import Walk


@dataclass(frozen=True, kw_only=True)
class CameraSpec(SensorSpec):
    """
    A camera at the body's origin that looks forward at a wall distance_m away.

    The optical frame's name is frame; calibration goes to info_topic with the same stamp.
    """

    kind: ClassVar[str] = 'camera'

    info_topic: str
    width: int = 640
    height: int = 480
    focal_px: float = 480.0
    distance_m: float = 3.0

    def __post_init__(self) -> None:
        """Refuse a camera without pixels, lens or wall."""
        SensorSpec.__post_init__(self)
        topic_name('info_topic', self.info_topic)
        for name in ('width', 'height'):
            between(name, getattr(self, name), 8, 4096)
        between('focal_px', self.focal_px, 8.0, 4096.0)
        above('distance_m', self.distance_m, 0.0)

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        # The small message first: it need not wait for the picture's serialization.
        return {self.info_topic: 'sensor_msgs/msg/CameraInfo', self.topic: 'sensor_msgs/msg/Image'}

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> Camera:
        """Return the camera, ready to see the motion with a texture drawn from rng."""
        return Camera(self, motion, rng)


class Camera:
    """The camera at work."""

    def __init__(self, spec: CameraSpec, motion: Walk | Route, rng: np.random.Generator) -> None:
        """Draw the wall's texture."""
        self.spec = spec
        self._motion = motion
        self._info = CameraInfo(spec.width, spec.height, spec.focal_px)
        # The texture is as long as one whole turn, so that it closes on itself.
        self._rows, self._columns = 512, round(2 * math.pi * spec.focal_px)
        texture = wall_texture(self._rows, self._columns, rng)
        self._texture = np.pad(texture, ((0, spec.height), (0, spec.width)), mode='wrap')
        self._aside_m = 0.0
        self._time_s: float | None = None

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return the calibration and the picture."""
        spec = self.spec
        true = self._motion.at(time_s)
        if self._time_s is not None:
            self._aside_m += true.linear[1] * (time_s - self._time_s)
        self._time_s = time_s
        # A turn or a move to the left brings what is farther left into view: a lower column.
        column = round(-spec.focal_px * (true.yaw + self._aside_m / spec.distance_m))
        row = round(spec.focal_px * (true.pitch - true.position[2] / spec.distance_m))
        column, row = column % self._columns, row % self._rows
        pixels = self._texture[row:row + spec.height, column:column + spec.width]
        return [(spec.info_topic, self._info),
                (spec.topic, Picture(np.ascontiguousarray(pixels)))]


def wall_texture(rows: int, columns: int, rng: np.random.Generator) -> np.ndarray:
    """
    Grey texture (rows, columns) uint8 that closes on itself both ways.

    Detail at all scales, its amplitude falling with spatial frequency, as on weathered concrete.
    """
    fy, fx = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :]
    radius = np.hypot(fx, fy)
    radius[0, 0] = np.inf
    spectrum = np.fft.rfft2(rng.standard_normal((rows, columns))) / radius ** 1.2
    texture = np.fft.irfft2(spectrum, s=(rows, columns))
    return np.clip(125.0 + 45.0 * texture / texture.std(), 0, 255).astype(np.uint8)
