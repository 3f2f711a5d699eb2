# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Independent estimates of one stream's clock offset side by side, and where they disagree.

Each estimate measures another sum (theta: clock offset from the host; d: smallest delay):

    one way   theta(stream) - d(stream)     a stamp cannot tell late sending from a slow clock
    two way   theta(unit)                   the exchange removes the delay
    motion    theta(stream) - theta(unit)   no delay, no host; stamps against the motion itself

So they are never compared as they stand. Two way, plus motion for a stream that the unit does not
stamp, gives theta(stream); less one way that is d(stream): a delay, hence not negative and not
absurdly long. Without two way, motion less the difference of the one-way offsets gives
d(stream) - d(unit), which the same limits hold. Motion of a stream that the unit stamps is zero.
A difference counts beyond 3 sigma, the estimates being taken as independent (JCGM 100
section 5.1.2).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

COVERAGE = 3.0
"""Standard uncertainties that a difference must exceed."""
MAX_DELAY_S = 0.25
"""Longest plausible smallest delay from stamp to host: two turns of a 10 Hz lidar and transport
(common practice, no source)."""

_NOT_DISCIPLINED = ('clock not disciplined: the stamps do not come from the clock that the time '
                    'server serves, or a clock is still being slewed')
_EXPOSURE = ('exposure or scan time not at the stamp: the stamp marks the start, the end or the '
             'transfer of the measurement, not its middle')
_LONG_DELAY = ('data is held back before the host gets it (queue, compression, driver), or the '
               'clock is not disciplined')
_UNIT_LONG_DELAY = "the unit's data is held back before the host gets it (queue, driver, network)"
_DELAY_CHANGED = ('delay not constant: load or queueing has changed the path, so the one-way '
                  'offset has moved although no clock has')


@dataclass(frozen=True, slots=True)
class Estimate:
    """
    One estimate: value and standard uncertainty in seconds, and whether it may be used.

    `why_not` says why it may not. Both figures are None when there is no number at all; a usable
    estimate must have both.
    """

    value_s: float | None
    sigma_s: float | None
    usable: bool = True
    why_not: str = ''

    def __post_init__(self) -> None:
        """Refuse a usable estimate without figures; raises ValueError."""
        if self.usable and (self.value_s is None or self.sigma_s is None or self.sigma_s < 0.0):
            raise ValueError(f'a usable estimate needs a value and a sigma: {self}')

    @property
    def numbers(self) -> tuple[float, float]:
        """Value and sigma, s; raises ValueError where there are none."""
        if self.value_s is None or self.sigma_s is None:
            raise ValueError(f'an estimate without numbers: {self}')
        return self.value_s, self.sigma_s


@dataclass(frozen=True, slots=True)
class Figure:
    """A line of the side-by-side table: what it is, seconds, and what the number includes."""

    name: str
    value_s: float | None
    sigma_s: float | None
    usable: bool
    includes: str


@dataclass(frozen=True, slots=True)
class Disagreement:
    """
    Two estimates that cannot both be right.

    difference_s is how far the compared quantity lies outside what is possible, sigma_s its
    standard uncertainty; `text` is for a person, `meaning` what it usually means.
    """

    between: tuple[str, str]
    difference_s: float
    sigma_s: float
    text: str
    meaning: str


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """
    Result for one stream.

    offset: the stream's clock minus the host's without the delay, and smallest_delay: the delay
    that the one-way offset includes; both None unless two way reaches this stream.
    delay_difference: smallest delay of the stream less the unit's; None unless motion and both
    one-way offsets are usable.
    """

    stream: str
    figures: tuple[Figure, ...]
    offset: Estimate | None
    smallest_delay: Estimate | None
    delay_difference: Estimate | None
    disagreements: tuple[Disagreement, ...]


def cross_check(stream: str, one_way: Estimate | None = None, two_way: Estimate | None = None,
                motion: Estimate | None = None, *, unit_one_way: Estimate | None = None,
                stamped_by_unit: bool = False, earlier: CrossCheck | None = None,
                max_delay_s: float = MAX_DELAY_S) -> CrossCheck:
    """
    Compare what is known of one stream's clock, all values at about the same host time.

    one_way: stream's stamp minus receive time at the smallest delay. two_way: the unit's clock
    minus the host's. motion: the stream's stamps minus the unit's for the same motion; None for
    the unit itself. unit_one_way: as one_way, for the unit's pose stream. stamped_by_unit: the
    stream carries the unit's clock (always so for its pose stream). earlier: a former result of
    the same stream, against which a changed delay shows.
    """
    figures = tuple(
        Figure(name, item.value_s, item.sigma_s, item.usable, includes if item.usable
               else f'not usable: {item.why_not}')
        for name, item, includes in (
            ('one way', one_way, "stream's clock minus the host's, less the smallest delay"),
            ('two way', two_way, "unit's clock minus the host's"),
            ('motion', motion, "stream's stamps minus the unit's")) if item is not None)
    one_way, two_way, motion, unit_one_way = (
        item if item is not None and item.usable else None
        for item in (one_way, two_way, motion, unit_one_way))

    found: list[Disagreement | None] = []
    offset = two_way
    route = 'two way'
    if not stamped_by_unit:
        offset = _sum(two_way, motion)
        route = 'two way with motion'
    elif motion is not None:
        found.append(_beyond(
            ('motion', 'unit stamps'), motion, 0.0, 0.0,
            f'{stream} is stamped by the unit, yet for the same motion its stamps lie {{}} from '
            'those of the pose', _EXPOSURE, _EXPOSURE))

    delay = _difference(offset, one_way)
    if delay is not None:
        found.append(_beyond(
            ('one way', route), delay, 0.0, max_delay_s,
            f'{stream}: the one-way offset leaves a smallest delay {{}} outside the possible '
            f'0 to {max_delay_s:g} s', _NOT_DISCIPLINED, _LONG_DELAY))
    delay_difference = _difference(motion, _difference(one_way, unit_one_way))
    if delay_difference is not None and delay is None:
        found.append(_beyond(
            ('one way', 'motion'), delay_difference, -max_delay_s, max_delay_s,
            f'{stream}: one-way offset and motion ask for delays of stream and unit that differ '
            f'by {{}} more than the possible {max_delay_s:g} s', _UNIT_LONG_DELAY, _LONG_DELAY))
    if earlier is not None:
        found.append(_changed(stream, delay, earlier.smallest_delay, route) or _changed(
            stream, delay_difference, earlier.delay_difference, 'motion'))
    return CrossCheck(stream, figures, offset, delay, delay_difference,
                      tuple(item for item in found if item is not None))


def _sum(one: Estimate | None, other: Estimate | None) -> Estimate | None:
    """Sum of independent estimates, None when either is missing."""
    if one is None or other is None:
        return None
    (value_s, sigma_s), (other_s, other_sigma_s) = one.numbers, other.numbers
    return Estimate(value_s + other_s, hypot(sigma_s, other_sigma_s))


def _difference(one: Estimate | None, other: Estimate | None) -> Estimate | None:
    """Difference of independent estimates, None when either is missing."""
    if one is None or other is None:
        return None
    (value_s, sigma_s), (other_s, other_sigma_s) = one.numbers, other.numbers
    return Estimate(value_s - other_s, hypot(sigma_s, other_sigma_s))


def _beyond(between: tuple[str, str], quantity: Estimate, low_s: float, high_s: float, text: str,
            meaning_low: str, meaning_high: str) -> Disagreement | None:
    """Disagreement when the quantity lies outside its possible range by more than 3 sigma."""
    value_s, sigma_s = quantity.numbers
    outside_s = min(value_s - low_s, 0.0) + max(value_s - high_s, 0.0)
    if abs(outside_s) <= COVERAGE * sigma_s:
        return None
    apart = f'{outside_s * 1e3:+.3f} ms (sigma {sigma_s * 1e3:.3f} ms)'
    return Disagreement(between, outside_s, sigma_s, text.format(apart),
                        meaning_low if outside_s < 0.0 else meaning_high)


def _changed(stream: str, now: Estimate | None, before: Estimate | None,
             route: str) -> Disagreement | None:
    """Disagreement when a delay is no longer what it was."""
    change = _difference(now, before)
    if change is None:
        return None
    return _beyond(('one way', route), change, 0.0, 0.0,
                   f'{stream}: the smallest delay has changed by {{}} by {route}',
                   _DELAY_CHANGED, _DELAY_CHANGED)
