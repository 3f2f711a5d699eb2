# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What there is to send, for any number of viewers of any speed, in bounded memory.

There are no queues. The feed keeps the newest text under each key, and a viewer keeps only which
version of each it was sent: one that is slow skips what it missed.
"""

from __future__ import annotations

import asyncio
import json
from typing import Any, Mapping


def event_text(kind: str, content: Any) -> bytes:
    """Return one server-sent event (WHATWG HTML, section 9.2.6) with JSON as its data."""
    return f'event: {kind}\ndata: {json.dumps(content, allow_nan=False)}\n\n'.encode()


class Feed:
    """The newest event under each key; used by the thread of the event loop alone."""

    def __init__(self) -> None:
        """Begin with nothing to send."""
        self.newest: dict[str, tuple[int, bytes]] = {}
        """Version and text by key."""
        self.closed = False
        self.change = asyncio.Event()
        """Set at the next `put` or `close`; take it before `Viewer.news`, or one is missed."""
        self._versions = 0

    def put(self, events: Mapping[str, bytes]) -> None:
        """Take the newest texts."""
        for key, text in events.items():
            self._versions += 1
            self.newest[key] = (self._versions, text)
        self._wake()

    def close(self) -> None:
        """Let every viewer end."""
        self.closed = True
        self._wake()

    def _wake(self) -> None:
        change, self.change = self.change, asyncio.Event()
        change.set()


class Viewer:
    """What one viewer has been sent."""

    def __init__(self, feed: Feed) -> None:
        """Begin with nothing."""
        self._feed = feed
        self._sent: dict[str, int] = {}

    def news(self) -> bytes:
        """Return everything that is newer than what the viewer has."""
        newest = self._feed.newest
        fresh = [key for key, (version, _) in newest.items() if self._sent.get(key) != version]
        self._sent = {key: version for key, (version, _) in newest.items()}
        return b''.join(newest[key][1] for key in fresh)
