# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Whether poses still come, and new ones."""

from __future__ import annotations

from robot_mapping_qa.verdicts import Condition, Severity


class Arrivals:
    """
    When messages of the stream ``name`` came, and what is wrong with that.

    ``silence_ns`` is how long messages, or usable new poses, may stay away. All ``*_ns``
    arguments are host time.
    """

    def __init__(self, name: str, silence_ns: int) -> None:
        self._name = name
        self._silence_ns = silence_ns
        self._start_ns: int | None = None
        self.restart()

    def restart(self) -> None:
        """Forget what came."""
        self.received_ns: int | None = None
        """When the newest message came, None before the first."""
        self.new_pose_ns: int | None = None
        """When the newest usable pose came, None before the first."""
        self.step_ns = self.step_before_ns = 0
        """When the newest poses that could be compared with one before came; 0 for never."""

    def add_step(self, now_ns: int) -> None:
        """Take note of a pose that could be compared with the one before."""
        self.step_before_ns, self.step_ns = self.step_ns, now_ns

    def tick(self, now_ns: int) -> None:
        """Let time pass: the waiting begins with the first."""
        if self._start_ns is None or now_ns < self._start_ns:
            self._start_ns = now_ns

    def set_back(self, by_ns: int) -> None:
        """Go on after host time was set back."""
        if self.received_ns is not None:
            self.received_ns -= by_ns
        if self.new_pose_ns is not None:
            self.new_pose_ns -= by_ns
        self.step_ns = max(0, self.step_ns - by_ns)
        self.step_before_ns = max(0, self.step_before_ns - by_ns)

    def age_s(self, now_ns: int) -> float | None:
        """Return the age of the newest usable pose, None before the first."""
        return None if self.new_pose_ns is None else max(0, now_ns - self.new_pose_ns) * 1e-9

    def conditions(self, now_ns: int) -> list[Condition]:
        """Return what is wrong with the coming of poses: at most one condition."""
        name, received_ns, new_pose_ns = self._name, self.received_ns, self.new_pose_ns
        if received_ns is None:
            return [Condition(f'{name}/not_seen', f'{name} not seen yet', Severity.HARD,
                              now_ns if self._start_ns is None else self._start_ns)]
        if now_ns - received_ns > self._silence_ns:
            return [Condition(f'{name}/silent',
                              f'{name} silent for {(now_ns - received_ns) * 1e-9:.1f} s',
                              Severity.HARD, received_ns, f'{name} silent')]
        if new_pose_ns is None:
            return [Condition(f'{name}/no_pose', f'{name} has given no usable pose yet',
                              Severity.HARD, received_ns)]
        stuck_ns = now_ns - new_pose_ns
        if stuck_ns > self._silence_ns:
            return [Condition(f'{name}/no_pose',
                              f'{name} has given no new pose for {stuck_ns * 1e-9:.1f} s',
                              Severity.HARD, new_pose_ns, f'{name} has given no new pose')]
        return []
