# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The distance from the camera to the structure: as configured, or as a range finder measures it.

Where there is a range finder the configured distance never stands in for its readings: an error
worked out for 3 m says nothing about a structure 8 m away. While it gives none, the error on the
structure is not known, and a soft condition says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, isnan
from typing import Sequence

from robot_mapping_qa.pose.quaternion import Vector, vector
from robot_mapping_qa.records import Range
from robot_mapping_qa.verdicts import Condition, Severity


@dataclass(frozen=True)
class Sight:
    """
    A camera at ``camera_m`` that looks along ``direction``, of any length: in the unit's frame.

    ValueError for a direction that is none. REP 103: x is forward.
    """

    direction: Vector = (1.0, 0.0, 0.0)
    camera_m: Vector = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        if not hypot(*self.direction) > 0.0:
            raise ValueError(f'direction: found {self.direction!r}, expected a direction')

    def way_m(self, distance_m: float) -> Vector:
        """Return the way from the camera to the point at a distance from it."""
        factor = distance_m / hypot(*self.direction)
        return vector(factor * axis for axis in self.direction)

    def lever_m(self, distance_m: float) -> Vector:
        """Return the way from the unit to the point at a distance from the camera."""
        return vector(place + way for place, way in zip(self.camera_m, self.way_m(distance_m)))


class WorkingDistance:
    """
    The distance that counts now, for all cameras alike.

    ``sights`` tell how they look at the structure. ``configured_m`` counts where ``finder``, the
    name of a range finder's stream, is None. A usable reading counts for ``stale_s``. All
    ``*_ns`` arguments are host time.
    """

    def __init__(self, configured_m: float, sights: Sequence[Sight] = (Sight(),),
                 finder: str | None = None, stale_s: float = 1.0) -> None:
        self._sights = tuple(dict.fromkeys(sights))
        self.levers_m = self._levers(configured_m)
        """From the unit to the points of the newest distance, in the unit's frame."""
        self.metres: float | None = configured_m if finder is None else None
        """The distance, None while it is not known; changes with `add` and `tick`."""
        self._finder = finder
        self._stale_ns = round(stale_s * 1e9)
        self._heard_ns: int | None = None
        self._usable_ns: int | None = None
        self._first_ns: int | None = None
        self._trouble = ''

    def restart(self) -> None:
        """Forget the readings: time has started again."""
        if self._finder is not None:
            self.metres = None
        self._heard_ns = self._usable_ns = self._first_ns = None
        self._trouble = ''

    def _levers(self, distance_m: float) -> tuple[Vector, ...]:
        return tuple(sight.lever_m(distance_m) for sight in self._sights)

    def add(self, reading: Range, receive_ns: int) -> None:
        """Take a reading; one that is not usable (REP 117) only tells why there is none."""
        self._heard_ns = receive_ns
        self._trouble = _trouble(reading)
        if not self._trouble:
            self.metres, self._usable_ns = reading.range_m, receive_ns
            self.levers_m = self._levers(reading.range_m)

    def tick(self, now_ns: int) -> None:
        """Let time pass: a reading counts only so long."""
        if self._finder is None:
            return
        if self._first_ns is None:
            self._first_ns = now_ns
        if self._usable_ns is not None and now_ns - self._usable_ns > self._stale_ns:
            self.metres = None

    def conditions(self, now_ns: int) -> list[Condition]:
        """Return the condition that the distance is not known, from the last usable reading on."""
        if self.metres is not None:
            return []
        name, since_ns = self._finder, self._usable_ns
        if self._heard_ns is None or now_ns - self._heard_ns > self._stale_ns:
            why = 'it sends nothing'
        else:
            why = self._trouble
        if since_ns is None:
            since_ns = now_ns if self._first_ns is None else self._first_ns
            text = f'the distance to the structure is not known yet from {name}: {why}'
        else:
            text = (f'the distance to the structure is not known from {name} for '
                    f'{(now_ns - since_ns) * 1e-9:.1f} s: {why}')
        return [Condition(f'{name}/no_distance', text, Severity.SOFT, since_ns,
                          f'the distance to the structure was not known from {name}: {why}')]


def _trouble(reading: Range) -> str:
    """Return why a reading is no distance, empty where it is one."""
    distance_m, within = reading.range_m, f'its {reading.least_m:g} to {reading.most_m:g} m'
    if isnan(distance_m):
        return 'it reads no number'
    if distance_m == inf:
        return f'it sees nothing within {within}'
    if distance_m == -inf:
        return f'something is nearer than {within}'
    if not (reading.least_m <= distance_m <= reading.most_m and distance_m > 0.0):
        return f'it reads {distance_m:.2f} m, which is outside {within}'
    return ''
