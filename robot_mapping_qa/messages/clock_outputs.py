# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Diagnostics of the clocks beyond one stream's own: comparison, time server, host, sets."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Sequence

from robot_mapping_qa.host.host_clock import HostClock
from robot_mapping_qa.messages.factory import MessageFactory
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.verdict_message import make_status, OK, WARN
from robot_mapping_qa.timing.cross_check import CrossCheck
from robot_mapping_qa.timing.sets import apart_sentences, SetSummary
from robot_mapping_qa.timing.two_way import TwoWayFigures


def comparison_diagnostic(factory: MessageFactory, check: CrossCheck) -> Any:
    """Return the independent estimates of one stream's clock side by side, and disagreements."""
    values: dict[str, Any] = {}
    for figure in check.figures:
        key = figure.name.replace(' ', '_')
        values[f'{key}_s'] = figure.value_s
        values[f'{key}_sigma_s'] = figure.sigma_s
        values[f'{key}_includes'] = figure.includes
    for name in ('offset', 'smallest_delay', 'delay_difference'):
        estimate = getattr(check, name)
        if estimate is not None:
            values[f'{name}_s'] = estimate.value_s
            values[f'{name}_sigma_s'] = estimate.sigma_s
    text = '; '.join(f'{d.text}: {d.meaning}' for d in check.disagreements)
    usable = sum(figure.usable for figure in check.figures)
    healthy = (f'{usable} independent estimates agree within 3 sigma' if usable > 1
               else 'one estimate only, nothing to compare it with')
    return make_status(factory, f'{DIAGNOSTIC_PREFIX}clocks {check.stream}',
                       WARN if check.disagreements else OK, text or healthy, values)


def time_server_diagnostic(factory: MessageFactory, address: str, figures: TwoWayFigures | None,
                           reach: int, said: str) -> Any:
    """
    Return the two-way exchange with the unit's time server.

    ``said`` is the last refusal or silence in words, empty after a good reply.
    """
    values: dict[str, Any] = {'reach': reach}
    if figures is not None:
        values.update(asdict(figures))
    if said:
        text = said
    elif figures is None:
        text = f'no reply from {address} yet'
    else:
        text = (f'the unit is {abs(figures.offset_s) * 1e3:.2f} ms '
                f'{"ahead of" if figures.offset_s >= 0.0 else "behind"} the host, '
                f'within {figures.bound_s * 1e3:.2f} ms')
    return make_status(factory, f'{DIAGNOSTIC_PREFIX}time server',
                       OK if figures is not None and not said else WARN, text, values, address)


def host_diagnostic(factory: MessageFactory, clock: HostClock) -> Any:
    """Return the state of the host's own clock; what is absent is said, not guessed."""
    values: dict[str, Any] = {}
    texts = []
    for name in ('kernel', 'chrony', 'ptp'):
        part = getattr(clock, name)
        if part is None:
            continue
        for key, value in asdict(part).items():
            values[f'{name}_{key}'] = _plain(value)
    if clock.kernel is not None:
        texts.append(f'host clock {clock.kernel.state}')
    texts += clock.absent
    good = clock.kernel is not None and clock.kernel.synchronized
    return make_status(factory, f'{DIAGNOSTIC_PREFIX}host', OK if good else WARN,
                       '; '.join(texts), values)


def sets_diagnostic(factory: MessageFactory, names: Sequence[str], summary: SetSummary) -> Any:
    """Return how well pictures, clouds and poses find each other by their stamps."""
    values = {key: value for key, value in asdict(summary).items()
              if key not in ('messages', 'apart')}
    values.update({f'messages_{name}': count for name, count in zip(names, summary.messages)})
    share, text = summary.yield_fraction, 'no sets yet'
    if summary.slowest_stream is not None:
        slowest = values['slowest_stream'] = names[summary.slowest_stream]
        if share is not None:
            text = (f'{100.0 * share:.0f} % of the messages of {slowest} found a set of '
                    f'{", ".join(names)}')
    text = '; '.join((text, *apart_sentences(names, summary)))
    return make_status(factory, f'{DIAGNOSTIC_PREFIX}sets', OK, text, values)


def _plain(value: Any) -> Any:
    """Return a number, or anything else as text; None stays unknown."""
    if isinstance(value, bool):
        return 'true' if value else 'false'
    if value is None or isinstance(value, (int, float)):
        return value
    return ', '.join(value) if isinstance(value, tuple) else str(value)
