# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The whole loop in one command: rig, monitors, gate, bag and report."""
