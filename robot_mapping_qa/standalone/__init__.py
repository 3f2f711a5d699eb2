# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a machine without a ROS installation needs to run the demo and the tests."""
