# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The report's pictures of clocks: offsets over time, their stability, and latency.

Streams are told apart by colour, line style and marker. The colours are from Okabe and Ito,
"Color Universal Design" (2008).
"""

from __future__ import annotations

from typing import Any, Mapping

from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, MaxNLocator
import numpy as np
from robot_mapping_qa.bag.assessment import Assessment
from robot_mapping_qa.bag.drawing import draw, FAINT, GRID, INK, PAPER, time_axis, WIDTH_IN
from robot_mapping_qa.bag.traces import OffsetTrace
from robot_mapping_qa.timing.clock_series import ClockSeries
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.timing.stability import mtie, regular_series, StabilityCurve, tdev

_COLOURS = ('#0072b2', '#d55e00', '#009e73', '#cc79a7', '#e69f00', '#56b4e9', INK)
_LINES = ('solid', (0, (5, 1.5)), (0, (1.5, 1)), (0, (6, 1.5, 1.5, 1.5)), (0, (3, 3)))
_MARKERS = ('o', 's', '^', 'D', 'v', 'P', 'X')

_BAND = '#b9cddb'
_MOST_POINTS = 600
_FAR_S = 10.0
"""Beyond this an offset is that of another epoch: only its change is drawn."""

_QUANTILES = (('p50', 'o', '#0072b2', 7.0), ('p95', 's', '#e69f00', 6.0),
              ('p99', 'D', '#d55e00', 5.5))

_WIDE = 20.0
"""From this ratio of the largest latency to the smallest a logarithmic axis shows more."""

_LEAST_SPAN_MS = 1.0
_LEAST_TERMS = 2


def offsets_svg(assessment: Assessment) -> str | None:
    """Return the offset of every clock over time with its 2 sigma band and steps, as SVG."""
    return draw(lambda: _offsets(assessment), 'Clock offset of each stream over time')


def stability_svg(assessment: Assessment) -> str | None:
    """Return TDEV and MTIE of every stream's offset over the observation interval, as SVG."""
    curves = {}
    for name, stream in assessment.timing.streams.items():
        found = _curves(stream.clock_series())
        if found is not None:
            curves[name] = found
    if not curves:
        return None
    return draw(lambda: _stability(curves), 'TDEV and MTIE of each stream over tau')


def latency_svg(assessment: Assessment) -> str | None:
    """Return the quantiles of every stream's latency, as SVG."""
    figures = {name: stream.figures() for name, stream in assessment.timing.streams.items()}
    figures = {name: item for name, item in figures.items() if item.latency_p50_s is not None}
    if not figures:
        return None
    return draw(lambda: _latency(figures), 'Latency of each stream: p50, p95 and p99')


def _offsets(assessment: Assessment) -> Figure | None:
    at, length, label = time_axis(assessment.start_ns, assessment.end_ns)
    rows = []
    for name, stream in assessment.timing.streams.items():
        figures = stream.figures()
        trace = _traced(assessment.offsets[name], stream.clock_series(), figures)
        if trace is not None:
            rows.append((name, trace, figures.clock_steps))
    if not rows:
        return None
    each, above, below = 0.82, 0.12, 0.5
    height = above + below + each * len(rows)
    figure = Figure(figsize=(WIDTH_IN, height))
    for row, (name, (times, values, sigmas), steps) in enumerate(rows):
        bottom = below + each * (len(rows) - 1 - row)
        axes = figure.add_axes((0.2, (bottom + 0.08) / height, 0.78, (each - 0.16) / height))
        seconds = np.array([at(time) for time in times.tolist()])
        middle_s = float(np.median(values))
        far = abs(middle_s) > _FAR_S
        values_ms, sigmas_ms = 1e3 * (values - (middle_s if far else 0.0)), 1e3 * sigmas
        axes.fill_between(seconds, values_ms - 2.0 * sigmas_ms, values_ms + 2.0 * sigmas_ms,
                          color=_BAND, linewidth=0.0)
        axes.plot(*_broken(seconds, values_ms, [at(step.at_ns) for step in steps]),
                  color='#0072b2', linewidth=1.2)
        low, high = _limits(values_ms, sigmas_ms)
        axes.set_ylim(low, high)
        for step in steps:
            axes.axvline(at(step.at_ns), color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
            axes.plot([at(step.at_ns)], [high], marker='D', markersize=5.5, clip_on=False,
                      markerfacecolor=PAPER, markeredgecolor=INK)
        axes.set_xlim(0.0, length)
        axes.yaxis.set_major_locator(MaxNLocator(3))
        axes.grid(axis='y', color=GRID, linewidth=0.7)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=8)
        what = f'{name}\nchange from\n{middle_s:.6g} s (ms)' if far else f'{name}\n(ms)'
        axes.text(-0.245, 0.5, what, transform=axes.transAxes, va='center', fontsize=8)
        if row < len(rows) - 1:
            axes.tick_params(axis='x', labelbottom=False)
        else:
            axes.set_xlabel(label)
    return figure


def _traced(trace: OffsetTrace, series: ClockSeries, figures: StreamFigures,
            ) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Return times, offsets and sigmas without gaps, not too many, on the scale of the table."""
    times, values, sigmas = trace.arrays()
    known = np.isfinite(values)
    if known.sum() < 2 or figures.offset_s is None:
        return None
    times, values, sigmas = times[known], values[known], sigmas[known]
    # The table's offset holds the smallest delay of the whole run, the trace that of the start.
    newest_ns = int(series.arrays()[0][-1])
    values = values + (figures.offset_s - float(np.interp(newest_ns, times, values)))
    every = -(-len(times) // _MOST_POINTS)
    return times[::every], values[::every], sigmas[::every]


def _broken(seconds: np.ndarray, values: np.ndarray,
            steps: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """Return a line with a break at every step: a clock jumps, it does not run over there."""
    places = np.searchsorted(seconds, steps)
    return np.insert(seconds, places, np.nan), np.insert(values, places, np.nan)


def _limits(values: np.ndarray, sigmas: np.ndarray) -> tuple[float, float]:
    """Return limits that show the line; an early, wide band must not press it flat."""
    room = 3.0 * float(np.median(sigmas))
    low, high = float(values.min()) - room, float(values.max()) + room
    lacking = max(0.0, _LEAST_SPAN_MS - (high - low))
    margin = 0.5 * lacking + 0.06 * (high - low)
    return low - margin, high + margin


def _curves(series: ClockSeries) -> tuple[StabilityCurve, StabilityCurve] | None:
    times, offsets = series.arrays()
    if len(times) < 2:
        return None
    regular = regular_series(times, offsets, series.block_ns)
    return tdev(regular), mtie(regular)


def _stability(curves: Mapping[str, tuple[StabilityCurve, StabilityCurve]]) -> Figure:
    height = 3.15 + 0.2 * (len(curves) > 5)
    figure = Figure(figsize=(WIDTH_IN, height))
    panels = [figure.add_axes((left, 0.5 / height, 0.41, (height - 1.02) / height))
              for left in (0.075, 0.575)]
    for place, (axes, title) in enumerate(zip(panels, (
            'TDEV: wander of the offset', 'MTIE: largest change of the offset'))):
        empty = True
        for number, (name, pair) in enumerate(curves.items()):
            curve = pair[place]
            shown = (curve.value_s > 0.0) & (curve.terms >= _LEAST_TERMS)
            empty &= not shown.any()
            axes.plot(curve.tau_s[shown], 1e3 * curve.value_s[shown], label=name, linewidth=1.4,
                      color=_COLOURS[number % len(_COLOURS)],
                      linestyle=_LINES[number % len(_LINES)], markersize=4.5,
                      marker=_MARKERS[number % len(_MARKERS)], markeredgewidth=0.0)
        if empty:
            axes.text(0.5, 0.5, 'none found', transform=axes.transAxes, ha='center')
        else:
            axes.set_xscale('log')
            axes.set_yscale('log')
            axes.xaxis.set_major_formatter('{x:g}')
            axes.yaxis.set_major_formatter('{x:g}')
        axes.set_xlabel('observation interval τ (s)')
        axes.set_title(f'{title} (ms)', loc='left', fontsize=9)
        axes.grid(color=GRID, linewidth=0.7)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=8)
        axes.minorticks_off()
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc='upper left', bbox_to_anchor=(0.065, 1.0), ncols=5,
                  frameon=False, fontsize=8, handlelength=3.0, columnspacing=1.6)
    return figure


def _latency(figures: Mapping[str, StreamFigures]) -> Figure:
    above, below = 0.36, 0.52
    height = above + below + 0.3 * len(figures)
    figure = Figure(figsize=(WIDTH_IN, height))
    axes = figure.add_axes((0.2, below / height, 0.78, 1.0 - (above + below) / height))
    handles: list[Any] = []
    for row, item in enumerate(figures.values()):
        p50, p95, p99 = item.latency_p50_s, item.latency_p95_s, item.latency_p99_s
        if max(abs(p50), abs(p99)) > _FAR_S:
            axes.text(0.01, row, f'p50 {p50:.6g} s: its clock shows another time than the host',
                      transform=axes.get_yaxis_transform(), va='center', fontsize=8,
                      style='italic')
            continue
        axes.plot([1e3 * p50, 1e3 * p99], [row, row], color=FAINT, linewidth=2.2, zorder=1)
        handles = [axes.plot([1e3 * value], [row], marker, color=colour, markersize=size,
                             linestyle='none')[0]
                   for value, (_, marker, colour, size) in zip((p50, p95, p99), _QUANTILES)]
    axes.set_ylim(len(figures) - 0.4, -0.6)
    axes.set_yticks(range(len(figures)), list(figures), fontsize=8)
    axes.tick_params(axis='y', length=0)
    shown = [item for item in figures.values() if abs(item.latency_p99_s) <= _FAR_S]
    least_s = min((item.latency_p50_s for item in shown), default=0.0)
    if least_s > 0.0 and max(item.latency_p99_s for item in shown) > _WIDE * least_s:
        axes.set_xscale('log')
        axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.xaxis.set_major_formatter('{x:g}')
        axes.minorticks_off()
    else:
        axes.axvline(0.0, color=INK, linewidth=0.8)
    axes.grid(axis='x', color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.set_xlabel('receive time minus stamp (ms)')
    if handles:
        axes.legend(handles, [quantile[0] for quantile in _QUANTILES], loc='lower left',
                    bbox_to_anchor=(0.0, 1.0), ncols=3, frameon=False, fontsize=8,
                    borderaxespad=0.0)
    return figure
