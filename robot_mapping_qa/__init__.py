# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Clock, pose and capture checks for a robot that carries a bought mapping unit."""

__version__ = '0.1.0'
