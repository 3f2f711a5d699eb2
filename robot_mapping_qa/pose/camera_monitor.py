# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The judgement of the cameras' pictures, and of motion that only a camera can follow."""

from __future__ import annotations

from typing import Collection, Iterable

import numpy as np
from robot_mapping_qa.pose.image_health import ImageHealthMonitor
from robot_mapping_qa.pose.image_measures import PictureFigures
from robot_mapping_qa.pose.motion import MotionMonitor
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Condition, Severity, Verdict


def aid_sees(verdict: Verdict) -> bool | None:
    """
    Return whether a camera that aids the unit sees well, by a verdict of `CameraMonitor`.

    None where that is not known: without such a camera, and where pictures do not come here. The
    unit may have them.
    """
    sees = verdict.figures.get('aid_sees')
    if sees == 1.0:
        return True
    is_looked_at = sees is not None and all(c.kind != 'no_picture' for c in verdict.conditions)
    return False if is_looked_at else None


class CameraMonitor:
    """
    Follows the cameras of a configuration and the motion of its unit.

    Each of the ``cameras`` is judged by its own monitor, known by its stream's name; those that
    aid the unit are known to ``motion``. ``required`` are the names of the cameras whose pictures
    must come: a stream may be timed by another topic, so only here it shows that they do not.
    All ``*_ns`` arguments are host time, but ``stamp_ns``.
    """

    def __init__(self, cameras: Iterable[ImageHealthMonitor], motion: MotionMonitor,
                 required: Collection[str] = ()) -> None:
        self._cameras = {camera.name: camera for camera in cameras}
        self._motion = motion
        self._required = frozenset(required)
        self._start_ns: int | None = None

    def wants_picture(self, name: str, receive_ns: int) -> bool:
        """Return whether a picture of a camera received now should be decoded."""
        return self._cameras[name].wants(receive_ns)

    def add_picture(self, name: str, picture: np.ndarray, stamp_ns: int, receive_ns: int,
                    figures: PictureFigures | None = None) -> None:
        """Take a wanted picture; see `ImageHealthMonitor.add`."""
        self._cameras[name].add(picture, stamp_ns, receive_ns, figures)

    def malformed_picture(self, name: str, receive_ns: int, why: str) -> None:
        """Take note of a wanted picture that could not be read."""
        self._cameras[name].malformed(receive_ns, why)

    def add_pose(self, odometry: Odometry, receive_ns: int) -> None:
        """Take a pose of the unit; see `MotionMonitor.add`."""
        self._motion.add(odometry, receive_ns)

    def tick(self, now_ns: int) -> None:
        """Let time pass: a camera may be missing from the first tick on."""
        if self._start_ns is None or now_ns < self._start_ns:
            self._start_ns = now_ns

    def verdict(self, now_ns: int) -> Verdict:
        """
        Judge cameras and motion at ``now_ns``; to be asked at every tick, after `tick`.

        The figures are those of `MotionMonitor.figures`, and ``aid_sees``: whether any aiding
        camera can be relied on (1 or 0), None where none is configured, and ``aid_corners``: the
        share of the cells of its newest picture with a corner to track, None where none can.
        """
        aids = self._motion.healthy_aids(now_ns)
        conditions = [condition for name in self._cameras
                      for condition in self.conditions(name, now_ns)]
        return Verdict('camera', now_ns, (*conditions, *self._motion.conditions(now_ns)),
                       {**self._motion.figures(now_ns),
                        'aid_sees': None if aids is None else float(bool(aids)),
                        'aid_corners': self._corners(aids or (), now_ns)})

    def _corners(self, names: Iterable[str], now_ns: int) -> float | None:
        # At once, not only where two samples show too few: they grow fewer as the light fades.
        shares = [self._cameras[name].figures(now_ns)['texture'] for name in names]
        return max((1.0 if share is None else share for share in shares), default=None)

    def conditions(self, name: str, now_ns: int) -> list[Condition]:
        """Return what is wrong with one camera; pictures that do not come are one as well."""
        camera = self._cameras[name]
        if not camera.is_stale(now_ns):
            return camera.conditions(now_ns)
        onset_ns = camera.sampled_ns
        if onset_ns is None:
            onset_ns = now_ns if self._start_ns is None else self._start_ns
        severity = Severity.HARD if name in self._required else Severity.NOTICE
        record = f'{name} sent no pictures'
        return [Condition(f'{name}/no_picture', camera.problem(now_ns) or record, severity,
                          onset_ns, record)]

    def figures(self, name: str, now_ns: int) -> dict[str, float | None]:
        """Return the figures of one camera's newest picture; see `ImageHealthMonitor`."""
        return self._cameras[name].figures(now_ns)
