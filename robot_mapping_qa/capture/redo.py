# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Places to visit again: captures not trusted, and no later trusted one made up for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterable, Sequence

import numpy as np
from robot_mapping_qa.capture.ledger import (
    Capture, covering, KnownHold, picture_time_ns, TRUSTED)
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.pose.quaternion import Vector
from scipy.spatial import cKDTree

_LIMITS = GateLimits()
_STANDSTILL_M = 0.005


@dataclass(frozen=True, slots=True)
class RedoPlace:
    """
    A stretch of the path to visit again.

    ``position_m`` is that of its middle capture, None where no pose is known; ``captures`` counts
    the captures to take again; ``reasons`` tells without repetition why.
    """

    position_m: Vector | None
    path_from_m: float
    path_to_m: float
    captures: int
    reasons: tuple[str, ...]


def redo_places(captures: Sequence[Capture], same_place_m: float = _LIMITS.redo_distance_m,
                same_view_rad: float = _LIMITS.redo_angle_rad,
                merge_m: float = _LIMITS.redo_merge_m,
                holds: Sequence[KnownHold] = ()) -> list[RedoPlace]:
    """
    Return the places to visit again, in the order of the path.

    ``captures`` are those of all streams in the order of receipt. A capture that is not trusted
    counts as made up for if a later trusted one of the same stream was taken within
    ``same_place_m`` and ``same_view_rad`` of it. What remains is gathered into runs of captures
    without a trusted one between them, and runs less than ``merge_m`` of path apart are merged.
    The reasons are those of the ``holds`` in which the captures lie, else their own.
    """
    runs: list[list[Capture]] = []
    for stream in dict.fromkeys(capture.stream for capture in captures):
        own = [capture for capture in captures if capture.stream == stream]
        runs += _runs(own, _made_up_for(own, same_place_m, same_view_rad))
    runs.sort(key=lambda run: run[0].path_m)
    places: list[list[Capture]] = []
    reached_m = 0.0
    for run in runs:
        if places and run[0].path_m - reached_m < merge_m:
            places[-1] += run
        else:
            places.append(run)
            reached_m = run[-1].path_m
        reached_m = max(reached_m, run[-1].path_m)
    return [_place(sorted(place, key=lambda capture: capture.path_m), holds) for place in places]


def _runs(captures: Iterable[Capture], made_up_for: set[int]) -> list[list[Capture]]:
    runs: list[list[Capture]] = []
    run: list[Capture] = []
    for capture in captures:
        if capture.verdict == TRUSTED or capture.number in made_up_for:
            if run:
                runs.append(run)
            run = []
        else:
            run.append(capture)
    return runs + [run] if run else runs


def _made_up_for(captures: Sequence[Capture], same_place_m: float,
                 same_view_rad: float) -> set[int]:
    """Return the numbers of the captures that a later trusted one replaces."""
    good = _without_standstill(
        capture for capture in captures
        if capture.verdict == TRUSTED and capture.position_m is not None)
    bad = [capture for capture in captures
           if capture.verdict != TRUSTED and capture.position_m is not None]
    if not good or not bad:
        return set()
    tree = cKDTree([capture.position_m for capture in good])
    numbers = np.array([capture.number for capture in good])
    quaternions = np.array([capture.quaternion for capture in good])
    # The angle between two rotations is 2 acos |q . p|.
    least_cosine = np.cos(0.5 * same_view_rad)
    found = set()
    for capture in bad:
        near = np.array(tree.query_ball_point(capture.position_m, same_place_m), dtype=int)
        near = near[numbers[near] > capture.number]
        if near.size and np.any(
                np.abs(quaternions[near] @ np.array(capture.quaternion)) >= least_cosine):
            found.add(capture.number)
    return found


def _without_standstill(captures: Iterable[Capture]) -> list[Capture]:
    """Keep the last of the captures from one spot: later is all that counts, and they are many."""
    kept: list[Capture] = []
    spot = None
    for capture in captures:
        if spot is not None and _alike(spot, capture):
            kept[-1] = capture
        else:
            spot = capture
            kept.append(capture)
    return kept


def _alike(one: Capture, other: Capture) -> bool:
    if one.position_m is None or other.position_m is None or \
            one.quaternion is None or other.quaternion is None:
        return False
    return (
        all(abs(a - b) < _STANDSTILL_M for a, b in zip(one.position_m, other.position_m))
        and abs(sum(a * b for a, b in zip(one.quaternion, other.quaternion))) > 1.0 - 1e-6)


def _place(captures: list[Capture], holds: Sequence[KnownHold]) -> RedoPlace:
    known = [capture for capture in captures if capture.position_m is not None]
    return RedoPlace(
        known[len(known) // 2].position_m if known else None,
        captures[0].path_m, captures[-1].path_m, len(captures), _reasons(captures, holds))


def _reasons(captures: Sequence[Capture], holds: Sequence[KnownHold]) -> tuple[str, ...]:
    """Return the reasons of the holds that captures lie in, and what those do not tell."""
    count = len(captures)
    stamp_ns = np.fromiter((picture_time_ns(capture) for capture in captures), np.int64, count)
    places = covering(
        stamp_ns, stamp_ns, [(hold.onset_ns, hold.released_ns) for hold in holds]).tolist()
    told = dict.fromkeys(reason for place in dict.fromkeys(places) if place >= 0
                         for reason in holds[place].reasons)
    own = dict.fromkeys(reason for capture, place in zip(captures, places) if place < 0
                        for reason in capture.reasons)
    # One that was stamped before its hold and came in it has a part of those.
    return (*told, *(reason for reason in own if not any(reason in whole for whole in told)))
