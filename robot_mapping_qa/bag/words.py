# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Words that the offline tool and its report share."""

from __future__ import annotations

from typing import Sequence


def how_often(count: int) -> str:
    """Return a count of times in words."""
    return 'once' if count == 1 else f'{count} times'


def without_pictures(cameras: Sequence[str]) -> str:
    """Return the end of a sentence that names the cameras of which no picture was judged."""
    return f'; no pictures of {" and ".join(cameras)} were judged' if cameras else ''
