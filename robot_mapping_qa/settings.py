# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds as dataclass fields that carry their range and their reason."""

from __future__ import annotations

from dataclasses import Field, field, fields
from typing import Any, Iterator


def setting(default: float, low: float, high: float, text: str) -> Any:
    """
    Return a dataclass field for a threshold.

    ``low`` and ``high`` are the smallest and largest accepted value, in the unit that ends the
    field's name; ``text`` says what the threshold does and why its default is what it is. The
    configuration, the parameter descriptors and the documentation all read these.
    """
    if not low <= default <= high:
        raise ValueError(f'default {default} is not between {low} and {high}')
    return field(default=default, metadata={'low': low, 'high': high, 'text': text})


def settings_of(group: type) -> Iterator[Field]:
    """Yield the fields of a dataclass that were made by `setting`."""
    return (item for item in fields(group) if 'text' in item.metadata)
