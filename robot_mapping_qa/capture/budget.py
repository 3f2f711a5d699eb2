# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The error budget of a point on the structure, after the GUM (JCGM 100:2008).

The point is p + R l, with the unit's position p, its rotation R and the lever l from the unit to
the point. Its error is, to first order (section 5.1.2),

    d  +  t x l  +  (v + w x l) (b + s)  +  m + c x k

with the position error d, the rotation error t (section 5.2 where the two are correlated), the
errors b and s of the picture's time while the unit moves with v and turns with w, and the errors
m and c of the camera's place and rotation, k being the line of sight from the camera to the
point. All vectors are along the axes of the pose's header frame.

The movement b of the picture's clock is known and yet not taken off its stamps, so it is no
random error: what it does to the point is added to the radius of the others (annex F.2.4.5). The
sum is never below the true radius, and above it by 42 % at most, where both are alike and across
each other.

The first order holds while the second-order part of a rotation, |t|^2 l / 2, is small against
the rest. By Monte Carlo over the whole chain the 95 % radius is right within 0.5 % up to a
rotation error of 0.05 rad (one sigma per axis), within 3 % up to 0.25 rad (14 degrees), 3 % too
large at 0.3 rad and 12 % at 0.6 rad: it errs on the safe side, where no limit is met anyway.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import hypot
from typing import Mapping

import numpy as np
from numpy.typing import ArrayLike

from robot_mapping_qa.pose.point_error import CONFIDENCE, error_radius, point_covariance
from scipy.special import chdtr

PARTS = ('position', 'rotation', 'correlation', 'time', 'extrinsics')
"""
Names of the contributions.

'correlation' is what the correlation of position and rotation adds (GUM section 5.2.2, second
term of equation 13); it may be negative.
"""

_NODES = 10


@dataclass(frozen=True, slots=True)
class Budget:
    """
    Contributions by name, each a covariance (..., 3, 3) in m^2 along the header's axes.

    ``shift_m`` (..., 3) is how far the known movement of the picture's clock displaces the point.
    """

    parts: Mapping[str, np.ndarray]
    shift_m: np.ndarray = field(default_factory=lambda: np.zeros(3))

    @property
    def covariance(self) -> np.ndarray:
        """Sum of the contributions, (..., 3, 3) in m^2: GUM section 5.1.2, equation 10."""
        return sum(self.parts.values(), np.zeros((3, 3)))

    @property
    def radius_m(self) -> np.ndarray:
        """What the error stays below in 95 of 100 cases (...), m; see `exact_radius`."""
        return exact_radius(self.covariance) + np.linalg.norm(self.shift_m, axis=-1)

    def axis_shares(self) -> dict[str, np.ndarray]:
        """Return each contribution's share (..., 3) of the mean square along x, y and z."""
        return _shares(self._mean_squares())

    def shares(self) -> dict[str, np.ndarray]:
        """Return each contribution's share (...) of the mean square of all axes together."""
        return _shares({name: np.sum(square, axis=-1)
                        for name, square in self._mean_squares().items()})

    def _mean_squares(self) -> dict[str, np.ndarray]:
        """Return the mean squares (..., 3) along the axes; the clock's shift is a part of time."""
        squares = {name: np.diagonal(part, axis1=-2, axis2=-1)
                   for name, part in self.parts.items()}
        squares['time'] = squares.get('time', 0.0) + np.square(self.shift_m)
        return squares


def _shares(mean_squares: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    total = sum(mean_squares.values())
    with np.errstate(invalid='ignore', divide='ignore'):
        return {name: np.where(total > 0.0, part / total, 0.0)
                for name, part in mean_squares.items()}


def point_budget(covariance: np.ndarray, lever_m: np.ndarray, velocity_mps: ArrayLike,
                 turn_rate_radps: ArrayLike, sigma_time_s: ArrayLike,
                 sight_m: np.ndarray | None = None, mount_sigma_m: ArrayLike = 0.0,
                 mount_sigma_rad: ArrayLike = 0.0, moved_time_s: ArrayLike = 0.0) -> Budget:
    """
    Return the budget of one point or of many, along the axes of the pose's header frame.

    ``covariance`` (..., 6, 6) is that of the pose in ROS order, ``lever_m`` (..., 3) leads from
    the unit to the point and ``sight_m`` (..., 3) from the camera to it (the lever where it is
    None). ``velocity_mps`` and ``turn_rate_radps`` (..., 3) are the unit's. ``moved_time_s`` is
    how far the picture's clock is known to have moved and ``sigma_time_s`` the standard deviation
    of that; both, and the standard deviations per axis of the camera's place and rotation, (...).
    """
    covariance = np.asarray(covariance, dtype=float)
    lever = np.asarray(lever_m, dtype=float)
    sight = lever if sight_m is None else np.asarray(sight_m, dtype=float)
    alone = np.zeros_like(covariance)
    alone[..., :3, :3] = covariance[..., :3, :3]
    position = alone[..., :3, :3].copy()
    alone[..., :3, :3] = 0.0
    alone[..., 3:, 3:] = covariance[..., 3:, 3:]
    rotation = point_covariance(alone, lever)
    pose = point_covariance(covariance, lever)
    turn_rate = np.asarray(turn_rate_radps, dtype=float)
    point_velocity = np.asarray(velocity_mps, dtype=float) + np.cross(turn_rate, lever)
    spread = point_velocity * np.asarray(sigma_time_s, dtype=float)[..., None]
    return Budget({
        'position': position,
        'rotation': rotation,
        'correlation': pose - position - rotation,
        'time': spread[..., :, None] * spread[..., None, :],
        'extrinsics': mount_covariance(sight, mount_sigma_m, mount_sigma_rad)},
        point_velocity * np.asarray(moved_time_s, dtype=float)[..., None])


def mount_covariance(sight_m: ArrayLike, sigma_m: ArrayLike,
                     sigma_rad: ArrayLike) -> np.ndarray:
    """
    Return the covariance (..., 3, 3), m^2, of a point from the errors of the camera's mounting.

    ``sight_m`` (..., 3) leads from the camera to the point; the standard deviations (...) hold
    for every axis. A small rotation c of the camera moves the point by c x sight.
    """
    sight = np.asarray(sight_m, dtype=float)
    place, turn = (np.asarray(sigma, dtype=float)[..., None, None] ** 2
                   for sigma in (sigma_m, sigma_rad))
    square = np.sum(sight * sight, axis=-1)[..., None, None]
    across = square * np.eye(3) - sight[..., :, None] * sight[..., None, :]
    return place * np.eye(3) + turn * across


def exact_radius(covariance: np.ndarray, confidence: float = CONFIDENCE) -> np.ndarray:
    """
    Return the radius (...), m, that |e| stays below with the given confidence.

    e is a zero-mean normal error with the covariance (..., 3, 3). With its standard deviations
    along its own axes, |e|^2 given the direction of the standardized error is a chi-square
    variable with three degrees of freedom times a factor; averaging over the directions by
    Gauss-Legendre quadrature gives the probability, and a step of Newton's method from
    `error_radius` the radius. Within 0.01 % for every ratio of the axes.
    """
    covariance = np.asarray(covariance, dtype=float)
    variances = np.maximum(np.linalg.eigvalsh(covariance), 0.0)[..., ::-1]
    largest = variances[..., :1]
    with np.errstate(invalid='ignore', divide='ignore'):
        scaled = np.where(largest > 0.0, variances / largest, 0.0)
    known = scaled[..., 0] > 0.0
    safe = np.where(known[..., None], scaled, 1.0)
    stretch = safe @ _SQUARES
    # In shares of the largest standard deviation.
    radius = error_radius(safe[..., None] * np.eye(3), confidence)
    ratio = radius[..., None] ** 2 / stretch
    probability = chdtr(3, ratio) @ _WEIGHTS
    # The density of chi-square with three degrees of freedom, in the radius.
    density = (np.sqrt(ratio / (2.0 * np.pi)) * np.exp(-0.5 * ratio) * 2.0
               * radius[..., None] / stretch) @ _WEIGHTS
    radius = radius - (probability - confidence) / density
    return np.where(known, radius * np.sqrt(largest[..., 0]), 0.0)


def _directions() -> tuple[np.ndarray, np.ndarray]:
    """Return the squares of the coordinates (3, n) of directions in one octant, and weights."""
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    height, azimuth = 0.5 * (node + 1.0), 0.25 * np.pi * (node + 1.0)
    height, azimuth = np.meshgrid(height, azimuth, indexing='ij')
    across = 1.0 - height ** 2
    squares = np.stack([height ** 2, across * np.cos(azimuth) ** 2, across * np.sin(azimuth) ** 2])
    return squares.reshape(3, -1), 0.25 * np.outer(weight, weight).ravel()


_SQUARES, _WEIGHTS = _directions()


def combined_radius_m(*radii_m: float) -> float:
    """
    Return a radius that is not below the 95 % radius of the sum of independent normal errors.

    ``radii_m`` are the 95 % radii of the errors by themselves. Exact where all have the same
    shape; where their directions differ the true radius is smaller, by 12 % for two
    equal errors along different axes and by 18 % for three.
    """
    return hypot(*radii_m)
