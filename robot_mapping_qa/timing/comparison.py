# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What is known of every stream's clock, brought to one time, cross-checked, and put into words.

`cross_check` says which estimates may be compared; here they are collected from the monitors. A
stream is compared where two estimates reach it. The one-way offset reaches every stream. The
two-way exchange measures the unit's clock: it reaches what the unit stamps, and through the
motion also a stream that saw the unit turn.
"""

from __future__ import annotations

from math import hypot
from typing import Collection, Mapping

from robot_mapping_qa.timing.cross_check import cross_check, CrossCheck, Estimate
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.timing.motion_offset import MotionOffsetEstimate
from robot_mapping_qa.timing.two_way import TwoWayFigures

UNKNOWN_SKEW_SIGMA = 50e-6
"""Standard uncertainty of a skew that is not known yet: crystals are made to within 100 ppm, which
is taken as 2 sigma (common practice, no source)."""


def compare(pose_name: str, figures: Mapping[str, StreamFigures],
            motion: Mapping[str, MotionOffsetEstimate], two_way: TwoWayFigures | None = None, *,
            motion_age_s: float = 0.0, stamped_by_unit: Collection[str] = (),
            earlier: Mapping[str, CrossCheck] | None = None) -> dict[str, CrossCheck]:
    """
    Return the cross-check of every stream that two or more estimates reach, by its name.

    ``figures`` are those of all streams at about one host time: leave a stream out while it is
    silent, as its offset is that of its last message. ``motion`` holds the offsets from motion
    against the pose stream; they belong to the middle of their window, ``motion_age_s`` before
    the figures, and are carried on by the two clocks' skews. ``two_way`` is the exchange with the
    unit, grown to the same time, None where there is none. ``stamped_by_unit`` names streams
    besides the pose that carry the unit's clock. ``earlier`` is a former result, against which a
    changed delay shows. Estimates that exist but cannot be used are listed with the reason.
    """
    unit_figures = figures.get(pose_name)
    unit_one_way = None if unit_figures is None else _one_way(unit_figures)
    exchange = None if two_way is None else _two_way(two_way)
    checks = {}
    for name, own in figures.items():
        by_unit = name == pose_name or name in stamped_by_unit
        moved = None
        if name != pose_name and name in motion:
            moved = _carried(motion[name], motion_age_s, own, unit_figures)
        reaching = exchange if by_unit or moved is not None else None
        if moved is None and reaching is None:
            continue
        checks[name] = cross_check(
            name, _one_way(own), reaching, moved, unit_one_way=unit_one_way,
            stamped_by_unit=by_unit, earlier=None if earlier is None else earlier.get(name))
    return checks


def offset_sentence(name: str, figures: StreamFigures, turn_rate_radps: float | None,
                    working_distance_m: float, check: CrossCheck | None = None) -> str | None:
    """
    Say where a stream's stamps lie and what that is on the structure; None while unknown.

    What a time error of t costs is about t times the turn rate times the working distance; left
    out where ``turn_rate_radps`` is None. Where ``check`` has a usable offset from motion, the
    cost is that of the stamps against the unit's, which is what displaces a picture; else that
    of the one-way offset, which may be delay and not clock.
    """
    if figures.offset_s is None:
        return None
    where = f'{name} stamps run {_apart(figures.offset_s)} the host, smallest delay included'
    against_unit_s = _usable_motion_s(check)
    if against_unit_s is not None:
        where += f'; for the same motion they run {_apart(against_unit_s)} the unit'
    if turn_rate_radps is None:
        return where
    error_s = abs(figures.offset_s if against_unit_s is None else against_unit_s)
    at = f'at {turn_rate_radps:.3g} rad/s and {working_distance_m:.3g} m'
    cost_mm = error_s * turn_rate_radps * working_distance_m * 1e3
    cost = f'{cost_mm:.0f} mm on the structure' if cost_mm >= 1.0 else (
        'below 1 mm on the structure')
    # Stamps behind the host may be nothing but delay, stamps ahead of it cannot.
    if against_unit_s is None and figures.offset_s < 0.0:
        return f'{where}; were that the clock, {at} it would be {cost}'
    return f'{where}; {at} that is {cost}'


def _apart(offset_s: float) -> str:
    return f'{abs(offset_s) * 1e3:.1f} ms {"ahead of" if offset_s >= 0.0 else "behind"}'


def _usable_motion_s(check: CrossCheck | None) -> float | None:
    if check is None:
        return None
    return next((figure.value_s for figure in check.figures
                 if figure.name == 'motion' and figure.usable), None)


def _one_way(figures: StreamFigures) -> Estimate:
    if figures.offset_s is None or figures.offset_sigma_s is None:
        return Estimate(figures.offset_s, figures.offset_sigma_s, False,
                        f'no offset from {figures.messages} messages')
    return Estimate(figures.offset_s, figures.offset_sigma_s)


def _two_way(figures: TwoWayFigures) -> Estimate:
    if not figures.reach:
        return Estimate(figures.offset_s, figures.sigma_s, False,
                        'the time server has not answered the last eight requests')
    return Estimate(figures.offset_s, figures.sigma_s)


def _carried(estimate: MotionOffsetEstimate, age_s: float, stream: StreamFigures,
             unit: StreamFigures | None) -> Estimate:
    """Return an offset from motion as it is ``age_s`` later, when the clocks have drifted on."""
    if not estimate.usable:
        return Estimate(estimate.value_s, estimate.sigma_s, False, estimate.reason)
    skew, sigma = _skew(stream)
    unit_skew, unit_sigma = _skew(unit)
    value_s, sigma_s = estimate.numbers
    return Estimate(value_s + age_s * (skew - unit_skew),
                    hypot(sigma_s, age_s * hypot(sigma, unit_sigma)))


def _skew(figures: StreamFigures | None) -> tuple[float, float]:
    """Return a skew and its standard uncertainty, both without unit."""
    if figures is None or figures.skew_ppm is None or figures.skew_sigma_ppm is None:
        return 0.0, UNKNOWN_SKEW_SIGMA
    return 1e-6 * figures.skew_ppm, 1e-6 * figures.skew_sigma_ppm
