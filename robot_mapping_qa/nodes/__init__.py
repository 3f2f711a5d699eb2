# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thin rclpy nodes: parameters, subscriptions, timers and publishers."""
