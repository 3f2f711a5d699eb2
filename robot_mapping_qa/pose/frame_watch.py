# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Whether poses are still given in the frames that they began in."""

from __future__ import annotations

from robot_mapping_qa.verdicts import Condition, Event, Severity


class FrameWatch:
    """Follows frame and child frame of the pose stream ``name``."""

    def __init__(self, name: str) -> None:
        self._name = name
        self.restart()

    def restart(self) -> None:
        """Forget the frames: those of the next pose are the right ones."""
        self._expected: tuple[str, str] | None = None
        self._present: tuple[str, str] | None = None
        self._changed_ns = 0

    def add(self, frames: tuple[str, str], now_ns: int) -> Event | None:
        """Take the frames of a pose; return an event where they are not those of the last one."""
        before, self._present = self._present, frames
        if self._expected is None:
            self._expected = frames
        if before is None or frames == before:
            return None
        self._changed_ns = now_ns
        return Event('frame_changed', self._name, now_ns, now_ns,
                     f'{self._name} changed its frames from {_shown(before)} to {_shown(frames)}')

    def set_back(self, by_ns: int) -> None:
        """Go on after host time was set back."""
        self._changed_ns -= by_ns

    def accept(self) -> None:
        """Take the present frames as the right ones."""
        self._expected = self._present

    def conditions(self) -> list[Condition]:
        """Return the condition that the frames are not the right ones."""
        if self._present is None or self._expected is None or self._present == self._expected:
            return []
        return [Condition(
            f'{self._name}/frame',
            f'{self._name} is given in {_shown(self._present)}, not {_shown(self._expected)} as '
            'before: rebase if that is meant', Severity.HARD, self._changed_ns)]


def _shown(frames: tuple[str, str]) -> str:
    return '{} -> {}'.format(*frames)
