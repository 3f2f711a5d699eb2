# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Ticks fall on the same instants live and offline."""

from statistics import median
import time

import pytest
from robot_mapping_qa.rates import after_tick_ns, first_tick_ns, TICK_NS

MS = 1_000_000
DOMAIN = 116


def test_first_tick_is_the_next_multiple_of_the_period():
    assert first_tick_ns(0) == 0
    assert first_tick_ns(1) == TICK_NS
    assert first_tick_ns(TICK_NS) == TICK_NS
    start_ns = 1_700_000_000_123_456_789
    assert 0 <= first_tick_ns(start_ns) - start_ns < TICK_NS
    assert first_tick_ns(start_ns) % TICK_NS == 0


def test_deviation_is_told_from_the_nearest_tick():
    assert after_tick_ns(7 * TICK_NS) == 0
    assert after_tick_ns(7 * TICK_NS + 3 * MS) == 3 * MS
    assert after_tick_ns(7 * TICK_NS - 3 * MS) == -3 * MS


@pytest.mark.parametrize('phase_ns', [0, 10 * MS])
def test_timer_of_a_node_finds_the_ticks_whenever_it_was_started(phase_ns):
    rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')
    from rclpy.executors import SingleThreadedExecutor
    from robot_mapping_qa.nodes.ticks import on_every_tick

    context = rclpy.Context()
    rclpy.init(context=context, domain_id=DOMAIN)
    executor = SingleThreadedExecutor(context=context)
    node = rclpy.create_node('ticking', context=context)
    executor.add_node(node)
    called_ns = []
    try:
        # Half a period off the ticks: the worst that can be.
        time.sleep((first_tick_ns(time.time_ns()) - time.time_ns() + TICK_NS // 2) * 1e-9)
        on_every_tick(node, time.time_ns, lambda: called_ns.append(time.time_ns()), phase_ns)
        until = time.monotonic() + 2.5
        while time.monotonic() < until:
            executor.spin_once(timeout_sec=0.1)
    finally:
        executor.shutdown(timeout_sec=1.0)
        node.destroy_node()
        rclpy.shutdown(context=context)

    late_ns = [after_tick_ns(at_ns - phase_ns) for at_ns in called_ns]
    assert len(called_ns) > 40
    assert abs(late_ns[0]) > 15 * MS
    # The median: single ticks of a busy computer come late.
    assert abs(median(late_ns[-20:])) < 5 * MS
