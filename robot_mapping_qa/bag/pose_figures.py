# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The report's pictures of the pose: what the unit says of its error, and what makes it up."""

from __future__ import annotations

from typing import Mapping, NamedTuple, Sequence

import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.chart import (
    Axis, bottom_axis, chart, COLOURS, FOOT_PX, INK, left_axis, legend, lens, line, polyline,
    RIGHT, SOFT, text, title)
from robot_mapping_qa.bag.report_figures import LEFT, time_axis
from robot_mapping_qa.bag.traces import PeakTrace
from robot_mapping_qa.capture.budget import PARTS
from robot_mapping_qa.capture.ledger import Capture

WAYS = {
    'reported': (COLOURS[1], '7 4', 1.8, 'reported by the unit'),
    'used': (COLOURS[0], '', 2.0, 'used for the verdict'),
    'estimated': (INK, '2 3', 1.4, 'own estimate since the start')}
"""How the ways to know a standard deviation look: colour, dashes, width, words."""

PART_WORDS = {
    'position': 'position of the unit', 'rotation': 'rotation of the unit, times the distance',
    'correlation': 'position and rotation going together',
    'time': "time error of the picture, times the point's speed",
    'extrinsics': 'mounting of the camera'}

_PANEL_PX = 130


class BudgetRow(NamedTuple):
    """Mean shares of the parts in the variance of a camera's captures; ``worst`` of the 5 %."""

    camera: str
    captures: int
    mean: dict[str, float]
    worst: dict[str, float]


def pose_svg(assessment: Assessment) -> str | None:
    """Return the standard deviations over time, reported against used and estimated."""
    sigmas = assessment.sigmas
    panels = [('position (mm)', sigmas.position_m, 1e3),
              ('rotation (mrad)', sigmas.rotation_rad, 1e3)]
    if not any(np.isfinite(trace.arrays()[1]).any()
               for _, traces, _ in panels for trace in traces.values()):
        return None
    at, axis, label = time_axis(assessment.start_ns, assessment.end_ns)
    top = 8.0
    key = [(line(0, 0, 26, 0, colour, width, dash), words)
           for colour, dash, width, words in WAYS.values()]
    parts, drawn, titles = [], [], []
    for row, (name, traces, factor) in enumerate(panels):
        y = top + row * (_PANEL_PX + 16)
        scale, note = _scale(traces, factor, y)
        parts.append(left_axis(scale, LEFT, RIGHT))
        titles.append(title(LEFT + 8, y + 22, 'standard deviation of the', name))
        if note:
            titles.append(text(RIGHT - 4, y + 22, note, 'end', 12))
        for way, trace in traces.items():
            colour, dash, width, _ = WAYS[way]
            times, values = trace.arrays()
            drawn.append(polyline(axis.at(at(times)), scale.at(np.minimum(
                factor * values, scale.high)), colour, width, dash))
    bottom = top + len(panels) * _PANEL_PX + 16
    return legend(key) + chart(
        'pose time', bottom + FOOT_PX, 'Standard deviation of the pose over time, reported and '
        'used', axis, [*parts, bottom_axis(axis, bottom, top, label),
                       lens(LEFT, top, RIGHT - LEFT, bottom - top, drawn), *titles])


def _scale(traces: Mapping[str, PeakTrace], factor: float, y: float) -> tuple[Axis, str]:
    """Return the axis of a panel; what rises far above the rest is cut, and told."""
    known = {way: factor * values[np.isfinite(values)]
             for way, values in ((way, trace.arrays()[1]) for way, trace in traces.items())}
    everything = np.concatenate(list(known.values()))
    if not everything.size:
        return Axis(0.0, 1.0, y + _PANEL_PX, y), 'not known'
    highest = float(everything.max())
    # The two that are compared set the scale.
    compared = np.concatenate([known['reported'], known['used']])
    usual = 4.0 * float(np.quantile(compared if compared.size else everything, 0.9))
    top = max(min(1.1 * highest, usual), 1e-3)
    return (Axis(0.0, top, y + _PANEL_PX, y),
            f'rises to {highest:.3g}' if highest > top else '')


def budget_rows(captures: Sequence[Capture]) -> list[BudgetRow]:
    """Return what the point error is made of, by camera, where that is known."""
    rows = []
    for camera in dict.fromkeys(capture.stream for capture in captures):
        own = [capture for capture in captures
               if capture.stream == camera and capture.shares is not None]
        if not own:
            continue
        shares = np.array([capture.shares for capture in own])
        errors = np.array([capture.point_error_m for capture in own])
        worst = shares[np.argsort(errors, kind='stable')[-max(1, len(own) // 20):]]
        rows.append(BudgetRow(
            camera, len(own), dict(zip(PARTS, shares.mean(axis=0).tolist())),
            dict(zip(PARTS, worst.mean(axis=0).tolist()))))
    return rows


def budget_svg(rows: Sequence[BudgetRow]) -> str | None:
    """Return the mean shares as bars from zero: the correlation's may be negative."""
    if not rows:
        return None
    values = [100.0 * share for row in rows for shares in (row.mean, row.worst)
              for share in shares.values()]
    begin = 20.0
    x = Axis(min(0.0, 1.15 * min(values)), max(20.0, 1.25 * max(values)), begin, RIGHT)
    key = [(_bar(0, 26, -6, COLOURS[0]), 'all captures'),
           (_bar(0, 26, -6, COLOURS[4]), 'the 5 % with the largest error')]
    parts = []
    top = y = 8.0
    for row in rows:
        y += 22.0
        parts.append(text(begin, y, row.camera, size=13, font_weight='700'))
        for part in PARTS:
            y += 68.0
            parts.append(title(begin, y - 42, PART_WORDS[part]))
            for offset, shares, colour in ((-34, row.mean, COLOURS[0]),
                                           (-14, row.worst, COLOURS[4])):
                share = 100.0 * shares[part]
                parts += [_bar(x.at(0.0), x.at(share), y + offset, colour),
                          text(max(x.at(share), x.at(0.0)) + 5, y + offset + 12,
                               f'{round(share, 1) + 0.0:.1f}'.replace(
                                   '-', '−'), size=11.5, fill=SOFT, class_='small')]
        y += 14.0
    return legend(key) + chart('budget still', y + FOOT_PX, 'What the point error is made of', x, [
        bottom_axis(x, y, top, 'share of the variance of the point error (%)', 8), *parts,
        line(x.at(0.0), top, x.at(0.0), y, INK, 1.0)])


def _bar(begin: float, end: float, y: float, colour: str) -> str:
    low, high = min(begin, end), max(begin, end)
    return (f'<rect x="{low:.1f}" y="{y:.1f}" width="{max(high - low, 0.5):.1f}" height="14" '
            f'fill="{colour}"/>')
