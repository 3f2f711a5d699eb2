# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""When time that goes back is a new start."""

RESTART_NS = 1_000_000_000
"""
Going back further than this is a new start, less is a message out of order.

A new start is a bag played again, or simulated time that was reset.
"""
