# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a person with a terminal sees of the gate: a subscriber outside the gate's process."""

from __future__ import annotations

import time
from typing import Callable

from diagnostic_msgs.msg import DiagnosticStatus
from rclpy.context import Context
from rclpy.node import Node
from robot_mapping_qa.demo.judging import GateHold
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED, GATE
from robot_mapping_qa.nodes.qos import GATE_QOS, LATCHED_QOS
from std_msgs.msg import Bool

_REASON = 'reason/'


class GateWatcher(Node):
    """Keeps every hold that it sees, by the time at which the message reached this process."""

    def __init__(self, context: Context | None = None,
                 told: Callable[[int, bool, str], None] | None = None,
                 namespace: str = '') -> None:
        """``told(time_ns, allowed, text)`` is called whenever the robot's gate changes."""
        super().__init__('gate_watcher', context=context, namespace=namespace)
        self.holds: list[GateHold] = []
        self.allowed: bool | None = None
        self.status_text = ''
        self._told = told
        self.create_subscription(Bool, CAPTURE_ALLOWED.name, self._take_allowed, GATE_QOS)
        self.create_subscription(DiagnosticStatus, GATE.name, self._take_status, LATCHED_QOS)

    def present(self) -> set[str]:
        """Return the names of the nodes that are there; the gate is once it has spoken."""
        names = set(self.get_node_names())
        return names if self.allowed is not None else names - {'capture_gate'}

    def _take_allowed(self, message: Bool) -> None:
        now_ns = time.time_ns()
        if message.data == self.allowed:
            return
        self.allowed = message.data
        if message.data:
            if self.holds:
                self.holds[-1].opened_ns = now_ns
            if self._told:
                self._told(now_ns, True, 'open')
        else:
            self.holds.append(GateHold(now_ns, None, {}))

    def _take_status(self, status: DiagnosticStatus) -> None:
        self.status_text = status.message
        values = {item.key: item.value for item in status.values}
        if values.get('state') != 'held' or not self.holds or self.holds[-1].opened_ns:
            return
        reasons = self.holds[-1].reasons
        known = bool(reasons)
        reasons.update({key[len(_REASON):]: text for key, text in values.items()
                        if key.startswith(_REASON)})
        if self._told and reasons and not known:
            self._told(self.holds[-1].closed_ns, False, '; '.join(reasons.values()))
