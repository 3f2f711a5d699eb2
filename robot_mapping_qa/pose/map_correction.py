# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The unit's corrected pose against its odometry: where the correction jumps, a loop was closed.

The correction is the pose of the odometry's frame in the map: map pose times inverse odometry
pose at the same stamp (REP 105: map to odom). Motion cancels in it; drift lets it creep, a loop
closure makes it jump.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import hypot
from typing import NamedTuple

from robot_mapping_qa.pose.quaternion import (
    conjugate, from_rotation_vector, multiply, Quaternion, rotate, rotation_vector, Vector, vector)

# Odometry is kept so long to find a map pose's stamp in: mapping takes its time.
_KEPT_NS = 10_000_000_000
# Between poses further apart nothing is interpolated.
_LONGEST_GAP_NS = 500_000_000
# Map poses that wait for the odometry to reach their stamp.
_WAITING = 100


class Pose(NamedTuple):
    """A pose: takes points of the child frame to the parent frame."""

    position_m: Vector
    quaternion: Quaternion

    def times(self, other: Pose) -> Pose:
        """Return the pose of the other's child in this pose's parent frame."""
        x, y, z = rotate(self.quaternion, other.position_m)
        a, b, c = self.position_m
        return Pose((a + x, b + y, c + z), multiply(self.quaternion, other.quaternion))

    def inverse(self) -> Pose:
        """Return the pose of the parent in the child's frame."""
        back = conjugate(self.quaternion)
        x, y, z = rotate(back, self.position_m)
        return Pose((-x, -y, -z), back)


@dataclass(frozen=True, slots=True)
class Closure:
    """
    A jump of the correction, as the unit's pose in the map saw it.

    ``shift_m`` and ``turn_rad`` (rotation vector) are along and about the map's axes.
    """

    stamp_ns: int
    shift_m: Vector
    turn_rad: Vector

    @property
    def size_m(self) -> float:
        """Length of the shift."""
        return hypot(*self.shift_m)

    @property
    def size_rad(self) -> float:
        """Angle of the turn."""
        return hypot(*self.turn_rad)


class MapCorrection:
    """Follows the correction; a jump larger than either limit is a `Closure`."""

    def __init__(self, limit_m: float, limit_rad: float) -> None:
        self._limit_m = limit_m
        self._limit_rad = limit_rad
        self.restart()

    def restart(self) -> None:
        """Forget everything, e.g. because the odometry jumped itself."""
        self._odometry: deque[tuple[int, Pose]] = deque()
        self._waiting: deque[tuple[int, Pose]] = deque(maxlen=_WAITING)
        self.correction: Pose | None = None
        """Pose of the odometry's frame in the map; None before the first map pose."""

    def change_frame(self) -> None:
        """Take note that map poses are given in another frame from now on: compare anew."""
        self._waiting.clear()
        self.correction = None

    def add_odometry(self, stamp_ns: int, pose: Pose) -> list[Closure]:
        """Take a pose of the odometry; return the closures that it brings to light."""
        odometry = self._odometry
        odometry.append((stamp_ns, pose))
        while odometry[0][0] < stamp_ns - _KEPT_NS:
            odometry.popleft()
        return self._compare() if self._waiting else []

    def add_map_pose(self, stamp_ns: int, pose: Pose) -> list[Closure]:
        """Take a corrected pose; return the closures that it brings to light."""
        self._waiting.append((stamp_ns, pose))
        return self._compare()

    def _compare(self) -> list[Closure]:
        found = []
        while self._waiting and self._odometry and (
                self._waiting[0][0] <= self._odometry[-1][0]):
            stamp_ns, in_map = self._waiting.popleft()
            odometry = self._at(stamp_ns)
            if odometry is None:
                continue
            if self.correction is not None:
                expected = self.correction.times(odometry)
                closure = Closure(
                    stamp_ns,
                    vector(b - a for a, b in zip(expected.position_m, in_map.position_m)),
                    rotation_vector(multiply(in_map.quaternion, conjugate(expected.quaternion))))
                if closure.size_m > self._limit_m or closure.size_rad > self._limit_rad:
                    found.append(closure)
            self.correction = in_map.times(odometry.inverse())
        return found

    def _at(self, stamp_ns: int) -> Pose | None:
        """Return the odometry's pose at a stamp, None where it has none around it."""
        after_ns: int | None = None
        after: Pose | None = None
        for before_ns, before in reversed(self._odometry):
            if before_ns == stamp_ns:
                return before
            if before_ns < stamp_ns:
                if after is None or after_ns is None or \
                        after_ns - before_ns > _LONGEST_GAP_NS:
                    return None
                share = (stamp_ns - before_ns) / (after_ns - before_ns)
                turn = rotation_vector(multiply(conjugate(before.quaternion), after.quaternion))
                return Pose(
                    vector(a + share * (b - a) for a, b in zip(
                        before.position_m, after.position_m)),
                    multiply(before.quaternion, from_rotation_vector(
                        vector(share * part for part in turn))))
            after_ns, after = before_ns, before
        return None
