# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One table of several assessed bags: ``comparison.csv`` and ``comparison.html``."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any, Callable, Mapping, Sequence

import jinja2
from robot_mapping_qa.bag.ledger_file import REDO_FILE
from robot_mapping_qa.bag.report import figure, REPORT_FILE
from robot_mapping_qa.bag.several import Result
from robot_mapping_qa.bag.summary import SUMMARY_FILE

COMPARISON_CSV, COMPARISON_HTML = 'comparison.csv', 'comparison.html'

COLUMNS = (
    'bag', 'duration_s', 'messages', 'captures', 'trusted', 'suspect', 'held', 'redo_places',
    'held_fraction', 'holds', 'path_length_m', 'reported_covariance', 'inflation', 'jumps',
    'largest_jump_m', 'largest_jump_percent', 'worst_offset_stream', 'worst_offset_s',
    'worst_skew_stream', 'worst_skew_ppm', 'clock_steps', 'largest_step_stream',
    'largest_step_s', 'lost', 'silences', 'set_yield', 'failed')
"""An empty field means unknown; ``failed`` says why a bag has no figures."""


def comparison_row(result: Result) -> dict[str, Any]:
    """Return a bag's row by column; unknown is None."""
    row: dict[str, Any] = dict.fromkeys(COLUMNS)
    row['bag'] = result.task.folder.name
    if result.reason is not None:
        row['failed'] = result.reason
        return row
    folder = result.task.folder
    summary = json.loads((folder / SUMMARY_FILE).read_text(encoding='utf-8'))
    with (folder / REDO_FILE).open(encoding='utf-8', newline='') as file:
        row['redo_places'] = sum(1 for _ in csv.DictReader(file))
    bag, captures, pose = summary['bag'], summary['captures'], summary['pose']
    row.update(
        duration_s=(bag['end_ns'] - bag['start_ns']) * 1e-9, messages=bag['messages'],
        captures=captures['total'], trusted=captures['trusted'], suspect=captures['suspect'],
        held=captures['held'], held_fraction=summary['gate']['held_fraction'],
        holds=len(summary['gate']['holds']), path_length_m=pose['path_length_m'],
        reported_covariance=pose['reported_covariance'], inflation=pose['inflation'],
        jumps=len(pose['jumps']), set_yield=summary['sets']['yield'])
    if pose['jumps']:
        jump = max(pose['jumps'], key=lambda each: each['size_m'])
        row['largest_jump_m'] = jump['size_m']
        row['largest_jump_percent'] = jump['percent_of_distance']
    streams = summary['streams']
    row['worst_offset_stream'], row['worst_offset_s'] = _worst(
        streams, lambda stream: [stream['offset_s']])
    row['worst_skew_stream'], row['worst_skew_ppm'] = _worst(
        streams, lambda stream: [stream['skew_ppm']])
    row['largest_step_stream'], row['largest_step_s'] = _worst(
        streams, lambda stream: [step['size_s'] for step in stream['clock_steps']])
    row['clock_steps'] = sum(len(stream['clock_steps']) for stream in streams.values())
    row['lost'] = sum(stream['lost'] for stream in streams.values())
    row['silences'] = sum(len(stream['silences']) for stream in streams.values())
    return row


def write_comparison(results: Sequence[Result], folder: Path) -> None:
    """Write both files into the folder, the bags in the given order."""
    rows = [comparison_row(result) for result in results]
    with (folder / COMPARISON_CSV).open('w', encoding='utf-8', newline='') as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator='\n')
        writer.writeheader()
        writer.writerows({name: f'{value:.6g}' if isinstance(value, float) else value
                          for name, value in row.items()} for row in rows)
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader('robot_mapping_qa.bag', '.'), autoescape=True,
        undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters['figure'] = figure
    page = environment.get_template('comparison_template.html').render(
        rows=rows, report=REPORT_FILE, failed=[row for row in rows if row['failed']])
    (folder / COMPARISON_HTML).write_text(page, encoding='utf-8')


def _worst(streams: Mapping[str, Any],
           values: Callable[[Any], list]) -> tuple[str | None, float | None]:
    """Return the stream with the value farthest from zero, and that value."""
    found = [(name, value) for name, stream in streams.items() for value in values(stream)
             if value is not None]
    return max(found, key=lambda item: abs(item[1])) if found else (None, None)
