# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the page's script reads out below the pointer: bounded, whatever the run's length."""

from __future__ import annotations

import json
from typing import Any, Mapping, Sequence

import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.clock_figures import FAR_S, Traced
from robot_mapping_qa.bag.pose_figures import WAYS
from robot_mapping_qa.bag.report_figures import MOST_SPANS, time_axis
from robot_mapping_qa.bag.trust import trust_spans
from robot_mapping_qa.capture.redo import RedoPlace

MOST_REASONS = 400
"""Holds that the script can explain; the table and the page's own text name no more either."""

_LONGEST_REASON = 240


def page_data(assessment: Assessment, places: Sequence[RedoPlace],
              offsets: Mapping[str, Traced]) -> str:
    """
    Return the data as JSON that may stand inside a ``script`` element.

    Times are in the unit of the time axis, positions in metres, series by the id of the chart
    that shows them, each with name, times, values and the digits to show.
    """
    at, _, label = time_axis(assessment.start_ns, assessment.end_ns)
    times, points = assessment.path.arrays()
    sigmas = assessment.sigmas
    series = {
        'timeline': [_series('point error', 'm', at, *assessment.point_error.arrays(), 1.0, 3)],
        'offsets': [_series(name, 'ms', at, one, other - _epoch(other), 1e3, 3)
                    for name, (one, other, _) in offsets.items()],
        'pose': [_series(f'{what}, {WAYS[way][3]}', unit, at, *trace.arrays(), 1e3, 2)
                 for what, unit, traces in (('position', 'mm', sigmas.position_m),
                                            ('rotation', 'mrad', sigmas.rotation_rad))
                 for way, trace in traces.items()]}
    spans = trust_spans(assessment.holds, assessment.start_ns, assessment.end_ns)[:MOST_SPANS]
    data: dict[str, Any] = {
        'unit': 'min' if label.endswith('(min)') else 's', 'series': series,
        'spans': [[_short(at(begin)), _short(at(end)), verdict] for begin, end, verdict in spans],
        'holds': [[_short(at(hold.onset_ns)), None if hold.released_ns is None
                   else _short(at(hold.released_ns)), _cut('; '.join(hold.reasons))]
                  for hold in assessment.holds[:MOST_REASONS]],
        'path': {'t': [_short(at(time)) for time in times.tolist()],
                 'x': np.round(points[:, 0], 3).tolist(), 'y': np.round(points[:, 1], 3).tolist()},
        'places': [[*map(_short, place.position_m[:2]), place.captures,
                    _cut('; '.join(place.reasons))]
                   if place.position_m is not None else None for place in places]}
    text = json.dumps(data, separators=(',', ':'), allow_nan=False, ensure_ascii=False)
    # Nothing in the data may end the element or begin a comment in it.
    return text.replace('<', '\\u003c').replace('\u2028', ' ').replace('\u2029', ' ')


def _series(name: str, unit: str, at: Any, times: np.ndarray, values: np.ndarray, factor: float,
            digits: int) -> dict[str, Any]:
    return {'name': name, 'unit': unit, 'digits': digits,
            't': [_short(at(time)) for time in times.tolist()],
            'v': [None if value != value else round(factor * value, digits + 1)
                  for value in values.tolist()]}


def _epoch(values: np.ndarray) -> float:
    middle_s = float(np.median(values))
    return middle_s if abs(middle_s) > FAR_S else 0.0


def _short(value: float) -> float:
    return round(float(value), 4)


def _cut(text: str) -> str:
    return text if len(text) <= _LONGEST_REASON else text[:_LONGEST_REASON - 1] + '…'
