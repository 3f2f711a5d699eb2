# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How much the delay varies from message to message: RFC 3550 jitter and RFC 3393 variation."""

from __future__ import annotations

from robot_mapping_qa.timing.quantiles import DelayHistogram


class DelayVariation:
    """
    Delay variation of one stream, in order of arrival.

    ``jitter_s`` is the interarrival jitter of RFC 3550 section 6.4.1,
    J(i) = J(i-1) + (|D(i-1, i)| - J(i-1)) / 16, where D is the difference of the delays of two
    messages that follow each other. D itself is the one-way ipdv of RFC 3393 with consecutive
    messages selected; quantiles of |D| come from `quantiles`. A constant clock offset cancels.
    """

    __slots__ = ('jitter_s', '_previous_ns', '_sizes')

    def __init__(self) -> None:
        """Start empty."""
        self.jitter_s: float | None = None
        self._previous_ns: int | None = None
        self._sizes = DelayHistogram()

    def restart(self) -> None:
        """Do not compare the next message with the last: their clocks differ."""
        self._previous_ns = None

    def add(self, delay_ns: int) -> None:
        """Take the next message's receive time less its stamp."""
        previous_ns = self._previous_ns
        self._previous_ns = delay_ns
        if previous_ns is None:
            return
        size_s = abs(delay_ns - previous_ns) * 1e-9
        self._sizes.add(size_s)
        jitter_s = self.jitter_s or 0.0
        self.jitter_s = jitter_s + (size_s - jitter_s) / 16.0

    def quantiles(self, *shares: float) -> tuple[float | None, ...]:
        """Return quantiles of |D|, seconds; None for each before the second message."""
        return self._sizes.quantiles(*shares)
