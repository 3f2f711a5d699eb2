# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Exit statuses that the commands and nodes have in common."""

BAD_INPUT = 2
"""The user's input was refused."""

INTERRUPTED = 130
"""A command was ended by Ctrl-C, as shells have it: 128 and the number of the signal."""
