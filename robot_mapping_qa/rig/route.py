# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The true motion of a robot that walks round a structure, known exactly at any time."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from robot_mapping_qa.rig.checks import between, ScenarioError
from robot_mapping_qa.rig.site import Site
from robot_mapping_qa.rig.trajectory import MotionState, on_foot

_STRETCH_STEP_S = 0.05


def needs_route(kind: str, motion: object) -> Route:
    """Return the route; refuse for a sensor of this kind a motion that is not along one."""
    if not isinstance(motion, Route):
        raise ScenarioError(f'kind: found {kind!r}, expected another kind, or a route to measure')
    return motion


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the walk: its name, and from when until when after the start, s."""

    name: str
    from_s: float
    until_s: float


@dataclass(frozen=True)
class Route:
    """
    A walk round a site, lap after lap, the body turning aside to look as it goes.

    The path is a cubic spline through the site's way, walked at speed_m_s to within a few
    per cent. The body faces along it and pans by pan_rad over pan_s, and again by glance_rad over
    glance_s; its gait lifts it by heave_m and tilts it by sway_rad at gait_hz. Velocity and
    acceleration are exact derivatives.

    Raises ScenarioError for a speed or times out of range, or negative amplitudes.
    """

    site: Site = field(default_factory=Site)
    speed_m_s: float = 0.7
    pan_rad: float = 0.25
    pan_s: float = 9.0
    glance_rad: float = 0.1
    glance_s: float = 3.7
    heave_m: float = 0.01
    sway_rad: float = 0.012
    gait_hz: float = 1.3

    def __post_init__(self) -> None:
        """Refuse a walk that stands still, or one that no robot walks."""
        between('speed_m_s', self.speed_m_s, 0.1, 3.0)
        for name in ('pan_s', 'glance_s'):
            between(name, getattr(self, name), 0.5, 600.0)
        between('gait_hz', self.gait_hz, 0.1, 10.0)
        for name in ('pan_rad', 'glance_rad'):
            between(name, getattr(self, name), 0.0, 2.0)
        between('heave_m', self.heave_m, 0.0, 0.1)
        between('sway_rad', self.sway_rad, 0.0, 0.1)

    @property
    def lap_m(self) -> float:
        """Length of one lap along the chords of the way, m."""
        return self._path[0][-1]

    @property
    def lap_s(self) -> float:
        """Time of one lap, s."""
        return self.lap_m / self.speed_m_s

    def at(self, time_s: float) -> MotionState:
        """Return the true motion time_s seconds after the start."""
        speed = self.speed_m_s
        (x, dx, ddx), (y, dy, ddy) = self._along(time_s * speed)
        vx, vy, ax, ay = speed * dx, speed * dy, speed ** 2 * ddx, speed ** 2 * ddy
        return on_foot(self, time_s, (x, vx, ax), (y, vy, ay))

    def stretches(self, duration_s: float) -> list[Stretch]:
        """Return the parts of the site in the order in which they are walked through."""
        found: list[Stretch] = []
        name, from_s = self.site.stretch(self.at(0.0).position), 0.0
        for time_s in np.arange(0.0, duration_s, _STRETCH_STEP_S).tolist():
            here = self.site.stretch(self.at(time_s).position)
            if here != name:
                found.append(Stretch(name, from_s, time_s))
                name, from_s = here, time_s
        return [*found, Stretch(name, from_s, duration_s)]

    @cached_property
    def _path(self) -> tuple[list[float], list[tuple[float, ...]], list[tuple[float, ...]]]:
        """Knots of the closed spline, and its coefficients of x and y, highest power first."""
        knots, x, y = closed_spline(self.site.way)
        return knots.tolist(), [tuple(p) for p in x.tolist()], [tuple(p) for p in y.tolist()]

    def _along(self, way_m: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Value, first and second derivative of x and of y by the way."""
        knots, *coefficients = self._path
        way_m %= knots[-1]
        piece = bisect_right(knots, way_m, 1, len(knots) - 1) - 1
        h = way_m - knots[piece]
        x, y = (
            (((a * h + b) * h + c) * h + d, (3 * a * h + 2 * b) * h + c, 6 * a * h + 2 * b)
            for a, b, c, d in (coefficients[0][piece], coefficients[1][piece]))
        return x, y


def closed_spline(points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Cubic spline through points (n, 2) and back to the first, smooth there too.

    Returns its knots (n + 1,), which are the length along the chords, and for x and for y the
    coefficients (n, 4) of each piece by the length since its knot, highest power first. The
    second derivatives solve the usual tridiagonal system, closed round (de Boor, A Practical
    Guide to Splines, chapter IV; from memory). scipy has it too, but takes a second to load.
    """
    after = np.roll(points, -1, axis=0) - points
    h = np.linalg.norm(after, axis=1)
    slope = after / h[:, None]
    n = len(points)
    system = np.diag(2.0 * (h + np.roll(h, 1)))
    here = np.arange(n)
    system[here, (here + 1) % n] += h
    system[here, (here - 1) % n] += np.roll(h, 1)
    second = np.linalg.solve(system, 6.0 * (slope - np.roll(slope, 1, axis=0)))
    follows = np.roll(second, -1, axis=0)
    h = h[:, None]
    pieces = np.stack([
        (follows - second) / (6.0 * h), second / 2.0,
        slope - h * (2.0 * second + follows) / 6.0, points], axis=-1)
    return np.r_[0.0, np.cumsum(h)], pieces[:, 0], pieces[:, 1]
