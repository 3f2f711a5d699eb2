# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
One cause, one reason: which conditions follow from which.

A unit that dies is silent, gives no pose, has to settle again and leaves the error on the
structure unknown. A person wants to read that it is silent, and the rest below it (alarm flood,
IEC 62682). What follows from what is fixed here by the kinds of the conditions' keys.
"""

from __future__ import annotations

from typing import Callable, Iterable, Mapping

MONITORS: Mapping[str, str] = {'timing': 'sync_monitor', 'pose': 'pose_monitor'}
"""Verdict sources that the gate always needs, each with the node that gives them."""
CAMERAS: Mapping[str, str] = {'camera': 'camera_monitor'}
"""The source that it also needs where the configuration has the cameras checked."""
RECORDER: Mapping[str, str] = {'recording': 'quality_log'}
"""The source that it also needs where pictures that are not recorded are worthless."""

_START_AGAIN = frozenset(('not_seen', 'settling', 'no_pose'))
_LEADS_TO: Mapping[str, frozenset[str]] = {
    'silent': _START_AGAIN | {
        'late', 'ahead', 'clock_moved', 'no_picture', 'no_distance'},
    'malformed': frozenset(('no_pose', 'settling')),
    'unstamped': frozenset(('no_pose', 'settling')),
    'pose_invalid': frozenset(('no_pose',)),
    'not_seen': frozenset(('no_pose', 'settling', 'no_picture', 'no_distance')),
    'clock_moved': frozenset(('late', 'ahead')),
    'frame': frozenset(('jump', 'speed', 'turn_rate')),
    'jump': frozenset(('speed', 'turn_rate', 'unaided', 'sweep')),
}
"""Kind of a cause, and the kinds that it brings about for the same stream."""

_WITHOUT_POSE = frozenset(('silent', 'not_seen', 'no_pose', 'malformed', 'pose_invalid'))
"""What may happen to the unit so that the error on the structure grows or is not known."""


def follows_from(key: str, cause: str, unit: str) -> bool:
    """
    Return whether a condition with ``key`` is a direct consequence of one with the key ``cause``.

    ``unit`` is the name of the pose stream.
    """
    subject, _, kind = key.partition('/')
    cause_subject, _, cause_kind = cause.partition('/')
    if cause_subject in (RECORDER['recording'], CAMERAS['camera']):
        return False
    if cause_kind in ('no_verdict', 'second_monitor'):
        # A monitor that was started again has to see its streams anew.
        of_pose = cause_subject == MONITORS['pose']
        return (kind in _START_AGAIN and (not of_pose or subject == unit)) or (
            of_pose and subject == 'point_error')
    if subject == cause_subject:
        return kind in _LEADS_TO.get(cause_kind, ())
    return subject == 'point_error' and cause_subject == unit and cause_kind in _WITHOUT_POSE


def by_cause(keys: Iterable[str], unit: str,
             outlasts: Callable[[str, str], bool] = lambda key, cause: False
             ) -> dict[str, list[str]]:
    """
    Return each cause among the keys with its consequences, all in the order given.

    ``outlasts`` says whether a condition went on after a cause in such a way that it has another.
    """
    keys = list(keys)
    causes: dict[str, list[str]] = {}
    parents = {key: next((other for other in keys if follows_from(key, other, unit)
                          and not outlasts(key, other)), None)
               for key in keys}
    for key in keys:
        if parents[key] is None:
            causes[key] = []
    for key in keys:
        root = key
        while (parent := parents[root]) is not None:
            root = parent
        if root != key:
            causes[root].append(key)
    return causes
