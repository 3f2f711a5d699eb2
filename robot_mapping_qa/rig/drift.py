# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How the pose error of a unit that registers scans grows along a route, and what it is on a run.

The unit adds a keyframe each keyframe_m of the way. Its motion since the last one is a weighted
mean of dead reckoning and of the registration of its scan, weighted with the information of
each: where the scene leaves a direction open, dead reckoning decides. The error is followed to
first order, so its covariance is exact; it depends on route and unit but on no draw.

Pose error: position (3,) along and rotation (3,) about the axes of the map frame, reported less
true.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
import math

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, between
from robot_mapping_qa.rig.registration import scene_information, UnitScanner
from robot_mapping_qa.rig.rotation import matrix
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.trajectory import MotionState

_PLACE_SPACING_M = 0.5
_FIRST_CLOSURE_RADII = 3.0
_CAMERA_EXPOSURE_S = 0.01
_CAMERA_FOCAL_PX = 240.0
_BLUR_LIMIT_PX = 3.0
_POSITION, _ROTATION, _SPEED, _SCALE = slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 10)


@dataclass(frozen=True, slots=True)
class DriftSpec:
    """
    What the unit's errors come from.

    Dead reckoning: speed_error is the standard deviation of its speed's relative error on each
    axis of the body, which lasts for about speed_error_lasts_m; turn_error_rad is its random walk
    of rotation per square root of the metre. Gravity holds roll and pitch to within
    gravity_holds_m of the way.
    Registration: range_m, range_noise_m of the unit's own lidar (independent beams).
    Camera: visual_sigma_m and visual_sigma_rad are the standard deviations of a keyframe's motion
    from pictures in good light, half that information at half_light_lux; 0 is a unit without.
    Scale: scale_error of the way, which neither of them sees, lasting for scale_error_lasts_m.
    Loop closure within closure_radius_m of the start, accurate to closure_sigma_*.

    Raises ScenarioError for negative errors or sizes that are not positive.
    """

    keyframe_m: float = 0.25
    start_sigma_m: float = 0.002
    start_sigma_rad: float = 0.0002
    speed_error: float = 0.02
    speed_error_lasts_m: float = 3.0
    turn_error_rad: float = 0.0001
    gravity_holds_m: float = 5.0
    range_m: float = 25.0
    range_noise_m: float = 0.03
    visual_sigma_m: float = 0.003
    visual_sigma_rad: float = 0.0003
    half_light_lux: float = 20.0
    scale_error: float = 0.001
    scale_error_lasts_m: float = 100.0
    closure_radius_m: float = 2.0
    closure_sigma_m: float = 0.01
    closure_sigma_rad: float = 0.001

    def __post_init__(self) -> None:
        """Refuse what no unit can be."""
        between('keyframe_m', self.keyframe_m, 0.05, 2.0)
        for name in ('start_sigma_m', 'start_sigma_rad', 'visual_sigma_m', 'visual_sigma_rad',
                     'scale_error'):
            at_least(name, getattr(self, name), 0.0)
        for name in ('speed_error', 'speed_error_lasts_m', 'turn_error_rad', 'gravity_holds_m',
                     'range_m', 'range_noise_m', 'half_light_lux', 'scale_error_lasts_m',
                     'closure_radius_m', 'closure_sigma_m', 'closure_sigma_rad'):
            above(name, getattr(self, name), 0.0)
        if (self.visual_sigma_m > 0.0) != (self.visual_sigma_rad > 0.0):
            above('visual_sigma_m', self.visual_sigma_m, 0.0)
            above('visual_sigma_rad', self.visual_sigma_rad, 0.0)


@dataclass(frozen=True, slots=True)
class Keyframe:
    """
    The step to one keyframe, all of it in the map frame.

    moved is the displacement (3,). The pose error's new part is noise (6, 9) times nine standard
    normal draws, plus speed (6, 3) times the relative speed error in the body frame.
    open_direction (3,) is the one that is left to dead reckoning for more than half, or None.
    closes says whether a loop is closed here. covariance and closed_covariance (6, 6) are those
    of the pose error without and with what loop closures take away, the latter just before a
    closure here.
    """

    time_s: float
    moved: np.ndarray
    noise: np.ndarray
    speed: np.ndarray
    open_direction: np.ndarray | None
    closes: bool
    covariance: np.ndarray
    closed_covariance: np.ndarray


class ErrorGrowth:
    """The keyframes of a unit on a route, computed as they are asked for."""

    def __init__(self, route: Route, spec: DriftSpec) -> None:
        """Start at the route's start with the error that the unit starts with."""
        self.spec = spec
        self._route = route
        self.period_s = spec.keyframe_m / route.speed_m_s
        self.speed_keeps = math.exp(-spec.keyframe_m / spec.speed_error_lasts_m)
        self.scale_keeps = math.exp(-spec.keyframe_m / spec.scale_error_lasts_m)
        self.rotation_keeps = np.array([math.exp(-spec.keyframe_m / spec.gravity_holds_m)] * 2
                                       + [1.0])
        self._scanner = UnitScanner(range_m=spec.range_m, noise_m=spec.range_noise_m)
        self._information: dict[int, np.ndarray] = {}
        self._places = round(route.lap_m / _PLACE_SPACING_M)
        self._start = np.array(route.at(0.0).position)
        self._was_away = False
        self._open = self._first_covariance()
        self._closed = self._open.copy()
        start = self._open[:6, :6].copy()
        self._position = self._start
        self._keyframes = [Keyframe(
            0.0, np.zeros(3), np.zeros((6, 9)), np.zeros((6, 3)), None, False, start, start)]

    def keyframe(self, number: int) -> Keyframe:
        """Return a keyframe; the first, 0, is the start."""
        while len(self._keyframes) <= number:
            self._keyframes.append(self._next())
        return self._keyframes[number]

    def closure_covariance(self) -> np.ndarray:
        """Return the covariance (6, 6) of the pose error just after a loop closure."""
        spec = self.spec
        return np.diag([spec.closure_sigma_m ** 2] * 3 + [spec.closure_sigma_rad ** 2] * 3)

    def _first_covariance(self) -> np.ndarray:
        """Covariance (10, 10) of position, rotation, speed error and scale error at the start."""
        spec = self.spec
        return np.diag([spec.start_sigma_m ** 2] * 3 + [spec.start_sigma_rad ** 2] * 3
                       + [spec.speed_error ** 2] * 3 + [spec.scale_error ** 2])

    def _next(self) -> Keyframe:
        spec = self.spec
        time_s = len(self._keyframes) * self.period_s
        true = self._route.at(time_s)
        position = np.array(true.position)
        moved = position - self._position
        self._position = position
        turn = np.kron(np.eye(2), np.array(matrix(true.quaternion)))
        reckoned = turn @ np.diag(
            [(spec.speed_error * spec.keyframe_m) ** -2] * 3
            + [1.0 / (spec.turn_error_rad ** 2 * spec.keyframe_m)] * 3) @ turn.T
        seen = self._scan_information(time_s) + self._picture_information(true)
        joint = np.linalg.inv(seen + reckoned)
        share = joint @ reckoned

        # Three parts: what registration adds in six directions, dead reckoning's turn, its speed.
        values, vectors = np.linalg.eigh(joint @ seen @ joint)
        from_scan = vectors * np.sqrt(np.maximum(values, 0.0))
        from_turn = (share @ turn)[:, 3:] * (spec.turn_error_rad * math.sqrt(spec.keyframe_m))
        speed = (share @ turn)[:, :3] * spec.keyframe_m
        noise = np.hstack([from_scan, from_turn])

        closed_before = self._moved_covariance(self._closed, moved, noise, speed)
        self._open = self._moved_covariance(self._open, moved, noise, speed)
        closes = self._closes(position)
        self._closed = closed_before
        if closes:
            self._closed = self._first_covariance()
            self._closed[:6, :6] = self.closure_covariance()
        shares, directions = np.linalg.eigh(
            joint[:3, :3] / (spec.speed_error * spec.keyframe_m) ** 2)
        open_direction = directions[:, 2] if shares[2] > 0.5 else None
        return Keyframe(
            time_s, moved, noise, speed, open_direction, closes, self._open[:6, :6].copy(),
            closed_before[:6, :6].copy())

    def _moved_covariance(
            self, before: np.ndarray, moved: np.ndarray, noise: np.ndarray,
            speed: np.ndarray) -> np.ndarray:
        """Return the covariance (10, 10) one keyframe later."""
        x, y, z = moved.tolist()
        step = np.zeros((10, 10))
        step[_POSITION, _POSITION] = np.eye(3)
        # A turned start swings the way that follows: rotation x moved.
        step[_POSITION, _ROTATION] = [[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]
        step[_ROTATION, _ROTATION] = np.diag(self.rotation_keeps)
        step[:6, _SPEED] = speed
        step[_POSITION, _SCALE] = moved[:, None]
        step[_SPEED, _SPEED] = self.speed_keeps * np.eye(3)
        step[_SCALE, _SCALE] = self.scale_keeps
        after = step @ before @ step.T
        after[:6, :6] += noise @ noise.T
        after[_SPEED, _SPEED] += (1.0 - self.speed_keeps ** 2) * self.spec.speed_error ** 2 \
            * np.eye(3)
        after[_SCALE, _SCALE] += (1.0 - self.scale_keeps ** 2) * self.spec.scale_error ** 2
        return after

    def _scan_information(self, time_s: float) -> np.ndarray:
        """Information (6, 6) of the unit's scan, between the places where it was computed."""
        way = time_s / self._route.lap_s % 1.0 * self._places
        before = int(way)
        return (1.0 - way + before) * self._at_place(before) + (way - before) * self._at_place(
            (before + 1) % self._places)

    def _at_place(self, number: int) -> np.ndarray:
        if number not in self._information:
            time_s = number / self._places * self._route.lap_s
            x, y, _ = self._route.at(time_s).position
            self._information[number] = scene_information(
                self._route.site, np.array([x, y, 0.0]), self._scanner)
        return self._information[number]

    def _picture_information(self, true: MotionState) -> np.ndarray:
        """Information (6, 6) of the unit's pictures: less in the dark and when they blur."""
        spec = self.spec
        if spec.visual_sigma_m == 0.0:
            return np.zeros((6, 6))
        lux = self._route.site.light_lux(true.position)
        blur_px = math.hypot(*true.angular) * _CAMERA_EXPOSURE_S * _CAMERA_FOCAL_PX
        quality = (lux / (lux + spec.half_light_lux)) ** 2
        quality /= 1.0 + (blur_px / _BLUR_LIMIT_PX) ** 2
        return quality * np.diag(
            [spec.visual_sigma_m ** -2] * 3 + [spec.visual_sigma_rad ** -2] * 3)

    def _closes(self, position: np.ndarray) -> bool:
        """Return whether the robot is back near its start, having been away."""
        away_m = float(np.linalg.norm(position - self._start))
        if away_m > _FIRST_CLOSURE_RADII * self.spec.closure_radius_m:
            self._was_away = True
        if self._was_away and away_m < self.spec.closure_radius_m:
            self._was_away = False
            return True
        return False


@lru_cache(maxsize=8)
def error_growth(route: Route, spec: DriftSpec) -> ErrorGrowth:
    """Return the growth of the error, kept for the next run of the same route and unit."""
    return ErrorGrowth(route, spec)


class DrawnError:
    """
    The error of one run, drawn keyframe by keyframe, asked for at increasing times.

    Between keyframes it changes evenly.
    """

    def __init__(self, growth: ErrorGrowth, rng: np.random.Generator) -> None:
        """Draw from rng the error at the start."""
        self.growth = growth
        self._rng = rng
        spec = growth.spec
        n = rng.standard_normal(10)
        self._speed = spec.speed_error * n[:3]
        self._scale = spec.scale_error * n[3]
        error = np.r_[spec.start_sigma_m * n[4:7], spec.start_sigma_rad * n[7:]]
        self._number = 0
        self._from = self._to = error
        self._closed_from = self._closed_to = self._closed_next = error
        self._rate = np.zeros(6)

    def at(self, time_s: float) -> tuple[list[float], list[float], list[float]]:
        """
        Return three errors (6,): the pose's without loop closures, with them, and the twist's.

        That of the twist is along and about the map's axes, m/s and rad/s.
        """
        while time_s >= self._number * self.growth.period_s:
            self._next()
        u = time_s / self.growth.period_s - (self._number - 1)
        return ((self._from + u * (self._to - self._from)).tolist(),
                (self._closed_from + u * (self._closed_to - self._closed_from)).tolist(),
                self._rate.tolist())

    def covariances(self, time_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Covariances (6, 6) of the two pose errors that were asked for at this time."""
        u = time_s / self.growth.period_s - (self._number - 1)
        before, after = (
            self.growth.keyframe(number) for number in (self._number - 1, self._number))
        closed = self.growth.closure_covariance() if before.closes else before.closed_covariance
        return (before.covariance + u * (after.covariance - before.covariance),
                closed + u * (after.closed_covariance - closed))

    def _next(self) -> None:
        self._number += 1
        growth = self.growth
        step = growth.keyframe(self._number)
        added = self._added(step)
        self._from, self._closed_from = self._to, self._closed_next
        self._to = self._moved_on(self._from, step, added)
        self._closed_to = self._closed_next = self._moved_on(self._closed_from, step, added)
        self._rate = added / growth.period_s
        self._rate[3:] = (self._to[3:] - self._from[3:]) / growth.period_s
        if step.closes:
            self._closed_next = self._rng.standard_normal(6) * np.sqrt(
                np.diag(growth.closure_covariance()))

    def _added(self, step: Keyframe) -> np.ndarray:
        """Draw what the step to a keyframe adds to the pose error (6,)."""
        growth, spec = self.growth, self.growth.spec
        n = self._rng.standard_normal(13)
        added = step.noise @ n[:9] + step.speed @ self._speed
        added[:3] += self._scale * step.moved
        keeps = growth.speed_keeps
        fresh = math.sqrt(1.0 - keeps ** 2)
        self._speed = keeps * self._speed + fresh * spec.speed_error * n[9:12]
        keeps = growth.scale_keeps
        fresh = math.sqrt(1.0 - keeps ** 2)
        self._scale = keeps * self._scale + fresh * spec.scale_error * n[12]
        return added

    def _moved_on(self, before: np.ndarray, step: Keyframe, added: np.ndarray) -> np.ndarray:
        """Return the pose error one keyframe later."""
        after = before + added
        x, y, z = before[3:].tolist()
        dx, dy, dz = step.moved.tolist()
        after[:3] += (y * dz - z * dy, z * dx - x * dz, x * dy - y * dx)
        after[3:] += (self.growth.rotation_keeps - 1.0) * before[3:]
        return after
