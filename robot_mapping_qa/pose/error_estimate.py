# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What is believed of the pose error: the reported covariance, the estimate, and which counts.

The point error of the gate is the larger of two. One is what the unit says of itself, as long as
that is not refuted, since the last rebase or loop closure; where it was found too small, it is
inflated. The other is what the unit is estimated to have lost over the last metres, which needs no
word of the unit; where that word is missing or was refuted, also all that it is estimated to have
lost where clouds showed that nothing held it: the map is broken there. Both are about the axes of
the unit's own frame. The pose for people (`ErrorEstimate.corrected`) has the estimated covariance
since the start, the last rebase or loop closure, and may be in the frame of the map.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from operator import itemgetter
from typing import Mapping, Sequence

import numpy as np

from robot_mapping_qa.pose import so3
from robot_mapping_qa.pose.consistency import Inflation
from robot_mapping_qa.pose.degradation import DegradationEstimate
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.map_correction import Closure, MapCorrection, Pose
from robot_mapping_qa.pose.point_error import WIDEST_RADIUS, worst_point_error_m
from robot_mapping_qa.pose.quaternion import Quaternion, Vector
from robot_mapping_qa.pose.reported_error import OpenGrowth, ReportedError
from robot_mapping_qa.pose.se3 import turn_covariance
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Condition, Event, Severity

# How often the way until the limit is worked out.
_AHEAD_NS = 500_000_000
# Below this speed a time until the limit says nothing.
_LEAST_SPEED_MPS = 0.05
_AXES = ('x', 'y', 'z')
# What was lost explains no correction that is so many standard deviations large.
_MOST_SIGMAS = 4.0
_STEP_FIGURES = ('estimated_sigma_m', 'estimated_sigma_of_late_m', 'growth_m_per_m', 'open_share',
                 'geometry_known', 'until_limit_m')


class ErrorEstimate:
    """
    Follows the unit ``name``; see the module.

    ``levers_m`` lead from the unit to the inspected points, one for each camera, in the unit's
    frame; the worst of them counts. ``mounts`` as in `DegradationEstimate`. ``limit_m`` is the
    largest point error that will do, None where there is none to warn of. ``has_map`` says that
    corrected poses are to come. All ``*_ns`` arguments are host time, but for stamps.
    """

    def __init__(self, name: str, limits: DegradationLimits, levers_m: Sequence[Vector],
                 mounts: Mapping[str, np.ndarray] | None = None,
                 limit_m: float | None = None, has_map: bool = False) -> None:
        self._name = name
        self._limits = limits
        self._levers_m = levers_m
        self._reach_m = max(hypot(*lever) for lever in levers_m)
        self._limit_m = limit_m
        self.degradation = DegradationEstimate(limits, mounts)
        self._map = MapCorrection(limits.closure_limit_m, limits.closure_limit_rad)
        self._map_frame = ''
        self._has_map = has_map
        self._reported = ReportedError()
        self._open_growth = OpenGrowth()
        # What counts, its point error, and whether the unit said it; once it was asked for.
        self._judged: tuple[np.ndarray, float, bool] | None = None
        self._of_late = np.zeros((6, 6))
        self.restart()

    def set_levers(self, levers_m: Sequence[Vector]) -> None:
        """Take other points as those that are inspected, in the unit's frame."""
        self._levers_m = levers_m
        self._reach_m = max(hypot(*lever) for lever in levers_m)
        self._bound_m = self._rms_m(self._of_late)
        self._judged = None

    def restart(self) -> None:
        """Forget everything: the next pose is a start."""
        self.degradation.restart()
        self._map.restart()
        self._reported.restart()
        self._open_growth.restart()
        self._report: np.ndarray | None = None
        self._report_factor = 1.0
        self._judged = None
        self._quaternion: Quaternion = (0.0, 0.0, 0.0, 1.0)
        self._way_m = 0.0
        self._closed_at_m = 0.0
        self._reported_start: np.ndarray | None = None
        self._ahead_ns: int | None = None
        self._until_m: float | None = None
        self._of_late = np.zeros((6, 6))
        self._bound_m = 0.0
        self._step_figures: dict[str, float | None] = dict.fromkeys(_STEP_FIGURES)

    def add(self, stamp_ns: int, position_m: Vector, quaternion: Quaternion,
            way_m: float, now_ns: int) -> list[Event]:
        """Take an accepted pose, of which `report` has told already, and the way up to it."""
        self._quaternion = quaternion
        self._judged = None
        self._way_m = way_m
        degradation = self.degradation
        if not degradation.is_started:
            self._reported_start = self._report
        if degradation.add_pose(position_m, quaternion, now_ns):
            self._update(now_ns)
            if self._report is not None:
                self._open_growth.add(
                    degradation.covariance, self._report, degradation.open_direction)
        if not self._has_map:
            return []
        return self._closed(
            self._map.add_odometry(stamp_ns, Pose(position_m, quaternion)), now_ns)

    def add_map_pose(self, pose: Odometry, now_ns: int) -> list[Event]:
        """Take the unit's corrected pose, which may be late; its covariance does not count."""
        x, y, z, w = pose.quaternion.tolist()
        length = hypot(x, y, z, w)
        position_m = tuple(pose.position_m.tolist())
        if not (0.5 < length < 2.0 and hypot(*position_m) < np.inf):
            return []
        if pose.frame != self._map_frame:
            # Places in two frames cannot be compared: no loop was closed.
            self._map.change_frame()
        self._has_map = True
        self._map_frame = pose.frame
        quaternion = (x / length, y / length, z / length, w / length)
        return self._closed(
            self._map.add_map_pose(pose.stamp_ns, Pose(position_m, quaternion)), now_ns)

    def jumped(self, position_m: Vector, quaternion: Quaternion, shift_m: Vector,
               turn_rad: Vector, now_ns: int) -> None:
        """Take note of a jump of the odometry, about the axes of its frame."""
        self._go_on(position_m, quaternion, np.array((*shift_m, *turn_rad)), now_ns)

    def change_frames(self, position_m: Vector, quaternion: Quaternion, now_ns: int) -> None:
        """Take note that the poses are given in other frames from now on."""
        self._go_on(position_m, quaternion, None, now_ns)

    def interrupt(self) -> None:
        """Compare nothing that comes with what was before: after a jump, or a clock set back."""
        # A correction of the map is against the odometry as it was.
        self._map.restart()
        self._open_growth.interrupt()

    def _go_on(self, position_m: Vector, quaternion: Quaternion, jump: np.ndarray | None,
               now_ns: int) -> None:
        self.interrupt()
        if self.degradation.is_started:
            self._quaternion = quaternion
            self.degradation.skip(position_m, quaternion, jump)
            self._update(now_ns)

    def rebase(self, position_m: Vector, quaternion: Quaternion, now_ns: int) -> None:
        """Take a pose as good: the estimate starts again from here."""
        self._reported_start = None
        self._closed_at_m = self._way_m
        self.degradation.start(position_m, quaternion, now_ns)
        self._begin_anew(now_ns)

    def _begin_anew(self, now_ns: int) -> None:
        """Go on from a good pose: what the unit has reported up to here is old."""
        self._reported.forgive()
        self._open_growth.restart()
        self._update(now_ns)

    def trust_start(self) -> None:
        """Take what the unit said of its start, now that its word is worth something."""
        if self._reported_start is None:
            return
        limits = self._limits
        assumed = np.diag([limits.start_sigma_m ** 2] * 3 + [limits.start_sigma_rad ** 2] * 3)
        values, vectors = np.linalg.eigh(self._reported_start - assumed)
        self.degradation.add((vectors * np.maximum(values, 0.0)) @ vectors.T)
        self._reported_start = None

    def _closed(self, closures: list[Closure], now_ns: int) -> list[Event]:
        events = []
        for closure in closures:
            if not self._is_explained(closure):
                events.append(self._map_jumped(closure, now_ns))
                continue
            sigma_m = _largest_sigma(self.degradation.covariance[:3, :3])
            way_m = self._way_m - self._closed_at_m
            self._closed_at_m = self._way_m
            text = f'{self._name}: a loop was closed, the map moved by {closure.size_m:.2f} m'
            values = {**_sizes(closure), 'estimated_sigma_m': sigma_m}
            if way_m > closure.size_m:
                percent = 100.0 * closure.size_m / way_m
                text += f', {percent:.2g} % of the {way_m:.0f} m travelled'
                values['percent_of_distance'] = percent
            self.degradation.close_loop()
            self._begin_anew(now_ns)
            events.append(Event('loop_closure', self._name, now_ns, now_ns, text, values))
        return events

    def _is_explained(self, closure: Closure) -> bool:
        """Return whether what is estimated, or reported, to be lost explains a correction."""
        covariances = [self.degradation.covariance]
        if self._report is not None:
            covariances.append(self._report_factor ** 2 * self._report)
        limits = self._limits
        return all(
            size <= least + _MOST_SIGMAS * max(
                _largest_sigma(covariance[part, part]) for covariance in covariances)
            for size, least, part in (
                (closure.size_m, limits.closure_limit_m, slice(0, 3)),
                (closure.size_rad, limits.closure_limit_rad, slice(3, 6))))

    def _map_jumped(self, closure: Closure, now_ns: int) -> Event:
        text = (f'{self._name}: its place in the map moved by {closure.size_m:.2f} m and '
                f'{closure.size_rad:.2f} rad, more than the estimate explains: not taken for a '
                'closed loop (rebase if the map is right)')
        return Event('pose_jump', self._name, now_ns, now_ns, text, _sizes(closure))

    def _choose(self) -> None:
        """Choose what of the estimate counts beside the report."""
        self._of_late = self.degradation.covariance_of_late
        if not self._report_counts:
            # The unit does not tell, or not rightly, what it has lost in the open.
            self._of_late = max(
                self._of_late, self.degradation.covariance_lost, key=self._point_error_m)
        self._bound_m = self._rms_m(self._of_late)
        self._judged = None

    @property
    def _report_counts(self) -> bool:
        return self._report is not None and self._report_factor == 1.0

    def _update(self, now_ns: int | None) -> None:
        """Work out, once a step (or None), what does not change from message to message."""
        degradation = self.degradation
        self._choose()
        if self._limit_m is not None and (
                now_ns is None or self._ahead_ns is None
                or not 0 <= now_ns - self._ahead_ns < _AHEAD_NS):
            self._ahead_ns = now_ns
            self._until_m = degradation.metres_until(
                self._point_error_m, self._limit_m, with_lost=not self._report_counts)
        self._growth, direction = degradation.growth()
        self._axis = max(zip(map(abs, direction), _AXES), key=itemgetter(0))[1]
        self._step_figures = dict(zip(_STEP_FIGURES, (
            _largest_sigma(degradation.covariance[:3, :3]),
            _largest_sigma(self._of_late[:3, :3]), self._growth,
            degradation.constraint.open_translation()[0],
            float(degradation.watches_geometry and not degradation.is_blind), self._until_m)))

    def _point_error_m(self, covariance: np.ndarray) -> float:
        return worst_point_error_m(covariance, self._quaternion, self._levers_m)

    def _rms_m(self, covariance: np.ndarray) -> float:
        """Return a bound of the root mean square of the point's error."""
        xx, yy, zz, aa, bb, cc = covariance.diagonal().tolist()
        # The root mean square of d + t x l is at most that of d plus |l| times that of t.
        return (xx + yy + zz) ** 0.5 + self._reach_m * (aa + bb + cc) ** 0.5

    def report(self, reported: np.ndarray | None, too_small_by: float = 1.0) -> None:
        """
        Take what the unit reports with the newest pose, None where that cannot be used.

        ``too_small_by`` is the factor that its standard deviations are to be enlarged by.
        """
        counted = self._report_counts
        self._report = reported
        self._report_factor = too_small_by
        self._judged = None
        if reported is not None:
            self._reported.add(reported)
        if self._report_counts != counted and self.degradation.is_started:
            # A robot that stands makes no step.
            self._update(None)

    def believed(self) -> tuple[np.ndarray, float]:
        """
        Return the covariance (6, 6) that counts for a picture taken now, in ROS order.

        That is the one of the estimate of late and of the report whose point error is the larger,
        in the unit's own frame. Beside it the point error, m.
        """
        covariance, error_m, _ = self._judge()
        return covariance, error_m

    def bound_m(self) -> float:
        """Return a bound of the point error at little cost, m."""
        report = self._enlarged_report(self._bound_m)
        bound_m = self._bound_m if report is None else max(self._bound_m, self._rms_m(report))
        return WIDEST_RADIUS * bound_m

    def _judge(self) -> tuple[np.ndarray, float, bool]:
        """Return what counts, its point error, and whether that is what the unit reports."""
        if self._judged is None:
            # Asked for several times a message.
            error_m = self._point_error_m(self._of_late)
            self._judged = self._of_late, error_m, False
            report = self._enlarged_report(error_m / WIDEST_RADIUS)
            if report is not None:
                reported_m = self._point_error_m(report)
                if reported_m >= error_m:
                    self._judged = report, reported_m, True
        return self._judged

    def _enlarged_report(self, rms_m: float) -> np.ndarray | None:
        """Return the report that may count, None where a bound of it is below ``rms_m``."""
        factor = self._report_factor
        # What was forgiven makes it smaller still, but is dear to take away.
        if self._report is None or factor * self._rms_m(self._report) < rms_m:
            return None
        reported = self._reported.covariance
        if reported is None:
            return None
        return reported if factor == 1.0 else factor ** 2 * reported

    @property
    def report_inflation(self) -> Inflation | None:
        """How far the report grows too slowly where nothing holds the unit; see `OpenGrowth`."""
        return self._open_growth.inflation

    def corrected(self, odometry: Odometry) -> Odometry | None:
        """
        Return the newest pose with the covariance estimated since the start.

        Both in the frame of the map where the unit gives a corrected pose, else in the unit's.
        None while the way from the one to the other is not known: who follows the pose would mix
        the frames.
        """
        covariance = self.degradation.covariance
        correction = self._map.correction
        if correction is None and self._has_map:
            return None
        if correction is None:
            return replace(odometry, covariance=covariance)
        pose = correction.times(
            Pose(tuple(odometry.position_m.tolist()), self._quaternion))
        turn = so3.from_quaternion(np.array(correction.quaternion))
        return replace(
            odometry, frame=self._map_frame, position_m=np.array(pose.position_m),
            quaternion=np.array(pose.quaternion), covariance=turn_covariance(turn, covariance))

    def conditions(self, is_known: bool) -> list[Condition]:
        """
        Return the notice that a direction is open.

        It is the gate, whose limit may be another by now, that makes a cause of it once the error
        is over that. ``is_known`` says whether the error counts now: else it is not told as such.
        """
        degradation = self.degradation
        since_ns = degradation.open_since_ns
        if since_ns is None:
            return []
        why = ('no cloud shows what holds' if degradation.is_blind
               else 'the surroundings do not hold')
        text = (f'{why} {self._name} along its {self._axis} axis: its place gets worse by '
                f'{1e3 * self._growth:.0f} mm a metre')
        # The point error has a condition of its own, with its worst figure.
        record = text
        error_m = self._point_error_m(self._of_late)
        if self._limit_m is not None and error_m > self._limit_m:
            if is_known:
                text += f', a point on the structure is only known to {error_m:.3f} m'
        elif self._until_m is not None:
            text += f', the limit is {self._until_m:.1f} m ahead'
        return [Condition(f'{self._name}/open_direction', text, Severity.NOTICE,
                          since_ns, record)]

    def figures(self, speed_mps: float | None) -> dict[str, float | None]:
        """
        Return the figures of the estimate.

        ``estimated_sigma_m`` is the standard deviation of the worst direction since the start,
        ``estimated_sigma_of_late_m`` over the last metres; ``growth_m_per_m`` what the next metre
        adds in the worst direction; ``open_share`` the largest share of dead reckoning's error
        that nothing holds; ``geometry_known`` 0 where no cloud tells what holds the unit, so that
        its good state is assumed or, with a geometry stream that is silent, the worst.
        ``until_limit_*`` is how far and how long it is until the point error reaches its limit as
        things are, None where it does not, or where the report counts, which cannot be foreseen.
        """
        until_s = None
        if self._judge()[2]:
            return {**self._step_figures, 'until_limit_m': None, 'until_limit_s': None}
        if self._until_m is not None and speed_mps is not None and speed_mps > _LEAST_SPEED_MPS:
            until_s = self._until_m / speed_mps
        return {**self._step_figures, 'until_limit_s': until_s}


def _sizes(closure: Closure) -> dict[str, float]:
    return {'size_m': closure.size_m, 'size_rad': closure.size_rad,
            **{f'{axis}_m': part for axis, part in zip(_AXES, closure.shift_m)}}


def _largest_sigma(covariance: np.ndarray) -> float:
    """Return the standard deviation along the worst axis of a covariance (3, 3)."""
    return max(0.0, float(np.linalg.eigvalsh(covariance)[-1])) ** 0.5
