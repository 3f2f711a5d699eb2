# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Timers that fall on the same instants in every process, and in a replay of the bag."""

from __future__ import annotations

from typing import Callable

from rclpy.node import Node
from robot_mapping_qa.rates import after_tick_ns, TICK_NS

GAIN = 0.25
"""
Share of a timer's deviation that is taken back at each tick.

rcl has fixed the next call already when a callback runs, so a correction shows one tick late:
with a quarter the deviation dies out fastest without swinging (double root at one half).
"""


def on_every_tick(node: Node, now_ns: Callable[[], int], callback: Callable[[], object],
                  phase_ns: int = 0) -> None:
    """
    Call ``callback`` at each whole multiple of the tick period, plus ``phase_ns``, of ``now_ns``.

    A condition that ends by the lapse of time is seen to end at a tick. Were each process to
    tick at instants of its own, a live run and the assessment of its bag would differ by up to
    two periods. The timer runs by a clock of its own, such as one that nobody sets: where
    ``now_ns`` jumps, the ticks find its multiples again.
    """
    def tick() -> None:
        late_ns = after_tick_ns(now_ns() - phase_ns)
        timer.timer_period_ns = TICK_NS - round(GAIN * late_ns)
        callback()
    timer = node.create_timer(TICK_NS * 1e-9, tick)
