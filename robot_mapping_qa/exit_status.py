# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Exit statuses and the last words that the commands and nodes have in common."""

from __future__ import annotations

from pathlib import Path

BAD_INPUT = 2
"""The user's input was refused."""

INTERRUPTED = 130
"""A command was ended by Ctrl-C, as shells have it: 128 and the number of the signal."""


def system_error_text(error: OSError, path: str | Path) -> str:
    """Return a line on an error of the system, about ``path`` where it names no file itself."""
    # An error of the system names its file apart from what is wrong, one of ours does not.
    return f'{error.filename or path}: {error.strerror}' if error.strerror else str(error)
