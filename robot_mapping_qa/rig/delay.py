# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Delay from measurement to publication: a smallest delay, queueing, and bursts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least


@dataclass(frozen=True, slots=True)
class DelaySpec:
    """
    Distribution of a delay: least_s plus a gamma distributed queueing time.

    queue_mean_s and queue_shape give the gamma distribution (shape 1 is exponential); mean 0 is no
    queue. On average every burst_every_s (0: never) the way is blocked for burst_length_s, and
    what was held leaves together at its end.

    Raises ScenarioError for negative times, a shape that is not positive, or a burst that has only
    one of its two values.
    """

    least_s: float = 0.0
    queue_mean_s: float = 0.0
    queue_shape: float = 2.0
    burst_every_s: float = 0.0
    burst_length_s: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a delay that no cause can have."""
        for name in ('least_s', 'queue_mean_s', 'burst_every_s', 'burst_length_s'):
            at_least(name, getattr(self, name), 0.0)
        above('queue_shape', self.queue_shape, 0.0)
        if self.burst_every_s > 0.0:
            above('burst_length_s', self.burst_length_s, 0.0)
        if self.burst_length_s > 0.0:
            above('burst_every_s', self.burst_every_s, self.burst_length_s)


class Delay:
    """Draws the delays of one sensor's messages, asked for in order of measurement."""

    def __init__(self, spec: DelaySpec, rng: np.random.Generator) -> None:
        """Draw after spec from rng."""
        self.spec = spec
        self._rng = rng
        self._blocked_from_s = self._next_burst(0.0)

    def draw_s(self, time_s: float, least_s: float) -> float:
        """
        Return the delay of a message measured time_s after the start, seconds.

        least_s is the smallest delay at this time, which a fault may have raised.
        """
        spec = self.spec
        delay_s = least_s
        if spec.queue_mean_s > 0.0:
            delay_s += self._rng.standard_gamma(spec.queue_shape) \
                * (spec.queue_mean_s / spec.queue_shape)
        while time_s >= self._blocked_from_s + spec.burst_length_s:
            self._blocked_from_s = self._next_burst(self._blocked_from_s + spec.burst_length_s)
        if time_s >= self._blocked_from_s:
            delay_s += self._blocked_from_s + spec.burst_length_s - time_s
        return delay_s

    def _next_burst(self, after_s: float) -> float:
        if self.spec.burst_every_s == 0.0:
            return float('inf')
        # Free time between bursts is exponential: bursts are unrelated to each other.
        free_s = self.spec.burst_every_s - self.spec.burst_length_s
        return after_s + self._rng.exponential(free_s)
