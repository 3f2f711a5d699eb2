# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Space on the disk that is kept back for the end of a recording."""

from __future__ import annotations

import errno
import os
from pathlib import Path
import tempfile

RESERVE_BYTES = 16 * 1024 * 1024
"""Room for the chunk that met a full disk, with a picture of several MB in it, and the index."""

FULL = (errno.ENOSPC, errno.EDQUOT)
"""Errors of a disk, or of a user's share of it, that is full."""


class SpaceReserve:
    """
    Space that others cannot take.

    It is a file without a name, so that it goes with the process however that ends.
    """

    def __init__(self, folder: Path) -> None:
        """Take the space on the disk that holds ``folder``; OSError where it is not there."""
        self._file = tempfile.TemporaryFile(dir=folder)
        try:
            os.posix_fallocate(self._file.fileno(), 0, RESERVE_BYTES)
        except OSError:
            self._file.close()
            raise

    @property
    def released(self) -> bool:
        """Whether the space was given back."""
        return self._file.closed

    def release(self) -> None:
        """Give the space back to the disk."""
        self._file.close()
