# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What a person told the running nodes, as the bag recorded it.

A hold by hand, a rebase and a changed threshold cannot be found from the sensors. They are
events, so a bag with `events` tells of them and its assessment acts on them as the nodes did.
"""

from __future__ import annotations

from math import isclose
from typing import Any

from robot_mapping_qa.bag.definitions import STORE
from robot_mapping_qa.capture.gate import BY_HAND, Gate
from robot_mapping_qa.configuration.model import Stream
from robot_mapping_qa.messages.topics import EVENTS
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.verdicts import Event
from rosbags.typesys import get_typestore

OPERATOR = Stream('operator/events', EVENTS.name, EVENTS.type, role='operator')
"""The recorded events as a stream of the bag; none of a file can have its name."""


class OperatorActs:
    """Does to gate and pose monitor what a person did to the live ones, by the recorded events."""

    def __init__(self, gate: Gate, pose: PoseMonitor) -> None:
        """Act on these."""
        self._gate = gate
        self._pose = pose
        self._typestore = get_typestore(STORE)
        self.unreadable = 0
        """Messages that could not be read: what they told is not known."""

    def take(self, log_ns: int, data: bytes) -> list[Event]:
        """
        Take a serialized message of `events`; return the events that follow now.

        A message that cannot be read is counted.
        """
        try:
            message: Any = self._typestore.deserialize_cdr(data, EVENTS.type)
        except Exception:
            # Damaged bytes raise whatever the place in the parser brings about.
            self.unreadable += 1
            return []
        return [event for status in message.status for event in self._act(status, log_ns)]

    def _act(self, status: Any, now_ns: int) -> tuple[Event, ...]:
        if status.name == 'manual_hold':
            why = status.message.partition(f'{BY_HAND}: ')[2]
            return self._gate.set_manual_hold(True, now_ns, why)
        if status.name == 'manual_release':
            return self._gate.set_manual_hold(False, now_ns)
        if status.name == 'rebased':
            return self._pose.rebase(now_ns)
        if status.name == 'parameter_changed':
            return self._change(status, now_ns)
        return ()

    def _change(self, status: Any, now_ns: int) -> tuple[Event, ...]:
        """Change a threshold, unless the bag is assessed by others than it was recorded with."""
        name = status.hardware_id
        try:
            values = {item.key: float(item.value) for item in status.values}
            old, new, now = values['from'], values['to'], self._gate.setting(name)
        except (AttributeError, KeyError, ValueError):
            return ()
        return (self._gate.change(name, new, now_ns),) if isclose(old, now) else ()
