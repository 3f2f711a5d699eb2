# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""When time that goes back, or leaps forward, is a new start."""

RESTART_NS = 1_000_000_000
"""
Going back further than this is a new start, less is a message out of order.

A new start is a bag played again, or simulated time that was reset.
"""

LEAP_NS = 600_000_000_000
"""
Going forward further than this while nobody looked is a leap of the host's time.

A smaller one is measured. Over a larger one no rate of a clock is known well enough.
"""
