# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How often things are looked at, live and offline alike."""

TICK_HZ = 20.0
"""How often the monitors and the gate look at the time."""

TICK_NS = round(1e9 / TICK_HZ)
"""Ticks fall on the whole multiples of this, by host time, in every process."""

VERDICT_TICKS = 2
"""A monitor repeats an unchanged verdict every so many ticks; a changed one it sends at once."""


def is_due(now_ns: int, last_ns: int, period_ns: int) -> bool:
    """Return whether a period has passed since the last time, or time was set as far back."""
    return abs(now_ns - last_ns) >= period_ns


def first_tick_ns(from_ns: int) -> int:
    """Return the first tick at ``from_ns`` or later."""
    return -(-from_ns // TICK_NS) * TICK_NS


def after_tick_ns(now_ns: int) -> int:
    """Return how long after the nearest tick ``now_ns`` is, negative for before."""
    return (now_ns + TICK_NS // 2) % TICK_NS - TICK_NS // 2
