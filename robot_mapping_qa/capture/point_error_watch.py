# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The point error against its limit as the gate sees it: combined, with deadband and outlook."""

from __future__ import annotations

from dataclasses import replace
from math import isnan
from typing import Iterable, Mapping

from robot_mapping_qa.capture.budget import combined_radius_m, exact_radius, mount_covariance
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.time_error import time_error, TimeError
from robot_mapping_qa.capture.trend import Outlook, Trend
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.pose.point_motion import point_speed_mps
from robot_mapping_qa.verdicts import Condition, Severity, Verdict

_ONE_AXIS = 1.959964
"""95 % of a normal deviate lie within so many standard deviations."""

_SAME_LIMIT_M = 1e-9


class PointErrorWatch:
    """
    Follows the 95 % error of a point on the structure from verdict to verdict.

    To the pose monitor's figure it adds what the camera's clock and mounting contribute, as
    `combined_radius_m` and the movement of the clock on top: not below the ledger's own figure
    of a picture, which knows the directions of the errors.
    """

    def __init__(self, views: Mapping[str, View], configured_limit_m: float) -> None:
        """
        Watch for the capture streams that are the keys of ``views``.

        ``configured_limit_m`` is the limit that the pose monitor was started with.
        """
        self._configured_limit_m = configured_limit_m
        self._views = views
        self._distance_m: float | None = None
        self._measure(views)
        self._trend = Trend()
        self._seen_ns: int | None = None
        self._over_since_ns: int | None = None
        self._worst_m = 0.0
        self._warned_since_ns: int | None = None
        self.figures: dict[str, float | None] = {}
        """Error, its parts, and how long until the limit; None where it is not known."""

    def _measure(self, views: Mapping[str, View]) -> None:
        """Work out what does not change from verdict to verdict."""
        self._lever_m = {name: view.lever_m for name, view in views.items()}
        self._mount_m = {
            name: float(exact_radius(mount_covariance(
                view.line_of_sight_m, view.mount_sigma_m, view.mount_sigma_rad)))
            for name, view in views.items()}

    def _follow_distance(self, distance_m: float | None) -> None:
        if distance_m is not None and distance_m != self._distance_m:
            self._distance_m = distance_m
            self._measure({name: view.at(distance_m) for name, view in self._views.items()})

    def conditions(self, pose: Verdict, timing: Verdict | None, limit_m: float,
                   limits: GateLimits, allowed: bool) -> Iterable[Condition]:
        """
        Yield what is wrong with the point error; ``allowed`` says whether the gate is open.

        While the error is over its limit, a direction in which nothing holds the unit, which the
        pose monitor gives as a notice, is a cause as well.
        """
        error_m = self._combine(pose, timing)
        if pose.stamp_ns != self._seen_ns:
            self._seen_ns = pose.stamp_ns
            self._trend.add(pose.stamp_ns, error_m, pose.figures.get('path_length_m'))
        outlook = self._outlook(pose, limit_m) if error_m is not None else None
        self.figures['until_limit_s'] = outlook.seconds if outlook else None
        self.figures['until_limit_m'] = outlook.metres if outlook else None
        if error_m is None:
            # A monitor that does not know the error says why by a condition of its own.
            if not any(c.severity is not Severity.NOTICE for c in pose.conditions):
                yield Condition('point_error/unknown', 'the error on the structure is not known',
                                Severity.SOFT, pose.stamp_ns,
                                'the error on the structure was not known')
            return
        was_over = self._over_since_ns is not None
        release_m = limit_m * (1.0 - limits.deadband_fraction)
        if error_m > limit_m or (error_m > release_m and (was_over or not allowed)):
            yield self._over(error_m, limit_m, release_m, pose.stamp_ns)
            # By what it grows; its outlook is by the limit that the monitor was started with.
            yield from (replace(c, severity=Severity.SOFT, text=c.for_the_record)
                        for c in pose.conditions if c.kind == 'open_direction')
            return
        self._over_since_ns = None
        if allowed:
            # Within a hold the limit may be met for a while: it is told by the worst of all.
            self._worst_m = 0.0
        if outlook is not None and allowed and self._is_near(outlook, limits):
            if self._warned_since_ns is None:
                self._warned_since_ns = pose.stamp_ns
            yield Condition(
                'point_error/limit_near', f'limit of {limit_m:.3f} m in {_shown(outlook)} at the '
                f'present trend (now {error_m:.3f} m)', Severity.NOTICE, self._warned_since_ns)
        else:
            self._warned_since_ns = None

    def _combine(self, pose: Verdict, timing: Verdict | None) -> float | None:
        """Return the error for the worst of the cameras and keep it among the figures."""
        pose_m = pose.figures.get('point_error_m')
        if pose_m is not None and isnan(pose_m):
            # Not a number is over no limit: as a figure it would open the gate.
            pose_m = None
        self.figures = {'point_error_m': pose_m, 'pose_part_m': pose_m, 'time_part_m': None,
                        'extrinsics_part_m': None}
        if pose_m is None:
            return None
        self._follow_distance(pose.figures.get('working_distance_m'))
        worst_m = pose_m
        for name, mount_m in self._mount_m.items():
            # A camera whose time error is not known has a condition of its own, or takes none.
            known = time_error(timing, name)
            error = known or TimeError(0.0, 0.0)
            moves_mps = point_speed_mps(pose.figures, self._lever_m[name])
            shift_m = moves_mps * abs(error.moved_s)
            spread_m = _ONE_AXIS * moves_mps * error.sigma_s
            total_m = combined_radius_m(pose_m, spread_m, mount_m) + shift_m
            if isnan(total_m):
                self.figures['point_error_m'] = None
                return None
            if total_m >= worst_m:
                worst_m = total_m
                self.figures.update(
                    point_error_m=total_m, extrinsics_part_m=mount_m,
                    time_part_m=None if known is None else shift_m + spread_m)
        return worst_m

    def _outlook(self, pose: Verdict, limit_m: float) -> Outlook | None:
        """Return the pose monitor's own outlook where it gives one, else that of the trend."""
        seconds = pose.figures.get('until_limit_s')
        metres = pose.figures.get('until_limit_m')
        other_limit = abs(limit_m - self._configured_limit_m) > _SAME_LIMIT_M
        if other_limit or (seconds is None and metres is None):
            return self._trend.until(limit_m)
        return Outlook(seconds, metres)

    def _is_near(self, outlook: Outlook, limits: GateLimits) -> bool:
        # Once given, a warning stands until there is half as much time again.
        more = 1.0 if self._warned_since_ns is None else 1.5
        return any(left is not None and left < more * before for left, before in (
            (outlook.seconds, limits.warn_before_s), (outlook.metres, limits.warn_before_m)))

    def _over(self, error_m: float, limit_m: float, release_m: float,
              stamp_ns: int) -> Condition:
        if self._over_since_ns is None:
            self._over_since_ns = stamp_ns
        self._worst_m = max(self._worst_m, error_m)
        relation = 'limit' if error_m > limit_m else f'opens below {release_m:.3f} m, limit'
        return Condition(
            'point_error/over_limit',
            f'a point on the structure is only known to {error_m:.3f} m '
            f'({relation} {limit_m:.3f} m)', Severity.SOFT, self._over_since_ns,
            f'a point on the structure was only known to {self._worst_m:.3f} m at worst '
            f'(limit {limit_m:.3f} m)')


def _shown(outlook: Outlook) -> str:
    parts = [] if outlook.seconds is None else [f'{outlook.seconds:.0f} s']
    if outlook.metres is not None:
        parts.append(f'{outlook.metres:.1f} m')
    return 'about ' + ' or '.join(parts)
