# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The judgement of the unit's pose stream, message by message."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite
from typing import Any, Sequence

import numpy as np

from robot_mapping_qa.pose.covariance_trust import CovarianceTrust
from robot_mapping_qa.pose.jumps import JumpDetector, PoseSample, Step
from robot_mapping_qa.pose.latch import ConditionLatch
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.point_error import point_error_m
from robot_mapping_qa.pose.quaternion import Quaternion, rotate, Vector
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict

# Going back further than this is a new start (a bag played again, simulated time reset), less is
# a message out of order.
_RESTART_NS = 1_000_000_000
# tf2 accepts no quaternion whose length is off by more (common practice, no source).
_LENGTH_TOLERANCE = 0.01
# Of all normal errors of one root mean square the one along a single axis has the widest 95 %
# radius, 1.95996 times it; that of `point_error_m` is exact there and below elsewhere.
_WIDEST_RADIUS = 1.96
# A unit that jumps for hours must not fill the memory.
_JUMPS_KEPT = 10_000


@dataclass(frozen=True, slots=True)
class Jump:
    """
    A jump of the pose, at the receive time of the message that carried it.

    ``percent_of_distance`` relates its size to the distance travelled since the jump before (or
    the start); None where that distance is shorter than the jump itself.
    """

    at_ns: int
    size_m: float
    size_rad: float
    percent_of_distance: float | None


class PoseMonitor:
    """
    Follows the one pose stream of a configuration.

    ``name`` is the stream's name, ``view_direction`` the direction in the unit's frame in which
    the inspected structure lies (REP 103: x is forward), ``working_distance_m`` its distance.
    The stream counts as silent after ``silence_s``, or if that is None after the limits' time or
    five periods of ``rate_hz``. All ``*_ns`` arguments are host time.
    """

    def __init__(self, name: str, limits: PoseLimits, working_distance_m: float,
                 rate_hz: float | None = None, silence_s: float | None = None,
                 view_direction: Sequence[float] = (1.0, 0.0, 0.0)) -> None:
        length = hypot(*view_direction)
        if not length > 0.0:
            raise ValueError(f'view_direction: found {view_direction!r}, expected a direction')
        self.name = name
        self.limits = limits
        self._distance_m = working_distance_m
        self._lever_m = tuple(working_distance_m * axis / length for axis in view_direction)
        if silence_s is None:
            silence_s = max(limits.stale_s, 5.0 / rate_hz if rate_hz else 0.0)
        self._silence_ns = round(silence_s * 1e9)
        self._jumps: list[Jump] = []
        self._path_length_m = 0.0
        self._start_ns: int | None = None
        self._trust = CovarianceTrust(name, limits)
        self._motion = JumpDetector(limits)
        self._latch = ConditionLatch()
        self._forget()

    def _forget(self) -> None:
        """Start anew, but keep what the summary counts over the whole run."""
        self._motion.restart()
        self._trust.restart()
        self._latch.clear()
        self._reference_frames: tuple[str, str] | None = None
        self._odometry: Odometry | None = None
        self._received_ns: int | None = None
        self._new_pose_ns: int | None = None
        self._frames_changed_ns = 0
        self._distance_since_jump_m = 0.0
        self._step_ns = 0

    def add(self, odometry: Odometry, receive_ns: int) -> tuple[Event, ...]:
        """Take a message; return what happened with it."""
        events = list(self.tick(receive_ns))
        self._received_ns = receive_ns
        problem = _problem_of(odometry)
        if problem is not None:
            events += self._refuse('pose_invalid', f'{self.name} {problem}', receive_ns)
            return tuple(events)
        last = self._motion.last
        if last is not None and odometry.stamp_ns <= last.stamp_ns:
            back_ns = last.stamp_ns - odometry.stamp_ns
            if back_ns <= _RESTART_NS:
                # Out of order or sent twice: says nothing about the motion.
                return tuple(events)
            events.append(self._restart(receive_ns, f'the stamps of {self.name}', back_ns))
            self._received_ns = receive_ns
        events += self._check_frames(odometry, receive_ns)
        self._new_pose_ns = receive_ns
        self._odometry = odometry
        step = self._motion.step(_sample_of(odometry))
        if step is not None:
            events += self._follow(step, receive_ns)
        events += self._trust.add(
            odometry.covariance, odometry.stamp_ns, self._path_length_m, receive_ns)
        return tuple(events)

    def malformed(self, receive_ns: int, why: str) -> tuple[Event, ...]:
        """Take note of a message that could not be read."""
        events = self.tick(receive_ns)
        self._received_ns = receive_ns
        return events + self._refuse(
            'malformed', f'{self.name} sent a message that cannot be read: {why}', receive_ns)

    def tick(self, now_ns: int) -> tuple[Event, ...]:
        """Let time pass; notices that host time was set back."""
        events: tuple[Event, ...] = ()
        if self._received_ns is not None and now_ns < self._received_ns - _RESTART_NS:
            events = (self._restart(now_ns, 'host time', self._received_ns - now_ns),)
        if self._start_ns is None or now_ns < self._start_ns:
            self._start_ns = now_ns
        return events

    def verdict(self, now_ns: int) -> Verdict:
        """
        Judge the pose as it stands at ``now_ns``.

        ``point_error_m`` is the 95 % radius at the working distance, ``sigma_position_m`` and
        ``sigma_rotation_rad`` are the standard deviations of the worst axis, all from the reported
        covariance and None while that cannot be trusted or the unit is silent.
        """
        silence = self._silence(now_ns)
        conditions = self._conditions(silence, now_ns)
        odometry = self._odometry
        known = odometry is not None and not silence and self._trust.state == 'trusted'
        figures: dict[str, float | None] = {
            'point_error_m': None, 'sigma_position_m': None, 'sigma_rotation_rad': None,
            'path_length_m': self._path_length_m,
            'speed_mps': None if silence else self._motion.speed_mps,
            'turn_rate_radps': None if silence else self._motion.turn_rate_radps,
            'age_s': (None if self._new_pose_ns is None
                      else max(0, now_ns - self._new_pose_ns) * 1e-9)}
        if known:
            variances = odometry.covariance.diagonal().tolist()
            lever_m = rotate(_unit_quaternion(odometry), self._lever_m)
            figures['point_error_m'] = point_error_m(odometry.covariance, lever_m)
            figures['sigma_position_m'] = max(variances[:3]) ** 0.5
            figures['sigma_rotation_rad'] = max(variances[3:]) ** 0.5
        return Verdict('pose', now_ns, tuple(conditions), figures)

    def surely_within(self, now_ns: int, limit_m: float) -> bool:
        """
        Return True only where no condition holds and the point error is known, within a limit.

        Told from a bound, at a fraction of the cost of `verdict`, which decides the other cases.
        """
        odometry = self._odometry
        silence = self._silence(now_ns)
        if odometry is None or silence or self._conditions(silence, now_ns):
            return False
        xx, yy, zz, aa, bb, cc = odometry.covariance.diagonal().tolist()
        # The root mean square of d + t x l is at most that of d plus |l| times that of t.
        rms_m = (xx + yy + zz) ** 0.5 + self._distance_m * (aa + bb + cc) ** 0.5
        return _WIDEST_RADIUS * rms_m <= limit_m

    def estimate(self) -> Odometry | None:
        """Return the newest pose with its covariance, None before the first."""
        return self._odometry

    @property
    def path_length_m(self) -> float:
        """The way travelled."""
        return self._path_length_m

    @property
    def covariance_is_trusted(self) -> bool:
        """Whether the reported covariance is worth anything at present."""
        return self._trust.state == 'trusted'

    def rebase(self, now_ns: int) -> tuple[Event, ...]:
        """
        Take the present pose, and the frame it is given in, as good.

        Ends the conditions of a jump and of a changed frame; the distance that jumps are compared
        with starts again.
        """
        events = self.tick(now_ns)
        self._latch.clear(f'{self.name}/jump')
        self._distance_since_jump_m = 0.0
        if self._odometry is not None:
            self._reference_frames = _frames_of(self._odometry)
        return events

    def summary(self) -> dict[str, Any]:
        """
        Return the figures of the whole run under the keys of ``pose`` in summary.json.

        ``inflation`` is None: a reported covariance alone does not tell how far it is off. At
        most the first 10,000 jumps are listed.
        """
        return {
            'path_length_m': self._path_length_m,
            'reported_covariance': self._trust.overall(),
            'inflation': None,
            'jumps': [
                {'at_ns': jump.at_ns, 'size_m': jump.size_m, 'size_rad': jump.size_rad,
                 'percent_of_distance': jump.percent_of_distance} for jump in self._jumps]}

    def _follow(self, step: Step, now_ns: int) -> list[Event]:
        """Count the way, watch the speed, and report a jump."""
        limits = self.limits
        events = []
        if step.jump_before is not None:
            # It was counted as way when it came.
            self._count_way(-step.jump_before.distance_m)
            events.append(self._jump(step.jump_before, self._step_ns, now_ns))
        if step.is_jump:
            events.append(self._jump(step, now_ns, now_ns))
        else:
            self._count_way(step.distance_m)
        self._step_ns = now_ns
        for what, value, limit, unit in (
                ('speed', self._motion.speed_mps, limits.max_speed_mps, 'm/s'),
                ('turn rate', self._motion.turn_rate_radps, limits.max_turn_rate_radps, 'rad/s')):
            if value is not None and value > limit:
                self._latch.hold(
                    f'{self.name}/{what.replace(" ", "_")}',
                    f'{self.name} gives a {what} of {value:.1f} {unit}, more than the '
                    f'{limit:.1f} {unit} that the carrier can reach',
                    Severity.HARD, now_ns, limits.fault_hold_s)
        return events

    def _count_way(self, distance_m: float) -> None:
        self._path_length_m += distance_m
        self._distance_since_jump_m += distance_m

    def _jump(self, step: Step, onset_ns: int, now_ns: int) -> Event:
        distance_m = self._distance_since_jump_m
        percent = 100.0 * step.size_m / distance_m if distance_m > step.size_m else None
        text = f'{self.name} jumped {step.size_m:.2f} m'
        if step.size_rad > 0.5 * self.limits.jump_limit_rad:
            text += f' and {step.size_rad:.2f} rad'
        values = {'size_m': step.size_m, 'size_rad': step.size_rad,
                  'x_m': step.residual_m[0], 'y_m': step.residual_m[1], 'z_m': step.residual_m[2]}
        if percent is not None:
            text += f', {percent:.1f} % of the {distance_m:.0f} m travelled'
            values['percent_of_distance'] = percent
        if len(self._jumps) < _JUMPS_KEPT:
            self._jumps.append(Jump(onset_ns, step.size_m, step.size_rad, percent))
        self._distance_since_jump_m = 0.0
        self._latch.hold(f'{self.name}/jump', text, Severity.HARD, now_ns,
                         self.limits.jump_hold_s)
        return Event('pose_jump', self.name, onset_ns, now_ns, text, values)

    def _check_frames(self, odometry: Odometry, now_ns: int) -> list[Event]:
        frames = _frames_of(odometry)
        if self._reference_frames is None:
            self._reference_frames = frames
        if self._odometry is None or frames == _frames_of(self._odometry):
            return []
        # Poses in different frames cannot be compared.
        self._motion.restart()
        self._frames_changed_ns = now_ns
        before = '{} -> {}'.format(*_frames_of(self._odometry))
        text = f'{self.name} changed its frames from {before} to {frames[0]} -> {frames[1]}'
        return [Event('frame_changed', self.name, now_ns, now_ns, text)]

    def _frame_condition(self) -> list[Condition]:
        if self._odometry is None or _frames_of(self._odometry) == self._reference_frames:
            return []
        frames = _frames_of(self._odometry)
        expected = self._reference_frames
        return [Condition(
            f'{self.name}/frame',
            f'{self.name} is given in {frames[0]} -> {frames[1]}, not {expected[0]} -> '
            f'{expected[1]} as before: rebase if that is meant', Severity.HARD,
            self._frames_changed_ns)]

    def _conditions(self, silence: list[Condition], now_ns: int) -> list[Condition]:
        conditions = silence + self._frame_condition() + self._latch.current(now_ns)
        return conditions if self._odometry is None else conditions + self._trust.conditions()

    def _silence(self, now_ns: int) -> list[Condition]:
        if self._received_ns is None:
            onset_ns = now_ns if self._start_ns is None else self._start_ns
            return [Condition(f'{self.name}/not_seen', f'{self.name} not seen yet',
                              Severity.HARD, onset_ns)]
        silent_ns = now_ns - self._received_ns
        if silent_ns > self._silence_ns:
            return [Condition(f'{self.name}/silent',
                              f'{self.name} silent for {silent_ns * 1e-9:.1f} s',
                              Severity.HARD, self._received_ns)]
        if self._new_pose_ns is None:
            return [Condition(f'{self.name}/no_pose', f'{self.name} has given no usable pose yet',
                              Severity.HARD, self._received_ns)]
        stuck_ns = now_ns - self._new_pose_ns
        if stuck_ns > self._silence_ns:
            return [Condition(f'{self.name}/no_pose',
                              f'{self.name} has given no new pose for {stuck_ns * 1e-9:.1f} s',
                              Severity.HARD, self._new_pose_ns)]
        return []

    def _refuse(self, kind: str, text: str, now_ns: int) -> tuple[Event, ...]:
        """Hold a condition for a message that cannot be used; an event where that is new."""
        is_new = self._latch.hold(f'{self.name}/{kind}', text, Severity.HARD, now_ns,
                                  self.limits.fault_hold_s)
        if not is_new:
            return ()
        return (Event('message_malformed', self.name, now_ns, now_ns, text),)

    def _restart(self, now_ns: int, whose: str, back_ns: int) -> Event:
        self._forget()
        return Event(
            'time_restarted', self.name, now_ns, now_ns,
            f'{whose} went back by {back_ns * 1e-9:.1f} s: the pose is judged anew',
            {'size_s': -back_ns * 1e-9})


def _frames_of(odometry: Odometry) -> tuple[str, str]:
    return odometry.frame, odometry.child_frame


def _problem_of(odometry: Odometry) -> str | None:
    """Return what makes the pose unusable, to follow the stream's name; None if nothing does."""
    position = odometry.position_m.tolist()
    quaternion = odometry.quaternion.tolist()
    if not all(map(isfinite, position)):
        return f'gives a position that is not finite: {position}'
    # The length of a quaternion with a NaN is NaN, which is not within the tolerance either.
    length = hypot(*quaternion)
    if not abs(length - 1.0) <= _LENGTH_TOLERANCE:
        return f'gives a quaternion of length {length:.3g}, expected 1'
    return None


def _unit_quaternion(odometry: Odometry) -> Quaternion:
    quaternion = odometry.quaternion.tolist()
    length = hypot(*quaternion)
    return tuple(part / length for part in quaternion)


def _sample_of(odometry: Odometry) -> PoseSample:
    return PoseSample(
        odometry.stamp_ns, tuple(odometry.position_m.tolist()), _unit_quaternion(odometry),
        _finite(odometry.linear_mps), _finite(odometry.angular_radps))


def _finite(vector: np.ndarray | None) -> Vector | None:
    """Return the numbers of a twist, None where it has none or they cannot be used."""
    if vector is None:
        return None
    values = tuple(vector.tolist())
    return values if all(map(isfinite, values)) else None
