# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Steps of the pose that the motion does not explain.

Each pose is compared with the one predicted from the pose before it, in this order of trust:

1. by the reported twist: mean of the twists at both ends times the time between (trapezoid);
2. by the motion of the poses before it, taken to go on (constant body velocity), where there is
   no twist, or one that has lately missed the poses by more than its allowance;
3. by what the carrier cannot exceed (largest speed times time), where neither is known yet.

A jump shows in the poses by themselves as well: where they go on evenly, to within half the
limit, it is the twist that is wrong, and no jump is reported.

The residual is compared with an allowance: how far motion within the limits can stray from the
prediction. With a constant acceleration limit A over dt, two known end velocities leave A dt^2/4
(speed up for half of dt, slow down for the other half). A velocity averaged over the last T
leaves A dt (dt + T)/2. Both are capped by the largest speed, which decides after a silence. Added
to it are the pose's own noise and the twist's own error.

A step is a jump when its residual exceeds max(limit - allowance, allowance). So a jump of the
limit's size is never lost in the motion as long as the allowance is below half the limit, and
motion within the limits is never called a jump. `Step.findable_m` says how small a jump is found
for certain at that step.

At 10 Hz without a twist that is decimetres. There the step is looked at once more when the next
pose is in (`SecondLook`); what shows as a jump then is reported with `Step.jump_before`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
import math
from math import hypot
from typing import NamedTuple

from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.quaternion import (
    conjugate, mean_times, minus, multiply, Quaternion, rotate, rotation_vector, times, Vector,
)
from robot_mapping_qa.pose.second_look import SecondLook

# Body velocity from poses is taken over at least this time, so that the noise of two poses is
# not divided by a tiny interval.
_BASELINE_NS = 20_000_000
# Weight of the newest step in the running mean that judges the twist: about 30 steps.
_MEMORY = 1.0 / 32.0
_REST: Vector = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class PoseSample:
    """A pose and, where known, the twist in the child frame, as plain numbers (SI)."""

    stamp_ns: int
    position_m: Vector
    quaternion: Quaternion
    linear_mps: Vector | None = None
    angular_radps: Vector | None = None


class Step(NamedTuple):
    """
    From one pose to the next.

    ``distance_m`` and ``angle_rad`` are what the pose moved; ``residual_m`` and ``residual_rad``
    what is left of that after the prediction, as vectors in the fixed frame; ``findable_m`` and
    ``findable_rad`` the smallest jump that cannot hide in this step. ``jump_before`` is the step
    before this one where that has now turned out to be a jump, its ``residual_m`` the jump.
    """

    dt_s: float
    distance_m: float
    angle_rad: float
    residual_m: Vector
    residual_rad: Vector
    findable_m: float
    findable_rad: float
    predicted_by: str
    is_jump: bool
    jump_before: Step | None = None

    @property
    def size_m(self) -> float:
        """Length of the position's residual."""
        return hypot(*self.residual_m)

    @property
    def size_rad(self) -> float:
        """Angle of the rotation's residual."""
        return hypot(*self.residual_rad)


class _Prediction(NamedTuple):
    """Motion in the body frame of the pose before, and how far the truth can stray from it."""

    moved_m: Vector
    turned_rad: Vector
    allowed_m: float
    allowed_rad: float


class JumpDetector:
    """Follows one pose stream; stamps must increase from call to call."""

    def __init__(self, limits: PoseLimits) -> None:
        self.limits = limits
        self.restart()

    def restart(self) -> None:
        """Forget the poses and the motion: the next pose starts anew."""
        self._recent: deque[PoseSample] = deque()
        # Body velocity, turn rate and the stamp at which the time they were taken over began;
        # worked out when asked for, as a twist mostly spares it.
        self._known_velocity: tuple[Vector, Vector, int] | None = None
        self._velocity_is_old = False
        self._twist_has_moved = False
        # Running mean of the twist's residual over its allowance; above 1 it is not believed.
        self._twist_error = 0.0
        self._step: Step | None = None
        self._second_look = SecondLook(self.limits)

    @property
    def last(self) -> PoseSample | None:
        """The pose taken last."""
        return self._recent[-1] if self._recent else None

    @property
    def linear_mps(self) -> Vector | None:
        """Present velocity in the body frame: of the twist where believed, else of the poses."""
        last = self._with_good_twist
        if last is not None and last.linear_mps is not None:
            return last.linear_mps
        velocity = self._velocity()
        return None if velocity is None else velocity[0]

    @property
    def angular_radps(self) -> Vector | None:
        """Present angular velocity in the body frame, from the same source."""
        last = self._with_good_twist
        if last is not None and last.angular_radps is not None:
            return last.angular_radps
        velocity = self._velocity()
        return None if velocity is None else velocity[1]

    @property
    def speed_mps(self) -> float | None:
        """Size of the present velocity."""
        return _size(self.linear_mps)

    @property
    def turn_rate_radps(self) -> float | None:
        """Size of the present angular velocity."""
        return _size(self.angular_radps)

    @property
    def believes_twist(self) -> bool:
        """Whether the twist of the last pose is the motion: filled in, finite, as the poses go."""
        last = self._with_good_twist
        return (last is not None and last.linear_mps is not None
                and last.angular_radps is not None)

    @property
    def _with_good_twist(self) -> PoseSample | None:
        """The last pose where the twist goes as the poses do; this one may have none itself."""
        return self.last if self._twist_has_moved and self._twist_error <= 1.0 else None

    def step(self, sample: PoseSample) -> Step | None:
        """
        Take the next pose; return the step to it, None for the first.

        Raises ValueError if the stamp is not later than the one before.
        """
        before = self.last
        if before is None:
            self._recent.append(sample)
            return None
        if sample.stamp_ns <= before.stamp_ns:
            raise ValueError(f'stamp {sample.stamp_ns} does not follow {before.stamp_ns}')
        if sample.linear_mps is not None and sample.angular_radps is not None:
            # A twist that has only ever been zero was not filled in.
            self._twist_has_moved |= any(sample.linear_mps) or any(sample.angular_radps)
        step = self._step = self._judge(before, sample)
        if step.is_jump:
            # The motion goes on from the new place: the velocity stays, the poses before do not.
            self._velocity()
            self._recent.clear()
        recent = self._recent
        recent.append(sample)
        while len(recent) > 2 and sample.stamp_ns - recent[1].stamp_ns >= _BASELINE_NS:
            recent.popleft()
        self._velocity_is_old = True
        return step

    def _judge(self, before: PoseSample, sample: PoseSample) -> Step:
        """Judge the step between two poses, and once more the one before it, if that is due."""
        limits = self.limits
        dt_s = (sample.stamp_ns - before.stamp_ns) * 1e-9
        inverse = conjugate(before.quaternion)
        moved = rotate(inverse, minus(sample.position_m, before.position_m))
        turn = multiply(inverse, sample.quaternion)
        turned = rotation_vector(turn)
        predicted_by, prediction = self._predict(before, sample, dt_s, moved, turn)
        residual_m = minus(moved, prediction.moved_m)
        residual_rad = minus(turned, prediction.turned_rad)
        findable_m = max(limits.jump_limit_m, 2.0 * prediction.allowed_m)
        findable_rad = max(limits.jump_limit_rad, 2.0 * prediction.allowed_rad)
        is_jump = (hypot(*residual_m) > findable_m - prediction.allowed_m
                   or hypot(*residual_rad) > findable_rad - prediction.allowed_rad)
        if is_jump and predicted_by == 'twist':
            is_jump = not self._goes_on(before, dt_s, moved, turned)
        jump, step_before = self._second_look.jump(dt_s, moved, is_jump), self._step
        jump_before = None
        if jump is not None and step_before is not None:
            # The velocity that this step was compared with holds that jump.
            is_jump = False
            jump_before = step_before._replace(residual_m=jump, is_jump=True)
        elif predicted_by == 'velocity' and not is_jump and findable_m > limits.jump_limit_m:
            self._second_look.keep(dt_s, before.quaternion, moved, residual_m)
        return Step(
            dt_s, hypot(*moved), hypot(*turned), rotate(before.quaternion, residual_m),
            rotate(before.quaternion, residual_rad), findable_m, findable_rad, predicted_by,
            is_jump, jump_before)

    def _predict(self, before: PoseSample, sample: PoseSample, dt_s: float, moved: Vector,
                 turn: Quaternion) -> tuple[str, _Prediction]:
        """Return what the motion is predicted by, and that; learn what the twist is worth."""
        by_twist = self._by_twist(before, sample, dt_s, turn)
        if by_twist is not None:
            # Clipped, so that one jump of the pose does not discredit the twist.
            ratio = hypot(*minus(moved, by_twist.moved_m)) / by_twist.allowed_m
            self._twist_error += _MEMORY * (min(ratio, 4.0) - self._twist_error)
            if self._twist_error <= 1.0:
                return 'twist', by_twist
        by_velocity = self._by_velocity(before, dt_s)
        if by_velocity is not None:
            return 'velocity', by_velocity
        return 'limits', self._at_rest(dt_s)

    def _goes_on(self, before: PoseSample, dt_s: float, moved: Vector, turned: Vector) -> bool:
        """Return whether the poses by themselves go on evenly, to within half the limit."""
        limits, by_velocity = self.limits, self._by_velocity(before, dt_s)
        return by_velocity is not None and (
            hypot(*minus(moved, by_velocity.moved_m)) <= 0.5 * limits.jump_limit_m
            and hypot(*minus(turned, by_velocity.turned_rad)) <= 0.5 * limits.jump_limit_rad)

    def _by_twist(self, before: PoseSample, sample: PoseSample, dt_s: float,
                  turn: Quaternion) -> _Prediction | None:
        if (not self._twist_has_moved or sample.linear_mps is None
                or sample.angular_radps is None or before.linear_mps is None
                or before.angular_radps is None):
            return None
        limits = self.limits
        moved = mean_times(before.linear_mps, rotate(turn, sample.linear_mps), dt_s)
        turned = mean_times(before.angular_radps, rotate(turn, sample.angular_radps), dt_s)
        return self._prediction(
            moved, turned, dt_s, dt_s / 4.0,
            limits.pose_noise_m + limits.twist_error_fraction * hypot(*moved),
            limits.pose_noise_rad + limits.twist_error_fraction * hypot(*turned))

    def _by_velocity(self, before: PoseSample, dt_s: float) -> _Prediction | None:
        velocity = self._velocity()
        if velocity is None:
            return None
        linear, angular, since_ns = velocity
        span_s = (before.stamp_ns - since_ns) * 1e-9
        noise_gain = 1.0 + dt_s / span_s
        return self._prediction(
            times(linear, dt_s), times(angular, dt_s), dt_s, (dt_s + span_s) / 2.0,
            self.limits.pose_noise_m * noise_gain, self.limits.pose_noise_rad * noise_gain)

    def _at_rest(self, dt_s: float) -> _Prediction:
        return self._prediction(_REST, _REST, dt_s, math.inf, self.limits.pose_noise_m,
                                self.limits.pose_noise_rad)

    def _prediction(self, moved: Vector, turned: Vector, dt_s: float, change_time_s: float,
                    error_m: float, error_rad: float) -> _Prediction:
        """Add what an acceleration over ``change_time_s`` can do in dt, capped by the speeds."""
        limits = self.limits
        stray_m = min(limits.max_acceleration_mps2 * change_time_s * dt_s,
                      limits.max_speed_mps * dt_s + hypot(*moved))
        stray_rad = min(limits.max_angular_acceleration_radps2 * change_time_s * dt_s,
                        limits.max_turn_rate_radps * dt_s + hypot(*turned))
        return _Prediction(moved, turned, stray_m + error_m, stray_rad + error_rad)

    def _velocity(self) -> tuple[Vector, Vector, int] | None:
        """Return the mean motion over the last poses, or that of before the newest jump."""
        if not self._velocity_is_old:
            return self._known_velocity
        self._velocity_is_old = False
        oldest, newest = self._recent[0], self._recent[-1]
        span_ns = newest.stamp_ns - oldest.stamp_ns
        if span_ns >= _BASELINE_NS:
            inverse = conjugate(oldest.quaternion)
            rate = 1e9 / span_ns
            moved = rotate(inverse, minus(newest.position_m, oldest.position_m))
            turned = rotation_vector(multiply(inverse, newest.quaternion))
            self._known_velocity = (times(moved, rate), times(turned, rate), oldest.stamp_ns)
        return self._known_velocity


def _size(vector: Vector | None) -> float | None:
    return None if vector is None else hypot(*vector)
