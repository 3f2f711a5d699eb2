# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Capture: the gate's state machine and the ledger of captures."""
