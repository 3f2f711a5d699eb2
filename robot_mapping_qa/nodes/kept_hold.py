# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A hold by hand outlives the gate: only a person lets it go, not a crash and a fresh start."""

from __future__ import annotations

import os
from pathlib import Path


class KeptHold:
    """
    A small file that is there while the gate is held by hand, with the reason in it.

    It lies in ROS 2's own folder (``ROS_HOME``, else ``~/.ros``), one for each gate of each DDS
    domain.
    """

    def __init__(self, full_name: str) -> None:
        """Name the file after the gate's full name; nothing is read or written yet."""
        home = Path(os.environ.get('ROS_HOME') or '~/.ros').expanduser()
        domain = os.environ.get('ROS_DOMAIN_ID') or '0'
        self.path = home / 'robot_mapping_qa' / (
            f'held_by_hand_{domain}{full_name.replace("/", ".")}')

    def read(self) -> str | None:
        """Return the reason of a hold that was not let go, None where there is none."""
        try:
            return self.path.read_text(encoding='utf-8')
        except FileNotFoundError:
            return None

    def keep(self, why: str) -> None:
        """Write the reason down; raises OSError."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        part = self.path.with_name(self.path.name + '.part')
        part.write_text(why, encoding='utf-8')
        os.replace(part, self.path)

    def drop(self) -> None:
        """Forget the hold; raises OSError."""
        self.path.unlink(missing_ok=True)
