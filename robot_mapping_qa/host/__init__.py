# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the host itself knows: its clock's state and the unit's time server, asked over I/O."""
