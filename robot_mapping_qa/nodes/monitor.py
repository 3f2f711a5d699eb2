# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Both monitors and the gate in one process, for small computers.

They are the same nodes with the same names, topics and parameters. What is given up is that
one of them can die alone: where one does, all end, and no word from the gate means held.
"""

from __future__ import annotations

import sys

from robot_mapping_qa.nodes.capture_gate import CaptureGate
from robot_mapping_qa.nodes.pose_monitor import PoseMonitor
from robot_mapping_qa.nodes.running import run_nodes
from robot_mapping_qa.nodes.sync_monitor import SyncMonitor


def main() -> int:
    """Run the nodes; the exit status is 2 where their parameters were refused."""
    # The gate comes last, and so is the first to be closed: its leave is withdrawn at once.
    return run_nodes((SyncMonitor, PoseMonitor, CaptureGate))


if __name__ == '__main__':
    sys.exit(main())
