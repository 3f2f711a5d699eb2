# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Messages in a row whose delay is beyond a limit."""

from __future__ import annotations

IN_A_ROW = 2
"""So many messages in a row count: one may be an accident."""


class LimitWatch:
    """Counts messages in a row; ``since_ns`` is the receive time of the first of them."""

    __slots__ = ('count', 'since_ns')

    def __init__(self) -> None:
        """Start with none."""
        self.count = 0
        self.since_ns = 0

    @property
    def active(self) -> bool:
        """Whether the limit counts as exceeded."""
        return self.count >= IN_A_ROW

    def add(self, beyond: bool, receive_ns: int) -> bool:
        """Take the next message; True where that began or ended the excess."""
        if beyond:
            if not self.count:
                self.since_ns = receive_ns
            self.count += 1
            return self.count == IN_A_ROW
        was_active = self.active
        self.count = 0
        return was_active
