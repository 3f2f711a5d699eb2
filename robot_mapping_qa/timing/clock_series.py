# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The offset of a clock over a whole run, in bounded memory."""

from __future__ import annotations

import numpy as np

FIRST_BLOCK_NS = 500_000_000
MOST_BLOCKS = 8192
"""Over an hour at half a second; a longer run gets longer blocks, pauses included."""


class ClockSeries:
    """
    One offset per block of equal length: less the smallest delay of its messages.

    ``block_ns`` is the present length of a block; it doubles whenever there are too many between
    the first and the last.
    """

    def __init__(self) -> None:
        """Start empty."""
        self.restart()

    def restart(self) -> None:
        """Forget everything: the host's time is another."""
        self.block_ns = FIRST_BLOCK_NS
        self._blocks: list[int] = []
        self._least_ns: list[int] = []

    def __len__(self) -> int:
        """Return the number of blocks with a message."""
        return len(self._blocks)

    def add(self, receive_ns: int, delay_ns: int) -> None:
        """Take one message's receive time and receive time less stamp."""
        block = receive_ns // self.block_ns
        blocks = self._blocks
        if blocks and block <= blocks[-1]:
            if block == blocks[-1] and delay_ns < self._least_ns[-1]:
                self._least_ns[-1] = delay_ns
            return
        blocks.append(block)
        self._least_ns.append(delay_ns)
        while self._blocks[-1] - self._blocks[0] >= MOST_BLOCKS:
            self._halve()

    def arrays(self) -> tuple[np.ndarray, np.ndarray]:
        """
        Return the middles of the blocks (n,), host time in ns, and the offsets (n,) in seconds.

        Blocks without a message are missing. Offsets are stream's clock less host's clock, less
        the smallest delay, steps and all.
        """
        middles = np.array(self._blocks, dtype=np.int64) * self.block_ns + self.block_ns // 2
        return middles, np.array([-1e-9 * least for least in self._least_ns])

    def _halve(self) -> None:
        self.block_ns *= 2
        blocks: list[int] = []
        least: list[int] = []
        for block, value in zip(self._blocks, self._least_ns):
            if blocks and blocks[-1] == block // 2:
                least[-1] = min(least[-1], value)
            else:
                blocks.append(block // 2)
                least.append(value)
        self._blocks, self._least_ns = blocks, least
