# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The page for a tablet on the robot's network: what it shows, who may see it, how it is sent."""
