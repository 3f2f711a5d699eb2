# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Covariance of the pose error of a unit that registers scans, carried along the way.

Between two registrations the motion is the mean of dead reckoning and registration, weighted with
the information of each: what registration leaves open, dead reckoning decides (as in a Kalman
filter). What grows the error of the pose is then

- dead reckoning's share: a relative error of the way on each axis of the body that lasts for some
  metres (first-order Gauss-Markov process), and a random walk of the orientation;
- registration's share: independent from one registration to the next;
- an error of scale that neither sees, lasting for much longer;
- and what the orientation is off already, which swings the way that follows.

All to first order (Barfoot and Furgale 2014, compounding of poses) in ROS order (`se3`). Gravity
takes errors of roll and pitch back.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import exp
from typing import NamedTuple

import numpy as np

from robot_mapping_qa.pose.degradation_limits import DegradationLimits

_POSE, _SPEED, _SCALE = slice(0, 6), slice(6, 9), 9
_PARTS = 10


@dataclass(frozen=True)
class Constraint:
    """
    How registration holds the unit, about the axes of its body.

    ``open_share`` (6, 6) takes the error of dead reckoning to what of it gets into the pose:
    zero in directions that are held, one in those that are open. ``noise`` (6, 6) is the
    covariance that registration itself adds over a metre.
    """

    open_share: np.ndarray
    noise: np.ndarray

    def open_translation(self) -> tuple[float, np.ndarray]:
        """Return the largest share of a translation left open, and its direction (3,)."""
        return self._open_translation

    @cached_property
    def _open_translation(self) -> tuple[float, np.ndarray]:
        # Asked for with every pose; a constraint lasts from cloud to cloud.
        block = self.open_share[:3, :3]
        # The share is a product of symmetric matrices; along a unit vector its symmetric part.
        shares, directions = np.linalg.eigh((block + block.T) / 2.0)
        return float(shares[-1]), directions[:, -1]


def constraint_by(information: np.ndarray, limits: DegradationLimits) -> Constraint:
    """Return how an information (6, 6) of one registration, about the body's axes, holds."""
    way_m = limits.registration_m
    reckoned = np.diag(
        [(limits.dead_reckoning_error * way_m) ** -2] * 3
        + [1.0 / (limits.turn_walk_rad ** 2 * way_m)] * 3)
    mean = np.linalg.inv(information + reckoned)
    return Constraint(mean @ reckoned, mean @ information @ mean / way_m)


class Step(NamedTuple):
    """What a step takes the errors to: ``transition`` (10, 10), and the ``noise`` that it adds."""

    transition: np.ndarray
    noise: np.ndarray


class ErrorGrowth:
    """
    The covariance of the pose error and of the errors of motion behind it.

    ``memory_m`` is the way over which a former error is forgotten (exponentially), None for
    never: with it the covariance is that of a pose relative to those of the last metres.
    """

    def __init__(self, limits: DegradationLimits, memory_m: float | None = None) -> None:
        self._limits = limits
        self._memory_m = memory_m
        self.start(np.zeros((6, 6)))

    def start(self, covariance: np.ndarray) -> None:
        """Begin with a covariance (6, 6) of the pose in ROS order."""
        limits = self._limits
        self._p = np.zeros((_PARTS, _PARTS))
        self._p[_POSE, _POSE] = covariance
        self._p[_SPEED, _SPEED] = limits.dead_reckoning_error ** 2 * np.eye(3)
        self._p[_SCALE, _SCALE] = limits.scale_error ** 2

    def copy(self) -> ErrorGrowth:
        """Return an independent copy, to look ahead with."""
        other = ErrorGrowth(self._limits, self._memory_m)
        other._p = self._p.copy()
        return other

    @property
    def covariance(self) -> np.ndarray:
        """That of the pose: (6, 6) in ROS order."""
        return self._p[_POSE, _POSE].copy()

    def add(self, covariance: np.ndarray) -> None:
        """Add an independent error (6, 6) in ROS order, such as a jump."""
        self._p[_POSE, _POSE] += covariance

    def move(self, rotation: np.ndarray, moved_m: np.ndarray, turned_rad: float,
             constraint: Constraint) -> None:
        """
        Carry the errors on over a short step.

        ``rotation`` (3, 3) takes the body's axes to those of the frame, ``moved_m`` (3,) is the
        displacement in the frame, ``turned_rad`` the angle turned.
        """
        self.take(self.step(rotation, moved_m, turned_rad, constraint))

    def take(self, step: Step) -> None:
        """Carry the errors on over a step of `step`."""
        p = step.transition @ self._p @ step.transition.T
        p += step.noise
        self._p = p

    def step(self, rotation: np.ndarray, moved_m: np.ndarray, turned_rad: float,
             constraint: Constraint) -> Step:
        """Return what a short step does to the errors, whatever they are; see `move`."""
        limits = self._limits
        x, y, z = moved_m.tolist()
        way_m = (x * x + y * y + z * z) ** 0.5
        to_frame = np.zeros((6, 6))
        to_frame[:3, :3] = to_frame[3:, 3:] = rotation
        share = to_frame @ constraint.open_share
        speed_keeps = exp(-way_m / limits.dead_reckoning_lasts_m)
        scale_keeps = exp(-way_m / limits.scale_error_lasts_m)
        level = exp(-way_m / limits.gravity_holds_m)
        transition = np.zeros((_PARTS, _PARTS))
        transition[0, 0] = transition[1, 1] = transition[2, 2] = 1.0
        # A turned start swings the way that follows: rotation x moved.
        transition[0, 4], transition[0, 5], transition[1, 3] = z, -y, -z
        transition[1, 5], transition[2, 3], transition[2, 4] = x, y, -x
        transition[3, 3] = transition[4, 4] = level
        transition[5, 5] = 1.0
        if self._memory_m is not None:
            transition[_POSE] *= exp(-way_m / self._memory_m)
        transition[_POSE, _SPEED] = share[:, :3] * way_m
        transition[0, _SCALE], transition[1, _SCALE], transition[2, _SCALE] = x, y, z
        transition[6, 6] = transition[7, 7] = transition[8, 8] = speed_keeps
        transition[_SCALE, _SCALE] = scale_keeps
        turn = share[:, 3:]
        noise = np.zeros((_PARTS, _PARTS))
        noise[_POSE, _POSE] = to_frame @ constraint.noise @ to_frame.T * way_m
        noise[_POSE, _POSE] += turn @ turn.T * (
            limits.turn_walk_rad ** 2 * way_m + limits.turn_noise_rad ** 2 * turned_rad)
        noise[6, 6] = noise[7, 7] = noise[8, 8] = (
            (1.0 - speed_keeps ** 2) * limits.dead_reckoning_error ** 2)
        noise[_SCALE, _SCALE] = (1.0 - scale_keeps ** 2) * limits.scale_error ** 2
        return Step(transition, noise)
