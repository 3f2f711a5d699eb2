# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Every key of the parameter file as a page for people, written from what the code checks.

``python -m robot_mapping_qa.configuration.reference > config/PARAMETERS.md`` writes it anew.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Iterator

from robot_mapping_qa.configuration.model import Configuration, Stream
from robot_mapping_qa.configuration.validation import GROUPS, Range, STREAM_KEYS, TOP_KEYS
from robot_mapping_qa.settings import settings_of

HEAD = """# Every key of the parameter file

This page is written from the code by `python -m robot_mapping_qa.configuration.reference` and
compared with it by a test. README.md says which keys to begin with; the reasons for the defaults
stand beside them here. Units end the names: `_s` seconds, `_m` metres, `_rad` radians, `_mps`
metres a second, `_hz` a second.
"""


def _shown(value: object) -> str:
    if value is None:
        return ''
    if isinstance(value, bool):
        return 'true' if value else 'false'
    return f'{value:g}' if isinstance(value, float) else str(value)


def _span(accepted: Range | None) -> str:
    if accepted is None:
        return ''
    return f'{"above " * accepted.open_low}{accepted.low:g} to {accepted.high:g}'


def _row(*cells: str) -> str:
    return '| ' + ' | '.join(cell.replace('|', '\\|') for cell in cells) + ' |'


def _table(*columns: str) -> Iterator[str]:
    yield ''
    yield _row(*columns)
    yield '|' + '---|' * len(columns)


def reference() -> str:
    """Return the page as Markdown."""
    lines = [HEAD, '## A stream: keys of its group']
    lines += _table('key', 'meaning', 'default', 'range')
    defaults = {item.name: item.default for item in fields(Stream)}
    for name, key in STREAM_KEYS.items():
        default = 'needed' if key.needed else 'by role' if name == 'required' else \
            _shown(defaults[name]).replace('(', '[').replace(')', ']')
        lines.append(_row(f'`{name}`', key.text, default, _span(key.range)))
    lines += ['', '## Without a group']
    lines += _table('key', 'meaning', 'default', 'range')
    lines.append(_row('`streams`', 'Names of the streams.', 'needed', ''))
    defaults = {item.name: item.default for item in fields(Configuration)}
    for name, key in TOP_KEYS.items():
        lines.append(_row(f'`{name}`', key.text, _shown(defaults[name]), _span(key.range)))
    for group, limits in GROUPS.items():
        lines += ['', f'## `{group}`', '', (limits.__doc__ or '').strip().splitlines()[0]]
        lines += _table('key', 'meaning', 'default', 'range')
        for item in settings_of(limits):
            lines.append(_row(f'`{item.name}`', item.metadata['text'], _shown(item.default),
                              _span(Range(item.metadata['low'], item.metadata['high']))))
    return '\n'.join(lines) + '\n'


if __name__ == '__main__':
    print(reference(), end='')
