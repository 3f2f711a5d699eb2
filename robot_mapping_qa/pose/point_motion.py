# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The unit's motion among the figures of a pose verdict, and how fast it moves a point."""

from __future__ import annotations

from math import hypot
from typing import Iterator, Mapping

from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.quaternion import Vector

_VELOCITY = ('velocity_x_mps', 'velocity_y_mps', 'velocity_z_mps')
_TURNING = ('turning_x_radps', 'turning_y_radps', 'turning_z_radps')
_UNKNOWN = (None, None, None)


def motion_figures(linear_mps: Vector | None,
                   angular_radps: Vector | None) -> dict[str, float | None]:
    """
    Return size and parts of velocity and angular velocity, None where they are not known.

    Both are along the unit's own axes, m/s and rad/s.
    """
    return {
        'speed_mps': None if linear_mps is None else hypot(*linear_mps),
        'turn_rate_radps': None if angular_radps is None else hypot(*angular_radps),
        **dict(zip(_VELOCITY, linear_mps or _UNKNOWN)),
        **dict(zip(_TURNING, angular_radps or _UNKNOWN))}


def impossible_motion(speed_mps: float | None, turn_rate_radps: float | None,
                      limits: PoseLimits) -> Iterator[tuple[str, str]]:
    """Yield kind and words, to follow the unit's name, of what no carrier can do."""
    for what, value, limit, unit in (
            ('speed', speed_mps, limits.max_speed_mps, 'm/s'),
            ('turn rate', turn_rate_radps, limits.max_turn_rate_radps, 'rad/s')):
        if value is not None and value > limit:
            yield what.replace(' ', '_'), (
                f'gives a {what} of {value:.1f} {unit}, more than the {limit:.1f} {unit} that the '
                'carrier can reach')


def point_speed_mps(figures: Mapping[str, float | None], lever_m: Vector) -> float:
    """
    Return how fast the point at ``lever_m`` in the unit's frame moves, m/s: |v + w x l|.

    Where only the sizes of v and w are known it is the fastest that they allow, and what is not
    known at all counts as rest.
    """
    parts = [figures.get(key) for key in (*_VELOCITY, *_TURNING)]
    known = [part for part in parts if part is not None]
    if len(known) < len(parts):
        return (figures.get('speed_mps') or 0.0) + (
            figures.get('turn_rate_radps') or 0.0) * hypot(*lever_m)
    u, v, w, a, b, c = known
    x, y, z = lever_m
    return hypot(u + b * z - c * y, v + c * x - a * z, w + a * y - b * x)
