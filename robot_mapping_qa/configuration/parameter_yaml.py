# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
YAML as ROS 2 parameter files use it.

rcl reads texts, numbers, true and false in maps and lists. What it refuses (aliases), takes
otherwise than YAML says (tags, dates) or reads without a word in a way that nobody meant (a key
given twice: the last one counts) is refused here with its line.
"""

from __future__ import annotations

import re
from typing import Any

import yaml

_KINDS = ('bool', 'int', 'float', 'null')
_TEXT_TAGS = (None, '!', 'tag:yaml.org,2002:str')


class _NotForRos(yaml.MarkedYAMLError):
    """YAML that a ROS 2 parameter file must not contain."""

    def __init__(self, problem: str, mark: Any) -> None:
        """Keep what is wrong, and where, as the loader marks it."""
        super().__init__(problem=problem, problem_mark=mark)


class _Loader(yaml.SafeLoader):
    """Reads what ROS 2 reads."""

    yaml_implicit_resolvers = {
        first: [(tag, pattern) for tag, pattern in resolvers
                if tag.rpartition(':')[2] in _KINDS]
        for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()}

    def compose_node(self, parent: Any, index: Any) -> Any:
        """Refuse aliases, with which a small file can also grow without bounds, and tags."""
        event = self.peek_event()
        if isinstance(event, yaml.AliasEvent):
            raise _NotForRos('aliases (*name) are not read by ROS 2', event.start_mark)
        if getattr(event, 'tag', None) not in _TEXT_TAGS:
            raise _NotForRos(f'the tag {event.tag} is not read by ROS 2', event.start_mark)
        return super().compose_node(parent, index)

    def construct_mapping(self, node: Any, deep: bool = False) -> Any:
        """Refuse a key that stands twice."""
        first_lines: dict[str, int] = {}
        for key, _ in node.value:
            if not isinstance(key, yaml.ScalarNode):
                continue
            if key.value in first_lines:
                raise _NotForRos(
                    f'{key.value} is given twice, first in line {first_lines[key.value]}',
                    key.start_mark)
            first_lines[key.value] = key.start_mark.line + 1
        return super().construct_mapping(node, deep)


# rcl reads 1e3 as a number, YAML 1.1 only 1.0e+3.
_Loader.add_implicit_resolver(
    'tag:yaml.org,2002:float', re.compile(r'[-+]?(\d+\.?\d*|\.\d+)[eE][-+]?\d+$'),
    list('-+.0123456789'))


def load_yaml(text: str) -> Any:
    """
    Return what a parameter file's text holds.

    Raises ValueError with one sentence that begins with the line, where that is known.
    """
    try:
        loader = _Loader(text)
        try:
            return loader.get_single_data()
        finally:
            loader.dispose()
    except yaml.YAMLError as error:
        where = getattr(error, 'problem_mark', None)
        line = f'line {where.line + 1}: ' if where else ''
        kind = '' if isinstance(error, _NotForRos) else 'not valid YAML: '
        what = getattr(error, 'problem', None) or str(error).splitlines()[0]
        raise ValueError(f'{line}{kind}{what}') from error
    except RecursionError:
        raise ValueError('not valid YAML: nested too deeply') from None
    except ValueError as error:
        # PyYAML takes some texts, such as 0x_, for numbers that they are not.
        raise ValueError(f'not valid YAML: {error}') from error
