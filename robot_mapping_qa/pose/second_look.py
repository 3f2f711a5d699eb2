# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A step that may hide a jump, looked at once more when the next pose is in.

The velocity after it gives a second residual, beside that of `jumps`. An acceleration makes the
residuals before and after (f, b) opposite, a bend of the path fills one of them only, a jump
fills both alike. Its size is their mean, if they have a part in common,
max(0, f . b) / max(|f|, |b|). Only positions are looked at so: legs and hands shake the
orientation faster than 10 Hz can show.

How uneven the motion is by itself, the stream tells: a jump must stand out from the means of the
steps just before it, less what the jump itself puts into the nearest (half of it, the other way).
And it is none if the velocity after it is quite another than before (f - b, without the jump).

What stays undone: KITTI 00, a car at 7.9 m/s and 10 Hz. Its reference moves in steps of its own,
up to 0.12 m in every third period of sharp turns and 0.2 m at the ends of stretches of
straight interpolation. Compared with one, two or three steps on each side it leaves more than
5 cm at 2 to 3 % of its places, so waiting longer helps nothing: that is what a jump looks like.
With limits by which nothing is reported there, 5 cm are found at 88 % of the places, 10 cm at
97 %, 20 cm at 99 %; at all of them what no acceleration explains, 65 cm (measured: 50 cm). One
who knew how far off each place is by itself would find 5 cm at 98.6 % of the places: at the rest
the jump takes away as much as it adds.
"""

from __future__ import annotations

from collections import deque
from math import hypot
from operator import mul
from typing import NamedTuple

from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.quaternion import mean_times, minus, Quaternion, rotate, times, Vector

# Longer steps are not judged by the velocity after them: the motion in them is not even enough.
_EVEN_S = 0.25
# Shares of the jump limit that the mean of both residuals and their common part must exceed. On
# the EuRoC and TUM trajectories thinned to 10 Hz motion stays below both.
_MEAN_SHARE = 0.6
_COMMON_SHARE = 0.2
# Share that the change of velocity from before to after it, times its time, must not exceed.
_CHANGE_SHARE = 3.0
# So many times the largest mean of the steps before it a jump must be.
_OVER_UNREST = 2.5
_UNREST_STEPS = 3


class _Doubtful(NamedTuple):
    """A step that may hide a jump; vectors in the frame at ``attitude``."""

    dt_s: float
    attitude: Quaternion
    moved_m: Vector
    residual_m: Vector


class SecondLook:
    """Keeps at most one doubtful step, and how uneven the motion was just before it."""

    def __init__(self, limits: PoseLimits) -> None:
        self._limits = limits
        self._doubtful: _Doubtful | None = None
        # Means of the steps looked at that were no jumps: that of the step just before, in the
        # fixed frame, with its time, and the sizes of those before that.
        self._mean_before: tuple[Vector, float] | None = None
        self._unrest_m: deque[float] = deque(maxlen=_UNREST_STEPS - 1)

    def keep(self, dt_s: float, attitude: Quaternion, moved_m: Vector,
             residual_m: Vector) -> None:
        """
        Keep a step that may hide a jump, to be looked at with the next one.

        What it ``moved_m`` and what of that is left after the prediction are about the axes of
        the body at its begin, which ``attitude`` takes to the fixed frame.
        """
        self._doubtful = _Doubtful(dt_s, attitude, moved_m, residual_m)

    def jump(self, dt_s: float, moved_m: Vector, another: bool) -> Vector | None:
        """
        Return the jump in the step kept, in the fixed frame, None where there was none.

        Told from the step after it, over ``dt_s``, about the axes of the body at its begin. With
        ``another`` that one looks like a jump too. Only one of them is: the one kept if its two
        residuals are nearly alike.
        """
        doubtful, self._doubtful = self._doubtful, None
        before, self._mean_before = self._mean_before, None
        if doubtful is None or max(dt_s, doubtful.dt_s) > _EVEN_S:
            return None
        limits = self._limits
        with_before = doubtful.residual_m
        with_after = minus(doubtful.moved_m, times(moved_m, doubtful.dt_s / dt_s))
        product = sum(map(mul, with_before, with_after))
        larger = max(hypot(*with_before), hypot(*with_after))
        jump = rotate(doubtful.attitude, mean_times(with_before, with_after, 1.0))
        nearest_m = 0.0
        if before is not None:
            mean_m, time_s = before
            # The velocity after that step is that of this one, with the jump.
            nearest_m = hypot(*minus(mean_m, times(jump, -0.5 * time_s / doubtful.dt_s)))
        # The noise of two pairs of neighbouring poses is in each residual.
        noise_m = 2.0 * limits.pose_noise_m
        least_m = max(_MEAN_SHARE * limits.jump_limit_m, noise_m,
                      _OVER_UNREST * max(nearest_m, *self._unrest_m, 0.0))
        is_jump = (
            hypot(*jump) > least_m
            and product > larger * max(_COMMON_SHARE * limits.jump_limit_m, noise_m)
            and hypot(*minus(with_before, with_after))
            < max(_CHANGE_SHARE * limits.jump_limit_m, 2.0 * noise_m)
            and not (another and product <= 0.5 * larger * larger))
        if before is not None:
            self._unrest_m.append(nearest_m if is_jump else hypot(*before[0]))
        if is_jump:
            return jump
        self._mean_before = jump, doubtful.dt_s
        return None
