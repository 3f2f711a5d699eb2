# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Holds and other events as metadata records of an MCAP file, where any reader lists them."""

from __future__ import annotations

from typing import Any, Iterator

from robot_mapping_qa.messages.topics import NAMESPACE

HOLD_NOTE = f'{NAMESPACE}/hold'
EVENT_NOTE = f'{NAMESPACE}/event'
"""Names of the records; their values are those of the entry on `events`, as text."""


def event_notes(message: Any) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield name and values of a record for each entry of a message on `events`."""
    for status in message.status:
        yield HOLD_NOTE if status.name == 'hold' else EVENT_NOTE, {
            'kind': status.name, 'subject': status.hardware_id, 'text': status.message,
            **{item.key: item.value for item in status.values}}
