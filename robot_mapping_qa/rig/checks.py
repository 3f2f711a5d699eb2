# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Checks of the values that a scenario is made of."""

from __future__ import annotations


class ScenarioError(ValueError):
    """A scenario cannot be run as written; the message says which value and why."""


def above(name: str, value: float, floor: float) -> None:
    """Refuse a value that is not greater than floor."""
    if not value > floor:
        raise ScenarioError(f'{name}: found {value!r}, expected a number above {floor:g}')


def at_least(name: str, value: float, floor: float) -> None:
    """Refuse a value below floor."""
    if not value >= floor:
        raise ScenarioError(f'{name}: found {value!r}, expected {floor:g} or more')


def between(name: str, value: float, low: float, high: float) -> None:
    """Refuse a value outside low to high, both included."""
    if not low <= value <= high:
        raise ScenarioError(f'{name}: found {value!r}, expected {low:g} to {high:g}')


def topic_name(name: str, value: str) -> None:
    """Refuse a name that is not a fully qualified topic."""
    parts = value.split('/')
    if parts[0] or len(parts) < 2 or not all(
            part.isidentifier() and part.isascii() for part in parts[1:]):
        raise ScenarioError(
            f'{name}: found {value!r}, expected a full topic name such as /unit/odometry')
