# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Where the time from a stamp to the program goes."""

from __future__ import annotations

from robot_mapping_qa.timing.quantiles import DelayHistogram

SHARES = (0.50, 0.95, 0.99)


class DelayParts:
    """
    Quantiles of the delays of one stream over the whole run.

    Latency is receive time less stamp, of which acquisition is send time less stamp and
    transport receive time less send time; executor is callback's start less receive time. The
    first two compare two clocks and contain their offset.
    """

    __slots__ = ('_latency', '_acquisition', '_transport', '_executor')

    def __init__(self) -> None:
        """Start empty."""
        self._latency = DelayHistogram()
        self._acquisition = DelayHistogram()
        self._transport = DelayHistogram()
        self._executor = DelayHistogram()

    def add(self, stamp_ns: int, receive_ns: int, source_ns: int | None,
            callback_ns: int | None) -> None:
        """Take one message's times; None for a time that is not known."""
        self._latency.add((receive_ns - stamp_ns) * 1e-9)
        if source_ns is not None:
            self._acquisition.add((source_ns - stamp_ns) * 1e-9)
            self._transport.add((receive_ns - source_ns) * 1e-9)
        if callback_ns is not None:
            self._executor.add((callback_ns - receive_ns) * 1e-9)

    def figures(self) -> dict[str, float | None]:
        """Return the fields of `StreamFigures` that are quantiles of a delay."""
        parts = {'latency': self._latency, 'acquisition': self._acquisition,
                 'transport': self._transport, 'executor': self._executor}
        return {f'{name}_p{round(100 * share)}_s': value for name, histogram in parts.items()
                for share, value in zip(SHARES, histogram.quantiles(*SHARES))}
