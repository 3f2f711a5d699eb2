# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Whether poses still come, and new ones."""

from __future__ import annotations

from robot_mapping_qa.verdicts import Condition, Severity


def silence_conditions(name: str, now_ns: int, start_ns: int | None, received_ns: int | None,
                       new_pose_ns: int | None, silence_ns: int) -> list[Condition]:
    """
    Return what is wrong with the coming of poses: at most one condition.

    ``start_ns`` is when the waiting began, ``received_ns`` when the newest message came and
    ``new_pose_ns`` the newest usable pose, None each before the first; ``silence_ns`` is how long
    either may stay away. All in host time.
    """
    if received_ns is None:
        return [Condition(f'{name}/not_seen', f'{name} not seen yet', Severity.HARD,
                          now_ns if start_ns is None else start_ns)]
    if now_ns - received_ns > silence_ns:
        return [Condition(f'{name}/silent',
                          f'{name} silent for {(now_ns - received_ns) * 1e-9:.1f} s',
                          Severity.HARD, received_ns, f'{name} silent')]
    if new_pose_ns is None:
        return [Condition(f'{name}/no_pose', f'{name} has given no usable pose yet',
                          Severity.HARD, received_ns)]
    stuck_ns = now_ns - new_pose_ns
    if stuck_ns > silence_ns:
        return [Condition(f'{name}/no_pose',
                          f'{name} has given no new pose for {stuck_ns * 1e-9:.1f} s',
                          Severity.HARD, new_pose_ns, f'{name} has given no new pose')]
    return []
