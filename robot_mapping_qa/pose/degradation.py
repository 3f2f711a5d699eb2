# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The estimate of the unit's pose error: from the way travelled, and from what holds the unit there.

It knows nothing of what the unit reports. Beside the error since the start there is the one that
was gained over the last metres: how well the places of neighbouring pictures agree. And there is
the one that was gained where clouds showed that nothing holds the unit: a break in the map, which
all places behind it share, however well they agree with each other.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from typing import Callable, Mapping

import numpy as np

from robot_mapping_qa.pose import se3
from robot_mapping_qa.pose.blind_stretch import BlindStretch
from robot_mapping_qa.pose.change import Cusum
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.error_growth import Constraint, constraint_by, ErrorGrowth
from robot_mapping_qa.pose.lidar_geometry import Localizability, localizability
from robot_mapping_qa.pose.quaternion import (
    conjugate, multiply, Quaternion, rotation_rows, rotation_vector, Vector)

# The error is carried on in steps of this size: fine against keyframes, coarse against messages.
_STEP_M = 0.1
_STEP_RAD = 0.1
# How far ahead the point error is looked for at its limit, and in what steps.
_AHEAD_M = 20.0
_AHEAD_STEP_M = 0.5
# Share of dead reckoning's error that is open: expected where the unit is held, half of the rise
# that matters, the sum that proves it, and the share below which it is over.
_HELD, _SLACK, _PROVED, _OVER = 0.15, 0.2, 0.5, 0.3
# From this share on dead reckoning decides.
_OPEN = 0.5
# An error that is only carried on: nothing is added.
_CARRIED = Constraint(np.zeros((6, 6)), np.zeros((6, 6)))


class DegradationEstimate:
    """
    Follows the pose step by step.

    ``mounts`` has one pose (4, 4) a geometry stream: its place in the unit's frame. Without any,
    and at first until a cloud may be expected, the unit is taken to be held as in its good state.
    All ``*_ns`` arguments are host time.
    """

    def __init__(self, limits: DegradationLimits, mounts: Mapping[str, np.ndarray] | None = None,
                 ) -> None:
        self.limits = limits
        # A small motion of the body as one of the sensor, both about their own axes.
        self._to_sensor = {
            name: se3.adjoint(se3.inverse(mount)) for name, mount in (mounts or {}).items()}
        self._since_start = ErrorGrowth(limits)
        self._of_late = ErrorGrowth(limits, limits.agree_over_m) if limits.agree_over_m else None
        self._lost = ErrorGrowth(replace(limits, scale_error=0.0))
        self._good = np.diag([limits.registration_sigma_m ** -2] * 3
                             + [limits.registration_sigma_rad ** -2] * 3)
        self._picture = np.diag([limits.visual_sigma_m ** -2] * 3
                                + [limits.visual_sigma_rad ** -2] * 3)
        self.restart()

    def restart(self) -> None:
        """Forget the poses and what holds the unit; the next pose is a start."""
        self._clouds: dict[str, tuple[np.ndarray, int]] = {}
        self._seen_ns: int | None = None
        self._corners = 1.0
        self._unseen_ns: int | None = None
        self._is_unaided = False
        self.is_blind = False
        """Whether clouds ought to come and none does."""
        self._shown: np.ndarray | None = None
        self._blind_stretch: BlindStretch | None = None
        self._looks_again = False
        self._has_lost = False
        self._was_open = False
        self._holders: tuple | None = None
        self._constraint = constraint_by(self._good, self.limits)
        self._cusum = Cusum(_HELD, _SLACK, _PROVED)
        self._started_ns: int | None = None
        self._place((0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 1.0))
        self._direction = self._rotation[:, 0]
        self.open_since_ns: int | None = None
        """Since when a direction has been open (from the CUSUM's run), None while none is."""

    @property
    def watches_geometry(self) -> bool:
        """Whether any stream tells how the surroundings hold the unit."""
        return bool(self._to_sensor)

    @property
    def is_started(self) -> bool:
        """Whether there is an estimate."""
        return self._started_ns is not None

    def set_back(self, by_ns: int) -> None:
        """Go on after host time was set back: what was seen is as old as it was."""
        def earlier(time_ns: int | None) -> int | None:
            return None if time_ns is None else time_ns - by_ns
        self._clouds = {name: (information, seen_ns - by_ns)
                        for name, (information, seen_ns) in self._clouds.items()}
        self._seen_ns, self._unseen_ns = earlier(self._seen_ns), earlier(self._unseen_ns)
        self._started_ns = earlier(self._started_ns)
        self.open_since_ns = earlier(self.open_since_ns)
        self._cusum.set_back(by_ns)

    def start(self, position_m: Vector, quaternion: Quaternion, now_ns: int,
              covariance: np.ndarray | None = None) -> None:
        """
        Declare a pose good: at the start, or for a rebase.

        ``covariance`` (6, 6) in ROS order is that of the pose, None for the limits' start sigmas.
        """
        limits = self.limits
        if covariance is None:
            covariance = np.diag(
                [limits.start_sigma_m ** 2] * 3 + [limits.start_sigma_rad ** 2] * 3)
        if self._started_ns is None:
            self._started_ns = now_ns
        self._begin_anew(covariance)
        self._place(position_m, quaternion)
        self._direction = self._rotation[:, 0]

    def _begin_anew(self, covariance: np.ndarray) -> None:
        """Go on from a pose that is known this well."""
        self._since_start.start(covariance)
        self._has_lost = False
        self._lost.start(np.zeros((6, 6)))
        self._start_of_late(covariance)

    def _start_of_late(self, covariance: np.ndarray) -> None:
        # It would bring back the errors from before.
        self._blind_stretch = None
        if self._of_late is not None:
            self._of_late.start(covariance)

    def _place(self, position_m: Vector, quaternion: Quaternion) -> None:
        self._position_m, self._quaternion = position_m, quaternion
        self._rotation = np.array(rotation_rows(quaternion))

    def add_pose(self, position_m: Vector, quaternion: Quaternion, now_ns: int) -> bool:
        """Take a pose; return whether it was far enough from the last for a step."""
        if self._started_ns is None:
            self.start(position_m, quaternion, now_ns)
            return True
        (a, b, c), (x, y, z) = self._position_m, position_m
        moved = x - a, y - b, z - c
        way_m = hypot(*moved)
        # The scalar product of unit quaternions is the cosine of half the angle between.
        (a, b, c, d), (x, y, z, w) = self._quaternion, quaternion
        turn = abs(a * x + b * y + c * z + d * w)
        if way_m < _STEP_M and turn > 1.0 - _STEP_RAD ** 2 / 8.0 and not self._looks_again:
            return False
        turned_rad = hypot(*rotation_vector(
            multiply(conjugate(self._quaternion), quaternion)))
        self._update_constraint(now_ns)
        moved_m = np.array(moved)
        if way_m > 0.0:
            self._direction = moved_m / way_m
        for growth in self._growths():
            growth.move(self._rotation, moved_m, turned_rad, self._constraint)
        if self._blind_stretch is not None:
            self._blind_stretch.add(self._rotation, moved_m, turned_rad)
        self._lose(moved_m, turned_rad)
        self._place(position_m, quaternion)
        self._watch(now_ns)
        return True

    def _lose(self, moved_m: np.ndarray, turned_rad: float) -> None:
        """Carry on what was lost in the open; no clouds alone do not show that it is open."""
        if self._loses or self._has_lost:
            self._has_lost = True
            self._lost.move(self._rotation, moved_m, turned_rad,
                            self._constraint if self._loses else _CARRIED)

    @property
    def _loses(self) -> bool:
        """Whether the map is known to break here."""
        return self.open_since_ns is not None and (self._was_open or not self.is_blind)

    def _watch(self, now_ns: int) -> None:
        """Find out since when a direction has been left open, or that none is any more."""
        share, _ = self._constraint.open_translation()
        if self.open_since_ns is not None:
            if share < _OVER:
                self.open_since_ns = None
                self._cusum.restart()
            return
        change = self._cusum.add(share, now_ns)
        if change is not None and share >= _OVER:
            self.open_since_ns = change.onset_ns

    def skip(self, position_m: Vector, quaternion: Quaternion, jump: np.ndarray | None) -> None:
        """
        Go on from another place: after a jump (6,) in ROS order, or a change of frames (None).

        Whether the jump was a failure or a correction is not known: it is added to the error
        since the start, and what was lost in the open stays lost. Pictures agree with each other
        from here on.
        """
        if jump is not None:
            self._since_start.add(np.outer(jump, jump))
        limits = self.limits
        self._start_of_late(np.diag(
            [limits.start_sigma_m ** 2] * 3 + [limits.start_sigma_rad ** 2] * 3))
        self._place(position_m, quaternion)

    def close_loop(self) -> None:
        """Take note of a loop closure: the corrected pose is as good as the closure."""
        limits = self.limits
        self._begin_anew(np.diag(
            [limits.closure_sigma_m ** 2] * 3 + [limits.closure_sigma_rad ** 2] * 3))

    def add(self, covariance: np.ndarray) -> None:
        """Add an independent error (6, 6) in ROS order to the one since the start."""
        self._blind_stretch = None
        self._since_start.add(covariance)

    def wants(self, name: str, now_ns: int) -> bool:
        """Return whether a cloud of stream ``name`` that comes now is due to be judged."""
        cloud = self._clouds.get(name)
        return cloud is None or not 0 <= now_ns - cloud[1] < self.limits.geometry_every_s * 1e9

    def add_geometry(self, name: str, information: np.ndarray, now_ns: int) -> None:
        """
        Take what a cloud of stream ``name`` tells.

        ``information`` (6, 6) is the inverse covariance of a small motion of the sensor about its
        own axes, in ROS order.
        """
        adjoint = self._to_sensor[name]
        self._clouds[name] = (
            self.limits.registration_efficiency * adjoint.T @ information @ adjoint, now_ns)
        # A robot that has stopped for the gate need not walk on to have it open again.
        self._looks_again = self.is_blind

    def localizability(self, now_ns: int) -> dict[str, Localizability]:
        """Return how well the newest cloud of each lidar holds the unit, along the unit's axes."""
        return {name: localizability(information)
                for name, (information, seen_ns) in self._clouds.items()
                if now_ns - seen_ns <= self.limits.geometry_stale_s * 1e9}

    def set_camera(self, sees: bool | None, now_ns: int, corners: float = 1.0) -> None:
        """
        Take note whether an aiding camera sees well; that counts for as long as a cloud.

        None where that is not known: the unit may see with a camera that nobody looks at.
        ``corners`` is the share of its pictures' cells with a corner to track: each corner tells
        as much, so that fewer of them tell less.
        """
        self._seen_ns = now_ns if sees else None
        self._corners = corners
        self._unseen_ns = now_ns if sees is False else None

    def _update_constraint(self, now_ns: int) -> None:
        """Work out what holds the unit, where that has changed."""
        stale_ns = self.limits.geometry_stale_s * 1e9
        clouds = [cloud for cloud in self._clouds.values() if now_ns - cloud[1] <= stale_ns]
        waits = not self._clouds and self._started_ns is not None and (
            now_ns - self._started_ns <= stale_ns)
        was_blind = self.is_blind
        self.is_blind = bool(self._to_sensor) and not clouds and not waits
        self._looks_again = False
        if self.is_blind and not was_blind:
            self._was_open = self.open_since_ns is not None
        if self.is_blind and not was_blind and self._shown is not None:
            self._blind_stretch = BlindStretch(
                self._growths(), constraint_by(self._shown, self.limits),
                self.limits.geometry_bridge_m)
        if not self._to_sensor or waits:
            holders: tuple[object, ...] = ('good',)
            information = self._good
        else:
            sees = self._seen_ns is not None and now_ns - self._seen_ns <= stale_ns
            corners = self._corners if sees else 0.0
            holders = (*(cloud[1] for cloud in clouds), corners)
            information = sum((cloud[0] for cloud in clouds), np.zeros((6, 6)))
            if clouds:
                self._shown = information
                self._bridge(information)
            if corners:
                information = information + corners * self._picture
        self._is_unaided = self._unseen_ns is not None and now_ns - self._unseen_ns <= stale_ns
        if holders != self._holders:
            self._holders = holders
            self._constraint = constraint_by(information, self.limits)

    def _growths(self) -> list[ErrorGrowth]:
        return [growth for growth in (self._since_start, self._of_late) if growth is not None]

    def _bridge(self, information: np.ndarray) -> None:
        """Judge the stretch without clouds again, if there was one: clouds have come."""
        stretch, self._blind_stretch = self._blind_stretch, None
        bridged = None if stretch is None else stretch.bridged(
            constraint_by(information, self.limits), _OVER)
        if bridged is not None:
            self._since_start = bridged[0]
            self._of_late = bridged[1] if len(bridged) > 1 else None

    @property
    def covariance(self) -> np.ndarray:
        """What the pose is off since the start: (6, 6) in ROS order."""
        return self._since_start.covariance

    @property
    def covariance_of_late(self) -> np.ndarray:
        """
        What the pose is off against those of the last metres (``agree_over_m``): (6, 6).

        With that at 0 the same as ``covariance``.
        """
        return (self._of_late or self._since_start).covariance

    @property
    def covariance_lost(self) -> np.ndarray:
        """What was lost where clouds showed that nothing held the unit: (6, 6)."""
        return self._lost.covariance

    def growth(self) -> tuple[float, Vector]:
        """
        Say what the next metre would add in the worst direction, and which that is.

        Return the standard deviation, m/m, and the unit vector about the body's axes.
        """
        ahead = ErrorGrowth(self.limits)
        ahead.move(self._rotation, self._direction, 0.0, self._constraint)
        values, vectors = np.linalg.eigh(ahead.covariance[:3, :3])
        axis = self._rotation.T @ vectors[:, -1]
        return float(values[-1]) ** 0.5, tuple(axis.tolist())

    def metres_until(self, error_m: Callable[[np.ndarray], float], limit_m: float,
                     with_lost: bool = False) -> float | None:
        """
        Return the way on which an error reaches its limit, going straight on as things are.

        ``error_m`` gives the error for a covariance of late, and ``with_lost`` for that of what
        was lost in the open as well: the one that reaches the limit first counts. None where
        neither does within 20 m.
        """
        ways_m = [self._metres_until(
            self._of_late or self._since_start, self._constraint, error_m, limit_m)]
        if with_lost and self._has_lost:
            ways_m.append(self._metres_until(
                self._lost, self._constraint if self._loses else _CARRIED, error_m, limit_m))
        return min((way_m for way_m in ways_m if way_m is not None), default=None)

    def _metres_until(self, growth: ErrorGrowth, constraint: Constraint,
                      error_m: Callable[[np.ndarray], float], limit_m: float) -> float | None:
        ahead = growth.copy()
        before_m = error_m(ahead.covariance)
        if before_m >= limit_m:
            return 0.0
        step = ahead.step(self._rotation, _AHEAD_STEP_M * self._direction, 0.0, constraint)
        for number in range(round(_AHEAD_M / _AHEAD_STEP_M)):
            ahead.take(step)
            after_m = error_m(ahead.covariance)
            if after_m >= limit_m:
                share = (limit_m - before_m) / (after_m - before_m)
                return (number + share) * _AHEAD_STEP_M
            before_m = after_m
        return None

    @property
    def open_direction(self) -> np.ndarray | None:
        """
        The unit vector (3,) in the frame along which little is known to hold the unit.

        Clouds and pictures show that: without the latter the unit may be held by a camera of its
        own, which none of the robot's streams tells of.
        """
        if self.is_blind or not self._clouds or not self._is_unaided:
            return None
        share, direction = self._constraint.open_translation()
        return self._rotation @ direction if share > _OPEN else None

    @property
    def holds_travel(self) -> bool:
        """Whether clouds show that the unit is held in every direction."""
        return (bool(self._clouds) and not self.is_blind
                and self._constraint.open_translation()[0] < _OVER)

    @property
    def constraint(self) -> Constraint:
        """What holds the unit at present."""
        return self._constraint
