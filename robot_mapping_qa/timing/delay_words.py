# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a person is told of a delay beyond its limit."""

from __future__ import annotations

from robot_mapping_qa.timing.delay_parts import EPOCH_S

EPOCH_NS = round(1e9 * EPOCH_S)
"""Stamps further from the host than this are not late: they count from another epoch."""

NO_DELAY_NS = 60_000_000_000
"""No network holds a message back for so long: it is the clock."""


def late(name: str, delay_ns: int, limit_ns: int) -> str:
    """Return the sentence on stamps that arrive later than allowed."""
    if delay_ns > EPOCH_NS:
        return _other_epoch(name, delay_ns)
    if delay_ns > NO_DELAY_NS:
        minutes = delay_ns // 60_000_000_000
        return (f'{name} stamps lie {minutes // 60} h {minutes % 60} min behind the host: a clock '
                'that was never set, or old data')
    return f'{name} late: {_told(delay_ns)} from stamp to arrival, {_told(limit_ns)} allowed'


def ahead(name: str, delay_ns: int) -> str:
    """Return the sentence on stamps from the future."""
    if delay_ns < -EPOCH_NS:
        return _other_epoch(name, delay_ns)
    return f'{name} stamps lie {_told(-delay_ns)} ahead of the host'


def rose(name: str, delay_ns: int) -> str:
    """Return the sentence on a delay that rose beyond its limit."""
    if delay_ns > EPOCH_NS:
        return _other_epoch(name, delay_ns)
    if delay_ns > NO_DELAY_NS:
        return late(name, delay_ns, 0)
    return f'{name} delay rose to {_told(delay_ns)}'


def fell(name: str, delay_ns: int, limit_ns: int) -> str:
    """Return the sentence on a delay that keeps to its limit again, and may still be falling."""
    return f'{name} delay is within its limit of {_told(limit_ns)} again: {_told(delay_ns)}'


def _told(delay_ns: int) -> str:
    if abs(delay_ns) < 10_000_000_000:
        return f'{delay_ns * 1e-6:.0f} ms'
    return f'{delay_ns * 1e-9:.1f} s'


def _other_epoch(name: str, delay_ns: int) -> str:
    where = 'behind' if delay_ns > 0 else 'ahead of'
    return (f'{name} stamps lie {abs(delay_ns) / EPOCH_NS:.0f} days {where} the host: they count '
            'from different epochs. Simulated time on one side only, or a clock never set?')


def corrected(name: str, wrong_s: float) -> str:
    """Return that a clock turned out not to have moved by as much as its steps said."""
    return (f'{name} clock is where it was before: its steps were '
            f'{abs(wrong_s) * 1e3:.1f} ms off')
