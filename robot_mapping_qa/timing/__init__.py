# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Time: one stream's stamps and delays, its clock against the host's, and streams together."""
