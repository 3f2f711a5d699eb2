# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What is known of one stream's time, as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The stream's clock jumped forward by ``size_s``; the message of ``at_ns`` first shows it."""

    at_ns: int
    size_s: float


@dataclass(frozen=True, slots=True)
class Silence:
    """No message from ``from_ns`` (when one was due) to ``to_ns`` (when one came), host time."""

    from_ns: int
    to_ns: int


@dataclass(frozen=True, slots=True)
class StreamFigures:
    """
    Figures of one stream over the run so far; None is unknown.

    ``offset_s`` and ``skew_ppm`` are those of the newest time, stream's clock less host's clock.
    One-way data cannot tell a delay from an offset: ``offset_s`` is smaller than the true offset
    by the smallest delay seen. Latency is receive time less stamp, acquisition send time less
    stamp, transport receive time less send time, executor callback's start less receive time.
    ``jitter_s`` is that of RFC 3550, ``delay_variation_*`` the sizes of RFC 3393 ipdv.
    """

    topic: str
    messages: int
    rate_hz: float | None
    period_s: float | None
    offset_s: float | None
    offset_sigma_s: float | None
    skew_ppm: float | None
    skew_sigma_ppm: float | None
    latency_p50_s: float | None
    latency_p95_s: float | None
    latency_p99_s: float | None
    acquisition_p50_s: float | None
    acquisition_p95_s: float | None
    acquisition_p99_s: float | None
    transport_p50_s: float | None
    transport_p95_s: float | None
    transport_p99_s: float | None
    executor_p50_s: float | None
    executor_p95_s: float | None
    executor_p99_s: float | None
    jitter_s: float | None
    delay_variation_p50_s: float | None
    delay_variation_p95_s: float | None
    lost: int
    gaps: int
    duplicated: int
    reordered: int
    largest_reordering_extent: int
    backwards: int
    malformed: int
    unstamped: int
    clock_steps: tuple[ClockStep, ...]
    silences: tuple[Silence, ...]
