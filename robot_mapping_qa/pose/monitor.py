# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The judgement of the unit's pose stream, message by message."""

from __future__ import annotations

from typing import Any, Mapping, Sequence

import numpy as np

from robot_mapping_qa.pose.camera_monitor import aid_sees
from robot_mapping_qa.pose.consistency import Inflation, inflation_figures
from robot_mapping_qa.pose.covariance_trust import CovarianceTrust
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.error_estimate import ErrorEstimate
from robot_mapping_qa.pose.frame_watch import FrameWatch
from robot_mapping_qa.pose.jump_log import JumpLog
from robot_mapping_qa.pose.jumps import JumpDetector, Step
from robot_mapping_qa.pose.latch import ConditionLatch
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.motion_trust import MotionTrust
from robot_mapping_qa.pose.new_start import NewStart
from robot_mapping_qa.pose.point_motion import impossible_motion, motion_figures
from robot_mapping_qa.pose.pose_silence import Arrivals
from robot_mapping_qa.pose.trust_limits import TrustLimits
from robot_mapping_qa.pose.unusable import UnusableMessages
from robot_mapping_qa.pose.usable_pose import frames_of, problem_of, sample_of, unit_quaternion
from robot_mapping_qa.pose.working_distance import Sight, WorkingDistance
from robot_mapping_qa.records import Odometry, Range
from robot_mapping_qa.restart import RESTART_NS
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict

# A report that is off by more is no information; the estimate is the floor anyway.
_MOST_INFLATION = 10.0
# Longer than the time between two clouds that are judged.
_UNUSABLE_SHOWN_S = 5.0


class PoseMonitor:
    """
    Follows the one pose stream of a configuration.

    ``name`` is the stream's name. The inspected structure lies where ``sights`` point, one for
    each camera, ``working_distance_m`` away where no ``range_finder`` (the name of a stream)
    measures that. The stream counts as silent after ``silence_s``, or if that is None after the
    limits' time or five periods of ``rate_hz``. ``trust`` holds the motion streams against the
    reported covariance; the others are for the `ErrorEstimate`. All ``*_ns`` are host time.
    """

    def __init__(self, name: str, limits: PoseLimits, working_distance_m: float,
                 rate_hz: float | None = None, silence_s: float | None = None,
                 sights: Sequence[Sight] = (Sight(),), *,
                 degradation: DegradationLimits = DegradationLimits(),
                 mounts: Mapping[str, np.ndarray] | None = None,
                 point_error_limit_m: float | None = None,
                 trust: MotionTrust | None = None, range_finder: str | None = None,
                 has_map: bool = False) -> None:
        self.name = name
        self.limits = limits
        self.distance = WorkingDistance(
            working_distance_m, sights, range_finder, limits.distance_stale_s)
        if silence_s is None:
            silence_s = max(limits.stale_s, 5.0 / rate_hz if rate_hz else 0.0)
        self._arrivals = Arrivals(name, round(silence_s * 1e9))
        self._jumps = JumpLog(name, limits.jump_limit_rad)
        self._trust = CovarianceTrust(name, limits)
        self._motion = JumpDetector(limits)
        self._motion_trust = trust or MotionTrust(TrustLimits(), {})
        self._error = ErrorEstimate(
            name, degradation, self.distance.levers_m, mounts, point_error_limit_m, has_map)
        self._latch = ConditionLatch()
        self._unusable = UnusableMessages(self._latch)
        self._frames = FrameWatch(name)
        self._new_start = NewStart(name)
        self._forget()

    def _forget(self) -> None:
        """Start anew, but keep what the summary counts over the whole run."""
        self._motion.restart()
        self._trust.restart()
        self._error.restart()
        self._motion_trust.restart()
        self._latch.clear()
        self._frames.restart()
        self._odometry: Odometry | None = None
        self._arrivals.restart()
        self._jumps.restart()
        self.distance.restart()

    def add(self, odometry: Odometry, receive_ns: int) -> tuple[Event, ...]:
        """Take a message; return what happened with it."""
        events = list(self.tick(receive_ns))
        self._arrivals.received_ns = receive_ns
        problem = problem_of(odometry)
        if problem is not None:
            return (*events, *self._refuse('pose_invalid', f'{self.name} {problem}', receive_ns))
        last = self._motion.last
        if last is not None and odometry.stamp_ns <= last.stamp_ns:
            back_ns = last.stamp_ns - odometry.stamp_ns
            if back_ns <= RESTART_NS:
                # Out of order or sent twice: says nothing about the motion.
                return tuple(events)
            is_new, event = self._new_start.stamps_went_back(back_ns, receive_ns)
            if is_new:
                # One event is enough, should the message have told of host time as well.
                events = [event]
                self._forget()
                self._arrivals.received_ns = receive_ns
            else:
                events.append(event)
                self._motion.restart()
                self._motion_trust.interrupt()
                self._error.interrupt()
        self._new_start.stamps_went_on(receive_ns)
        events += self._check_frames(odometry, receive_ns)
        self._arrivals.new_pose_ns = receive_ns
        self._odometry = odometry
        sample = sample_of(odometry)
        if odometry.linear_mps is not None and None in (sample.linear_mps, sample.angular_radps):
            # The poses tell the motion as well: the gate need not close.
            events += self._unusable.add(
                self.name, 'twist_invalid', f'{self.name} gives a twist that is not finite: it '
                'is not used', Severity.NOTICE, receive_ns, self.limits.fault_hold_s)
        step = self._motion.step(sample)
        if step is not None:
            events += self._follow(step, receive_ns)
        events += self._judge_covariance(odometry, receive_ns)
        events += self._error.add(
            sample.stamp_ns, sample.position_m, sample.quaternion, self._jumps.path_length_m,
            receive_ns)
        return tuple(events)

    def add_motion(self, name: str, stamp_ns: int, receive_ns: int,
                   motion: tuple[float, ...]) -> None:
        """Take turn rate, and velocity where there is one; see `SecondSource.add`."""
        self._motion_trust.add_motion(name, stamp_ns, receive_ns, motion)

    def add_map_pose(self, pose: Odometry, receive_ns: int) -> tuple[Event, ...]:
        """Take the unit's corrected pose; return the loop closures that it shows."""
        return tuple(self._error.add_map_pose(pose, receive_ns))

    def add_range(self, reading: Range, receive_ns: int) -> None:
        """Take a reading of the range finder: the distance to the structure from now on."""
        self.distance.add(reading, receive_ns)
        self._error.set_levers(self.distance.levers_m)

    def add_geometry(self, name: str, information: np.ndarray, receive_ns: int) -> None:
        """Take what a cloud tells; see `DegradationEstimate.add_geometry`."""
        self._error.degradation.add_geometry(name, information, receive_ns)

    def add_camera_verdict(self, verdict: Verdict, now_ns: int) -> None:
        """Take from a verdict of `CameraMonitor` how well a camera that aids the unit sees."""
        corners = verdict.figures.get('aid_corners')
        self._error.degradation.set_camera(
            aid_sees(verdict), now_ns, 1.0 if corners is None else corners)

    def wants_geometry(self, name: str, receive_ns: int) -> bool:
        """Return whether the next cloud of a stream is due to be judged."""
        return self._error.degradation.wants(name, receive_ns)

    def malformed(self, receive_ns: int, why: str) -> tuple[Event, ...]:
        """Take note of a message that could not be read."""
        events = self.tick(receive_ns)
        self._arrivals.received_ns = receive_ns
        return events + self._refuse(
            'malformed', f'{self.name} sent a message that cannot be read: {why}', receive_ns)

    def unusable(self, stream: str, receive_ns: int, why: str,
                 severity: Severity = Severity.NOTICE) -> tuple[Event, ...]:
        """Take note of a message of another stream that tells nothing of motion or place."""
        shown_s = (_UNUSABLE_SHOWN_S if severity is Severity.NOTICE
                   else self.limits.fault_hold_s)
        return self._unusable.add(
            stream, 'unusable',
            f'{stream} sent a message that the pose cannot be judged by: {why}', severity,
            receive_ns, shown_s)

    def tick(self, now_ns: int) -> tuple[Event, ...]:
        """Let time pass; notices that host time was set back."""
        events: tuple[Event, ...] = ()
        before_ns = self._arrivals.received_ns
        if before_ns is not None and now_ns < before_ns - RESTART_NS:
            events = (self._set_back(before_ns - now_ns, now_ns),)
        self._arrivals.tick(now_ns)
        self.distance.tick(now_ns)
        return events

    def verdict(self, now_ns: int) -> Verdict:
        """
        Judge the pose as it stands at ``now_ns``.

        ``point_error_m`` is the 95 % radius at the working distance, ``sigma_position_m`` and
        ``sigma_rotation_rad`` are the standard deviations of the worst axis, all from the
        covariance that is believed (`ErrorEstimate.believed`) and None while the reported one is
        invalid or the unit is silent; the first also while the distance is not known.
        ``STREAM/unusable`` counts the messages of a stream that could not be used, if any.
        For ``inflation`` see `inflation_figures`. The others are those of `motion_figures` and
        `ErrorEstimate.figures`.
        """
        gist = self.gist(now_ns)
        inflation = self._too_small_by() or self._motion_trust.inflation
        motion = motion_figures(*(None, None) if self._arrivals.conditions(now_ns) else (
            self._motion.linear_mps, self._motion.angular_radps))
        return Verdict('pose', now_ns, gist.conditions, {
            **gist.figures, 'working_distance_m': self.distance.metres,
            'path_length_m': self._jumps.path_length_m, **motion,
            'age_s': self._arrivals.age_s(now_ns), **inflation_figures(inflation),
            **self._error.figures(motion['speed_mps']), **self._unusable.figures()})

    def gist(self, now_ns: int) -> Verdict:
        """Return `verdict` with no figures but ``point_error_m`` and sigmas, at half the cost."""
        silence, odometry = self._arrivals.conditions(now_ns), self._odometry
        believed = None if silence else self._believed()
        figures: dict[str, float | None] = {
            'point_error_m': None, 'sigma_position_m': None, 'sigma_rotation_rad': None}
        if odometry is not None and believed is not None:
            covariance, error_m = believed
            variances = covariance.diagonal().tolist()
            figures['point_error_m'] = None if self.distance.metres is None else error_m
            figures['sigma_position_m'] = max(variances[:3]) ** 0.5
            figures['sigma_rotation_rad'] = max(variances[3:]) ** 0.5
        return Verdict('pose', now_ns, tuple(self._conditions(silence, now_ns)), figures)

    def surely_within(self, now_ns: int, limit_m: float) -> bool:
        """
        Return True only where no condition holds and the point error is known, within a limit.

        Told from a bound, at a fraction of the cost of `verdict`, which decides the other cases.
        """
        silence = self._arrivals.conditions(now_ns)
        if self._odometry is None or silence or self._conditions(silence, now_ns):
            return False
        return self._error.bound_m() <= limit_m

    def corrected_pose(self) -> Odometry | None:
        """Return the newest pose as `ErrorEstimate.corrected`, None where there is none."""
        return None if self._odometry is None else self._error.corrected(self._odometry)

    def judged_pose(self) -> tuple[Odometry, bool] | None:
        """
        Return the newest pose in the unit's own frame with the covariance that is believed.

        That is `ErrorEstimate.believed`. Beside it whether there is one, else it is the reported
        one. With the unit's twist where that is believed. None before the first pose.
        """
        odometry, believed = self._odometry, self._believed()
        if odometry is None:
            return None
        covariance = odometry.covariance if believed is None else believed[0]
        twist = (odometry.linear_mps, odometry.angular_radps, odometry.twist_covariance) \
            if self._motion.believes_twist else (None, None, None)
        return Odometry(odometry.stamp_ns, odometry.frame, odometry.child_frame,
                        odometry.position_m, odometry.quaternion, covariance, *twist,
                        ), believed is not None

    @property
    def newest(self) -> Odometry | None:
        """The newest usable pose as the unit gave it: its own frame, reported covariance."""
        return self._odometry

    def _believed(self) -> tuple[np.ndarray, float] | None:
        """Return `ErrorEstimate.believed`, None where the unit sends no possible covariance."""
        return None if self._trust.state == 'invalid' else self._error.believed()

    def _too_small_by(self) -> Inflation | None:
        """Return the inflation of a reported covariance that was found optimistic."""
        grown = self._error.report_inflation
        if grown is not None and grown.low > self._motion_trust.limits.optimistic_factor:
            return grown
        return self._motion_trust.too_small_by

    @property
    def path_length_m(self) -> float:
        """The way travelled."""
        return self._jumps.path_length_m

    def no_pose_because(self, now_ns: int) -> str:
        """Return why there is no present pose, empty where there is one."""
        return next((condition.text for condition in self._arrivals.conditions(now_ns)), '')

    def rebase(self, now_ns: int) -> tuple[Event, ...]:
        """
        Take the present pose, and the frame it is given in, as good.

        Ends the conditions of a jump and of a changed frame; the estimate of the error, and the
        distance that jumps are compared with, start again.
        """
        events = self.tick(now_ns)
        self._latch.clear(f'{self.name}/jump')
        self._jumps.restart()
        if self._odometry is not None:
            self._frames.accept()
            sample = sample_of(self._odometry)
            self._error.rebase(sample.position_m, sample.quaternion, now_ns)
        return (*events, Event('rebased', self.name, now_ns, now_ns,
                               f'{self.name} counts as good from here on'))

    def summary(self) -> dict[str, Any]:
        """
        Return the figures of the whole run under the keys of ``pose`` in summary.json.

        ``inflation`` is the median over the run, None without a motion stream to judge by: a
        reported covariance alone does not tell how far it is off. Lists the first 10,000 jumps.
        """
        return {
            'path_length_m': self._jumps.path_length_m,
            'reported_covariance': self._trust.overall(),
            'reported_covariance_share': self._trust.overall_share,
            'inflation': self._motion_trust.overall(),
            'jumps': self._jumps.summary()}

    def brief(self, now_ns: int) -> dict[str, Any]:
        """Return the word for the covariance, the number of jumps, and what the lidars hold."""
        lidars = self._error.degradation.localizability(now_ns)
        return {'reported_covariance': self._trust.overall(), 'jumps': self._jumps.count} | {
            key: value for name, found in lidars.items()
            for key, value in found.figures(name).items()}

    def _follow(self, step: Step, now_ns: int) -> list[Event]:
        """Count the way, watch the speed, and report a jump."""
        limits, arrivals, events = self.limits, self._arrivals, []
        if step.jump_before is not None:
            # It was counted as way when it came.
            self._jumps.count_way(-step.jump_before.distance_m)
            events.append(self._jump(
                step.jump_before, arrivals.step_ns, arrivals.step_before_ns, now_ns))
        if step.is_jump:
            events.append(self._jump(step, now_ns, arrivals.step_ns, now_ns))
        else:
            self._jumps.count_way(step.distance_m)
        arrivals.add_step(now_ns)
        for kind, why in impossible_motion(
                self._motion.speed_mps, self._motion.turn_rate_radps, limits):
            self._latch.hold(f'{self.name}/{kind}', f'{self.name} {why}', Severity.HARD, now_ns,
                             limits.fault_hold_s)
        return events

    def _jump(self, step: Step, onset_ns: int, before_ns: int, now_ns: int) -> Event:
        event = self._jumps.add(step, onset_ns, now_ns)
        sample = self._motion.last
        if sample is not None:
            self._error.jumped(sample.position_m, sample.quaternion, step.residual_m,
                               step.residual_rad, now_ns)
        self._motion_trust.interrupt()
        # A picture between the poses before and after it belongs to neither.
        self._latch.hold(f'{self.name}/jump', event.text, Severity.HARD, now_ns,
                         self.limits.jump_hold_s, before_ns or now_ns)
        return event

    def _check_frames(self, odometry: Odometry, now_ns: int) -> list[Event]:
        changed = self._frames.add(frames_of(odometry), now_ns)
        if changed is None:
            return []
        # Poses in different frames cannot be compared.
        self._motion.restart()
        self._motion_trust.interrupt()
        self._error.change_frames(
            tuple(odometry.position_m.tolist()), unit_quaternion(odometry), now_ns)
        return [changed]

    def _conditions(self, silence: list[Condition], now_ns: int) -> list[Condition]:
        conditions = [*silence, *self._frames.conditions(), *self._latch.current(now_ns),
                      *self.distance.conditions(now_ns)]
        if self._odometry is None:
            return conditions
        is_known = not (silence or self._trust.state == 'invalid' or self.distance.metres is None)
        return conditions + self._trust.conditions() + self._error.conditions(is_known)

    def _judge_covariance(self, odometry: Odometry, now_ns: int) -> tuple[Event, ...]:
        """Look at the reported covariance by itself and against the motion streams."""
        trust, last = self._motion_trust, self._motion.last
        # First: what is no covariance must not get among those that are compared.
        events = self._trust.add(
            odometry.covariance, odometry.stamp_ns, self._jumps.path_length_m, now_ns,
            self._too_small_by())
        if last is not None and self._trust.is_usable and trust.add_pose(
                odometry.stamp_ns, now_ns, last.quaternion, last.position_m, odometry.covariance,
                self._error.degradation.holds_travel,
                last.angular_radps if self._motion.believes_twist else None,
        ) and trust.is_confirmed:
            self._error.trust_start()
        self._error.report(
            odometry.covariance if self._trust.is_usable else None,
            min(self._trust.too_small_by, _MOST_INFLATION)
            if self._trust.state == 'optimistic' else 1.0)
        return events

    def _refuse(self, kind: str, text: str, now_ns: int) -> tuple[Event, ...]:
        """Hold a condition for a message that cannot be used; an event where that is new."""
        return self._unusable.add(
            self.name, kind, text, Severity.HARD, now_ns, self.limits.fault_hold_s)

    def _set_back(self, by_ns: int, now_ns: int) -> Event:
        """Go on in the host's new time, in which everything is as old as it was, or start anew."""
        is_new, event = self._new_start.host_went_back(by_ns, now_ns)
        if is_new:
            self._forget()
            return event
        for part in (self._arrivals, self._latch, self._trust, self._frames,
                     self._error.degradation):
            part.set_back(by_ns)
        self.distance.restart()
        return event
