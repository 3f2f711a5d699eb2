# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Where the time from a stamp to the program goes."""

from __future__ import annotations

from robot_mapping_qa.timing.quantiles import DelayHistogram

SHARES = (0.50, 0.95, 0.99)
EPOCH_S = 86400.0
"""More than a day is no delay: the two clocks count from different epochs."""


class DelayParts:
    """
    Quantiles of the delays of one stream over the whole run.

    Latency is receive time less stamp, of which acquisition is send time less stamp and
    transport receive time less send time; executor is callback's start less receive time. The
    first two compare two clocks and contain their offset.
    """

    __slots__ = ('latency', '_acquisition', '_transport', '_executor')

    def __init__(self) -> None:
        """Start empty."""
        self.latency = DelayHistogram()
        """Receive times less stamps."""
        self._acquisition = DelayHistogram()
        self._transport = DelayHistogram()
        self._executor = DelayHistogram()

    def add(self, stamp_ns: int, receive_ns: int, source_ns: int | None,
            callback_ns: int | None) -> None:
        """Take one message's times; None for a time that is not known."""
        self.latency.add((receive_ns - stamp_ns) * 1e-9)
        if source_ns is not None:
            self._acquisition.add((source_ns - stamp_ns) * 1e-9)
            self._transport.add((receive_ns - source_ns) * 1e-9)
        if callback_ns is not None:
            self._executor.add((callback_ns - receive_ns) * 1e-9)

    def figures(self) -> dict[str, float | None]:
        """
        Return the fields of `StreamFigures` that are quantiles of a delay.

        All of a delay are None where one lies beyond `EPOCH_S`: it is not known then.
        """
        parts = {'latency': self.latency, 'acquisition': self._acquisition,
                 'transport': self._transport, 'executor': self._executor}
        figures: dict[str, float | None] = {}
        for name, histogram in parts.items():
            values = histogram.quantiles(*SHARES)
            known = all(value is not None and abs(value) < EPOCH_S for value in values)
            for share, value in zip(SHARES, values):
                figures[f'{name}_p{round(100 * share)}_s'] = value if known else None
        return figures
