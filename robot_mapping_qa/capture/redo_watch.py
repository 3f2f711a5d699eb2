# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Places to visit again while the robot works, from its path and the gate alone.

The ledger's list (`redo`) knows the pictures and is made at the end. This one knows only where
the robot was while no picture could be trusted, by the same rules of what is near and what is
one place; it is there during the run, in bounded memory, and its numbers stay.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import cos, dist
from typing import Mapping, NamedTuple

from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.pose.quaternion import Quaternion, Vector

SPACING_M = 0.25
"""Spots of the path are kept so far apart: half of what counts as near by default."""

PROBATION_NS = 5_000_000_000
"""A spot makes up for others so long after it was passed: till then a hold may take it back."""

MOST_SPOTS = 2000
"""500 m without trust; beyond, what is kept is thinned."""

MOST_PLACES = 99
"""More than anybody walks to: what comes after belongs to the last one."""

MOST_REASONS = 5


class Place(NamedTuple):
    """A stretch of the path to visit again; ``number`` is its own for the whole run."""

    number: int
    position_m: Vector
    path_from_m: float
    path_to_m: float
    reasons: tuple[str, ...]


class _Spot(NamedTuple):
    stamp_ns: int
    position_m: Vector
    quaternion: Quaternion
    path_m: float
    allowed: bool


@dataclass(slots=True)
class _Stretch:
    """Spots without trust; without a number while the robot has not left them."""

    path_from_m: float
    path_to_m: float
    number: int | None = None
    spots: list[_Spot] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)

    def add(self, spot: _Spot) -> None:
        self.spots.append(spot)
        self.path_from_m = min(self.path_from_m, spot.path_m)
        self.path_to_m = max(self.path_to_m, spot.path_m)

    def keep(self, spots: list[_Spot]) -> None:
        self.spots = spots
        if spots:
            self.path_from_m = min(spot.path_m for spot in spots)
            self.path_to_m = max(spot.path_m for spot in spots)


class RedoWatch:
    """Follows the robot and lists where it must go again."""

    def __init__(self, limits: GateLimits = GateLimits(), most_spots: int = MOST_SPOTS,
                 most_places: int = MOST_PLACES) -> None:
        """Begin without any place; ``limits`` may be set anew at any time."""
        self.limits = limits
        self._most_spots = most_spots
        self._most_places = most_places
        self._spacing_m = SPACING_M
        self._last: _Spot | None = None
        self._on_probation: deque[_Spot] = deque(maxlen=most_spots)
        self._stretches: list[_Stretch] = []
        # That of the present hold, however far the robot went without being seen.
        self._running: _Stretch | None = None
        self._given = 0

    def add(self, stamp_ns: int, position_m: Vector, quaternion: Quaternion, path_m: float,
            allowed: bool, reasons: Mapping[str, str] = {}) -> None:
        """
        Take a pose of the robot at ``stamp_ns`` (host time) and whether the gate is open there.

        ``path_m`` is the way travelled up to it, ``reasons`` gives what holds the gate, by the
        keys of the conditions.
        """
        spot = _Spot(stamp_ns, position_m, quaternion, path_m, allowed)
        if self._last is not None and stamp_ns < self._last.stamp_ns:
            # Time has started again: nothing ends its probation by it, and all that was passed
            # before is older than what comes.
            self._on_probation.clear()
            self._last = None
            for stretch in self._stretches:
                stretch.spots = [old._replace(stamp_ns=-1) for old in stretch.spots]
        self._end_probation(stamp_ns)
        if self._last is None or self._differs(spot, self._last):
            self._last = spot
            if allowed:
                self._on_probation.append(spot)
                self._running = None
            else:
                self._distrust(spot)
        if self._running is not None:
            known = self._running.reasons
            known.update((key, text) for key, text in reasons.items()
                         if key in known or len(known) < MOST_REASONS)

    def set_onset(self, onset_ns: int) -> None:
        """Take back the trust in everything from the onset (host time) of a hold on."""
        while self._on_probation and self._on_probation[-1].stamp_ns >= onset_ns:
            self._distrust(self._on_probation.pop())

    @property
    def places(self) -> tuple[Place, ...]:
        """The places to visit again, by number."""
        return tuple(
            Place(stretch.number, stretch.spots[len(stretch.spots) // 2].position_m,
                  stretch.path_from_m, stretch.path_to_m, tuple(stretch.reasons.values()))
            for stretch in sorted(self._stretches, key=lambda each: each.number or 0)
            if stretch.number is not None and stretch.spots)

    def _differs(self, spot: _Spot, last: _Spot) -> bool:
        limits = self.limits
        spacing_m = min(SPACING_M, 0.5 * limits.redo_distance_m) if spot.allowed else (
            self._spacing_m)
        return (spot.allowed != last.allowed
                or dist(spot.position_m, last.position_m) >= spacing_m
                or not _alike(spot, last, 0.5 * limits.redo_angle_rad))

    def _distrust(self, spot: _Spot) -> None:
        stretch = self._running = self._running or self._near(spot.path_m)
        stretch.add(spot)
        if stretch.path_to_m - stretch.path_from_m > self.limits.redo_distance_m:
            self._give_number(stretch)
        if sum(len(stretch.spots) for stretch in self._stretches) > self._most_spots:
            self._spacing_m *= 2.0
            for stretch in self._stretches:
                stretch.spots = stretch.spots[::2]

    def _near(self, path_m: float) -> _Stretch:
        """Return the stretch that a place along the path belongs to, a new one where none is."""
        merge_m = self.limits.redo_merge_m
        for stretch in reversed(self._stretches):
            if stretch.path_from_m - merge_m <= path_m <= stretch.path_to_m + merge_m:
                return stretch
        if len(self._stretches) < self._most_places:
            self._stretches.append(_Stretch(path_m, path_m))
        return self._stretches[-1]

    def _give_number(self, stretch: _Stretch) -> None:
        """Give the next number, once: a robot that only stood there and goes on makes no place."""
        if stretch.number is None:
            self._given += 1
            stretch.number = self._given

    def _end_probation(self, now_ns: int) -> None:
        while (self._on_probation
               and now_ns - self._on_probation[0].stamp_ns > PROBATION_NS):
            self._make_up_for_others(self._on_probation.popleft())

    def _make_up_for_others(self, good: _Spot) -> None:
        distance_m, angle_rad = self.limits.redo_distance_m, self.limits.redo_angle_rad
        for stretch in self._stretches:
            left = [spot for spot in stretch.spots
                    if spot.stamp_ns >= good.stamp_ns
                    or dist(spot.position_m, good.position_m) > distance_m
                    or not _alike(spot, good, angle_rad)]
            if len(left) < len(stretch.spots):
                stretch.keep(left)
            if left and left[0].stamp_ns < good.stamp_ns:
                self._give_number(stretch)
        self._stretches = [stretch for stretch in self._stretches
                           if stretch.spots or stretch is self._running]


def _alike(one: _Spot, other: _Spot, angle_rad: float) -> bool:
    # The angle between two rotations is 2 acos |q . p|.
    cosine = abs(sum(a * b for a, b in zip(one.quaternion, other.quaternion)))
    return cosine >= cos(0.5 * angle_rad)
