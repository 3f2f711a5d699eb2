# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The error budget as it stands, axis by axis, for a person to look at."""

from __future__ import annotations

from typing import Mapping

from robot_mapping_qa.capture.budget import Budget, point_budget
from robot_mapping_qa.capture.time_error import time_error, TimeError
from robot_mapping_qa.capture.unit_motion import unit_motion
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.pose.usable_pose import unit_quaternion
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Verdict
from scipy.spatial.transform import Rotation

_LONGEST_GAP_NS = 1_000_000_000


class LiveBudget:
    """
    The budget of each capture stream at the newest judged pose; the gate does not decide by it.

    Everything is in the frame of the unit's own poses.
    """

    def __init__(self, views: Mapping[str, View]) -> None:
        """Keep how the capture streams look at the structure, by name."""
        self._views = views
        self._poses: tuple[Odometry | None, Odometry | None] = (None, None)
        self._known = False
        self._distance_m: float | None = None
        self._timing: Verdict | None = None

    def take_verdict(self, verdict: Verdict) -> None:
        """Take what a monitor knows: the distance to the structure, time errors."""
        if verdict.source == 'pose':
            # While the unit is silent there is none: the last pose says nothing about now.
            self._distance_m = None if verdict.figures.get('point_error_m') is None else (
                verdict.figures.get('working_distance_m'))
        elif verdict.source == 'timing':
            self._timing = verdict

    def take_judged_pose(self, pose: Odometry, is_known: bool) -> None:
        """Take the newest judged pose, and whether its covariance is worth anything."""
        self._poses = (self._poses[1], pose)
        self._known = is_known

    def figures(self) -> dict[str, float]:
        """
        Return radius and shares by axis of the header frame, for each camera that is known.

        Keys are such as ``budget/front_camera/rotation_share_y``.
        """
        figures: dict[str, float] = {}
        for name, view in self._views.items():
            error = time_error(self._timing, name)
            budget = None if error is None or self._distance_m is None else self._of(
                view.at(self._distance_m), error)
            if budget is None:
                continue
            figures[f'budget/{name}/radius_m'] = float(budget.radius_m)
            for part, shares in budget.axis_shares().items():
                for axis, share in zip('xyz', shares.tolist()):
                    figures[f'budget/{name}/{part}_share_{axis}'] = round(share, 4)
        return figures

    def _of(self, view: View, error: TimeError) -> Budget | None:
        before, pose = self._poses
        if before is None or pose is None or not self._known:
            return None
        if not 0 < pose.stamp_ns - before.stamp_ns < _LONGEST_GAP_NS:
            return None
        turn = Rotation.from_quat(pose.quaternion)
        motion = unit_motion(before, pose, unit_quaternion(pose))
        return None if motion is None else point_budget(
            pose.covariance, turn.apply(view.lever_m), *motion, error.sigma_s,
            turn.apply(view.line_of_sight_m), view.mount_sigma_m, view.mount_sigma_rad,
            error.moved_s)
