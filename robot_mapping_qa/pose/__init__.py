# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Pose quality: reported covariance, jumps, and what they cost on the structure."""
