# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""From the figures of a good run to thresholds, each with the figure behind it."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Callable, NamedTuple

from robot_mapping_qa.bag.run_figures import Figure, RunFigures, worst
from robot_mapping_qa.configuration import Configuration
from robot_mapping_qa.configuration.validation import GROUPS
from robot_mapping_qa.settings import settings_of

SHARE = 0.999
"""Thresholds start from the value that all but one in a thousand keep."""

TIGHTEST = 0.5
"""
No threshold becomes tighter than this share of its default.

One good run does not show every hiccup of a network or every bump (common practice, no source).
"""


class Proposal(NamedTuple):
    """A threshold by its dotted name; ``value`` is None where the run says nothing about it."""

    name: str
    value: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class _Rule:
    """``factor`` is the margin over the figure that ``find`` returns with its description."""

    name: str
    factor: float
    find: Callable[[Configuration, RunFigures], tuple[float, str] | None]
    missing: str


def propose(configuration: Configuration, figures: RunFigures) -> list[Proposal]:
    """Return a proposal for every threshold that a good run can tell something about."""
    return [_proposal(rule, configuration, figures) for rule in _RULES]


def _proposal(rule: _Rule, configuration: Configuration, figures: RunFigures) -> Proposal:
    group, _, key = rule.name.partition('.')
    item = next(each for each in settings_of(GROUPS[group]) if each.name == key)
    default: float = getattr(GROUPS[group](), key)
    found = rule.find(configuration, figures)
    if found is None:
        return Proposal(rule.name, None, f'{rule.missing}; the default {default:g} stays.')
    figure, text = found
    value = _rounded_up(figure * rule.factor)
    reason = f'{text}, times {rule.factor:g}'
    least = max(TIGHTEST * default, item.metadata['low'])
    if value < least:
        value, reason = least, reason + f'; not below {least:g}: one run does not show all'
    if value > item.metadata['high']:
        value = item.metadata['high']
        reason += f'; {value:g} is the most that is accepted'
    return Proposal(rule.name, value, f'{reason}. Default {item.default:g}.')


def _rounded_up(value: float) -> float:
    """Return a positive value with two digits, rounded up."""
    if value <= 0.0:
        return 0.0
    digits = 1 - floor(log10(value))
    return round(ceil(round(value * 10.0 ** digits, 6)) * 10.0 ** -digits, max(digits, 0))


def _of_streams(quantity: str, what: str, unit: str, own_limit: str | None = None,
                roles: tuple[str, ...] | None = None):
    """Return a finder of the worst stream; one with a limit of its own in the file is left out."""
    def find(configuration: Configuration, figures: RunFigures) -> tuple[float, str] | None:
        streams = {stream.name: stream for stream in configuration.streams}

        def usable(name: str) -> bool:
            stream = streams[name]
            return (own_limit is None or getattr(stream, own_limit) is None) and (
                roles is None or stream.role in roles)
        by_stream: dict[str, Figure] = getattr(figures, quantity)
        found = worst(by_stream, SHARE, usable)
        if found is None or found[1] <= 0.0:
            return None
        name, value = found
        figure = by_stream[name]
        return value, (f'{what}: {value:.3g} {unit} for {name} (99.9 % of {figure.count}, at most '
                       f'{figure.largest:.3g})')
    return find


def _of_motion(quantity: str, what: str, unit: str):
    def find(_: Configuration, figures: RunFigures) -> tuple[float, str] | None:
        figure: Figure = getattr(figures.motion, quantity)
        value = figure.quantile(SHARE)
        if value is None:
            return None
        return value, (f'{what}: {value:.3g} {unit}(99.9 % of {figure.count}, at most '
                       f'{figure.largest:.3g})')
    return find


_NO_TWIST = 'the pose has no twist to learn it from'

# The margins are common practice without a source: what varies with the computer's load gets 2,
# what the carrier can do gets 1.5, and a quantity with rare peaks 2.
_RULES = (
    _Rule('timing.silence_s', 2.0,
          _of_streams('gaps_s', 'time between two messages', 's', 'silence_s'),
          'too few messages'),
    _Rule('timing.delay_limit_s', 2.0,
          _of_streams('delays_s', 'time from stamp to arrival', 's', 'delay_limit_s'),
          'every stamp lay ahead of its arrival'),
    _Rule('timing.ahead_limit_s', 2.0,
          _of_streams('ahead_s', 'stamps ahead of their arrival', 's'),
          'no stamp lay ahead of its arrival'),
    _Rule('timing.time_error_limit_s', 2.0,
          _of_streams('time_errors_s', "clock off the unit's since it settled", 's'),
          'no clock settled, or there is only one'),
    _Rule('pose.stale_s', 2.0,
          _of_streams('gaps_s', 'time between two poses', 's', roles=('pose',)),
          'too few poses'),
    _Rule('pose.max_speed_mps', 1.5, _of_motion('speeds_mps', 'speed', 'm/s '), 'no motion'),
    _Rule('pose.max_turn_rate_radps', 1.5,
          _of_motion('turn_rates_radps', 'turn rate', 'rad/s '), 'no motion'),
    _Rule('pose.max_acceleration_mps2', 2.0,
          _of_motion('accelerations_mps2', 'acceleration', 'm/s2 '), _NO_TWIST),
    _Rule('pose.max_angular_acceleration_radps2', 2.0,
          _of_motion('angular_accelerations_radps2', 'angular acceleration', 'rad/s2 '),
          _NO_TWIST),
    _Rule('pose.pose_noise_m', 1.5,
          _of_motion('residuals_m', 'way that the twist does not explain', 'm '), _NO_TWIST),
    _Rule('pose.pose_noise_rad', 1.5,
          _of_motion('residuals_rad', 'turn that the twist does not explain', 'rad '), _NO_TWIST),
    _Rule('pose.twist_error_fraction', 1.5,
          _of_motion('twist_errors', 'twist against covered way', ''),
          'too little way with a twist'),
)
