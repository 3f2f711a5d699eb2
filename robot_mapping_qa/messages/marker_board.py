# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Which of many markers to send now, so that no message is long and no viewer is left behind."""

from __future__ import annotations

from typing import Hashable, Mapping, NamedTuple

Key = tuple[str, int]
"""Namespace and number of a marker, by which a viewer knows it."""


class Turn(NamedTuple):
    """The markers to send now and those to take away."""

    send: tuple[Key, ...]
    delete: tuple[Key, ...]


class MarkerBoard:
    """
    Remembers which version of each marker was sent.

    A viewer keeps what it was sent, so only news need be sent to it; what has not changed is
    sent again in turn, for viewers that came late.
    """

    def __init__(self) -> None:
        """Begin with nothing sent."""
        self._sent: dict[Key, Hashable] = {}

    def turn(self, versions: Mapping[Key, Hashable], most: int) -> Turn:
        """
        Return what to send: at most ``most`` markers, those that changed first.

        ``versions`` has all markers there are, each with something that differs when the marker
        does. Markers that are gone are taken away when all others are up to date: what replaces
        them is there before.
        """
        changed = [key for key, version in versions.items() if self._sent.get(key) != version]
        send = changed[:most]
        # The order of the dict is that of sending: the longest unsent come first.
        again = [key for key in self._sent if key in versions and key not in send]
        send += again[:most - len(send)]
        for key in send:
            self._sent.pop(key, None)
            self._sent[key] = versions[key]
        gone: list[Key] = []
        if len(changed) <= most:
            gone = [key for key in self._sent if key not in versions]
            for key in gone:
                del self._sent[key]
        return Turn(tuple(send), tuple(gone))
