# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
An invented structure to walk round: what it is built of, where it is wet, overgrown and dark.

Seen from above, X to the right, Y up; the way starts at S and goes round anticlockwise:

    water ~~~~~~~~~~~~~~~~~~~~~~~~~~~~~
          o    o    o    o    o    o   +----------+
      .-<------- underside of a deck ------<--.   |
      |   o    o    o    o    o    o   |  hall |  |
      |   =============================+       |  |
      '-S>------ featureless passage ------>---'  |
          =============================+----------+
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
import math

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, between
from robot_mapping_qa.rig.rotation import Vector
from robot_mapping_qa.rig.solids import Box, Cylinder, Solids

GROUND_M = -0.8
"""Height of the ground below the body's path, m."""

LEAF_SPACING_M = 0.5
"""Mean free path of a beam in vegetation, m."""

_CEILING_M = 2.2
_HALL_LENGTH_M, _HALL_HEIGHT_M = 24.0, 5.0
_HALL_SOUTH_M, _HALL_NORTH_M = -4.0, 16.0
_DECK_SOUTH_M, _DECK_NORTH_M, _DECK_M = 6.0, 18.0, 3.5
_UNDER_M = 12.0
_WALL_M = 0.5
_BAY_M = 6.0
_CLEAR_M = 1.4
_FAR_M = 150.0
_BLEND_M = 2.0


@dataclass(frozen=True)
class Site:
    """
    Sizes, clutter and light of the structure; its clutter is drawn from clutter_seed.

    The passage starts at the map's origin and runs along X; lux are those on its surfaces.

    Raises ScenarioError for a passage too short to lose sight of its ends or too narrow to walk,
    for clutter that does not fit in, or light that is not above 0.
    """

    passage_length_m: float = 60.0
    passage_width_m: float = 3.0
    clutter: int = 30
    clutter_seed: int = 1
    open_light_lux: float = 8000.0
    passage_light_lux: float = 1.5
    hall_light_lux: float = 200.0
    underside_light_lux: float = 900.0

    def __post_init__(self) -> None:
        """Refuse what cannot be built."""
        between('passage_length_m', self.passage_length_m, 20.0, 1000.0)
        between('passage_width_m', self.passage_width_m, 2.0, 6.0)
        between('clutter', self.clutter, 0, 60)
        at_least('clutter_seed', self.clutter_seed, 0)
        for name in ('open_light_lux', 'passage_light_lux', 'hall_light_lux',
                     'underside_light_lux'):
            above(name, getattr(self, name), 0.0)

    @cached_property
    def way(self) -> np.ndarray:
        """Points (n, 2) of the closed way round, m, its start first."""
        length, under = self.passage_length_m, _UNDER_M
        passage = [(x, 0.0) for x in np.linspace(-6.0, length + 5.0, round(length / 4.0) + 3)]
        turn = [(length + 10.0, 1.0), (length + 14.0, 4.0), (length + 15.0, 8.0),
                (length + 12.0, 11.3), (length + 7.0, under)]
        back = [(x, under) for x in np.linspace(length + 2.0, -4.0, round(length / 4.0) + 2)]
        home = [(-8.5, 10.8), (-12.0, 7.5), (-12.5, 4.0), (-10.5, 1.0)]
        return np.array(passage + turn + back + home)

    @cached_property
    def solids(self) -> Solids:
        """All of it that reflects in a well defined place, the ground among it."""
        ground = Box((-_FAR_M, -_FAR_M, GROUND_M - 1.0),
                     (self.passage_length_m + _FAR_M, _FAR_M, GROUND_M))
        deck, columns = self._underside()
        things, posts = self._clutter()
        approach, poles = self._approach()
        return Solids(
            [ground, *self._passage(), *self._hall(), *deck, *things, *approach],
            [*columns, *posts, *poles])

    @cached_property
    def vegetation(self) -> tuple[Box, ...]:
        """Volumes in which a beam may end anywhere, at a mean free path of LEAF_SPACING_M."""
        rng = np.random.default_rng([self.clutter_seed, 1])
        boxes = []
        for x in np.arange(4.0, self.passage_length_m - 4.0, 9.0):
            for y in (6.5, 15.0):
                width, depth, height = rng.uniform((2.0, 1.0, 0.8), (5.0, 2.0, 2.2)).tolist()
                boxes.append(Box((float(x), y, GROUND_M),
                                 (float(x) + width, y + depth, GROUND_M + height)))
        return tuple(boxes)

    def wet(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return whether there is water on the ground at x, y (any shape), m."""
        return (y > _DECK_NORTH_M - 1.5) & (y < 60.0) & (x > -15.0) & (x < self.passage_length_m)

    def stretch(self, position: Vector) -> str:
        """Return the part of the site at a position: approach, passage, hall or underside."""
        x, y, _ = position
        if x < 0.0:
            return 'approach'
        if x > self.passage_length_m:
            return 'hall'
        return 'passage' if y < _DECK_SOUTH_M else 'underside'

    def light_lux(self, position: Vector) -> float:
        """Return the light at a position; it changes from part to part over a few metres."""
        x, y, _ = position
        inside = _blend(x) * (1.0 - _blend(x - self.passage_length_m))
        hall = _blend(x - self.passage_length_m)
        between_ends = self.passage_light_lux if y < _DECK_SOUTH_M else self.underside_light_lux
        # What the eye sees as an even change is one of the logarithm.
        return math.exp(
            inside * math.log(between_ends) + hall * math.log(self.hall_light_lux)
            + (1.0 - inside - hall) * math.log(self.open_light_lux))

    def _passage(self) -> list[Box]:
        length, half = self.passage_length_m, self.passage_width_m / 2
        walls = [
            Box((0.0, half, GROUND_M), (length, half + 1.0, _CEILING_M + 1.0)),
            Box((0.0, -half - 1.0, GROUND_M), (length, -half, _CEILING_M + 1.0)),
            Box((0.0, -half, _CEILING_M), (length, half, _CEILING_M + 1.0))]
        portal = [
            Box((-0.5, half, GROUND_M), (0.0, _DECK_SOUTH_M, _HALL_HEIGHT_M)),
            Box((-0.5, -9.0, GROUND_M), (0.0, -half, _HALL_HEIGHT_M)),
            Box((-0.5, -half, _CEILING_M), (0.0, half, _HALL_HEIGHT_M))]
        return walls + portal

    def _hall(self) -> list[Box]:
        west, east = self.passage_length_m, self.passage_length_m + _HALL_LENGTH_M
        half = self.passage_width_m / 2
        door_low, door_high = _UNDER_M - 2.0, _UNDER_M + 2.0
        south, north, top = _HALL_SOUTH_M, _HALL_NORTH_M, _HALL_HEIGHT_M
        boxes = [
            Box((west, south, GROUND_M), (west + _WALL_M, -half, top)),
            Box((west, half, GROUND_M), (west + _WALL_M, door_low, top)),
            Box((west, door_high, GROUND_M), (west + _WALL_M, north, top)),
            Box((west, -half, _CEILING_M), (west + _WALL_M, half, top)),
            Box((west, door_low, _CEILING_M), (west + _WALL_M, door_high, top)),
            Box((east, south, GROUND_M), (east + _WALL_M, north, top)),
            Box((west, south - _WALL_M, GROUND_M), (east, south, top)),
            Box((west, north, GROUND_M), (east, north + _WALL_M, top)),
            Box((west, south, top), (east, north, top + _WALL_M))]
        return boxes

    def _underside(self) -> tuple[list[Box], list[Cylinder]]:
        length = self.passage_length_m
        boxes = [Box((0.0, _DECK_SOUTH_M, _DECK_M), (length, _DECK_NORTH_M, _DECK_M + 0.8))]
        columns = []
        for x in np.arange(_BAY_M / 2, length, _BAY_M).tolist():
            boxes.append(Box((x - 0.25, _DECK_SOUTH_M, _DECK_M - 0.7),
                             (x + 0.25, _DECK_NORTH_M, _DECK_M)))
            columns += [Cylinder(x, y, 0.35, GROUND_M, _DECK_M)
                        for y in (_UNDER_M - 4.0, _UNDER_M + 4.0)]
        return boxes, columns

    def _clutter(self) -> tuple[list[Box], list[Cylinder]]:
        """Draw what stands about in the hall, the way left clear."""
        rng = np.random.default_rng([self.clutter_seed, 0])
        boxes: list[Box] = []
        posts: list[Cylinder] = []
        low = (self.passage_length_m + 1.0, _HALL_SOUTH_M + 0.5)
        high = (self.passage_length_m + _HALL_LENGTH_M - 1.0, _HALL_NORTH_M - 0.5)
        steps = np.linspace(0.0, 1.0, 20, endpoint=False)[:, None, None]
        ways = (self.way * (1.0 - steps) + np.roll(self.way, -1, axis=0) * steps).reshape(-1, 2)
        while len(boxes) + len(posts) < self.clutter:
            x, y = rng.uniform(low, high).tolist()
            half_x, half_y, height = rng.uniform((0.15, 0.15, 0.4), (0.8, 0.8, 3.0)).tolist()
            round_one = bool(rng.random() < 0.4)
            clear = np.hypot(ways[:, 0] - x, ways[:, 1] - y).min() - math.hypot(half_x, half_y)
            if clear < _CLEAR_M:
                continue
            if round_one:
                posts.append(Cylinder(x, y, half_x / 2, GROUND_M, GROUND_M + height))
            else:
                boxes.append(Box((x - half_x, y - half_y, GROUND_M),
                                 (x + half_x, y + half_y, GROUND_M + height)))
        return boxes, posts

    def _approach(self) -> tuple[list[Box], list[Cylinder]]:
        """Return the little that stands on the open ground before the structure."""
        boxes = [
            Box((-24.0, 1.0, GROUND_M), (-20.0, 5.5, 1.9)),
            Box((-9.0, -8.0, GROUND_M), (-7.8, -6.5, 0.4)),
            Box((-4.0, -5.0, GROUND_M), (-3.0, -4.4, 0.2))]
        poles = [Cylinder(x, y, 0.12, GROUND_M, 3.0) for x, y in (
            (-6.0, 4.5), (-15.0, 13.0), (-17.0, -3.0), (-3.0, 15.0))]
        return boxes, poles


def _blend(distance_m: float) -> float:
    """Change from 0 to 1 within _BLEND_M of 0, smoothly."""
    u = min(max((distance_m / _BLEND_M + 1.0) / 2.0, 0.0), 1.0)
    return u * u * (3.0 - 2.0 * u)
