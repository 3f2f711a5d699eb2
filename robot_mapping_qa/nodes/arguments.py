# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a node is started with: understood whole, or refused with where it stands."""

from __future__ import annotations

from pathlib import Path
from typing import Mapping, Sequence

from rclpy.utilities import remove_ros_args
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.configuration.parameter_file import EMPTY_LIST, parameter_sections

LAUNCHED = 'launch_params_'
"""Begins the names of files that launch writes and nobody has seen."""

NO_STREAMS = 'streams: found nothing'
"""Begins the refusal of a node that was told of no streams."""

Sources = Mapping[str, Mapping[str, str]]
"""
What gives parameters, a file or '' for -p: their names, each with the section of the file.

The section says which nodes the file speaks to.
"""


def read_arguments(given: Sequence[str], usage: str) -> Sources:
    """
    Refuse what rcl and rclpy would pass over without a word, or in words of their own.

    Returns who gives which parameter, for `refusal`. Raises `ConfigurationError`, and
    RuntimeError with rcl's own words for the rest.
    """
    pairs = list(zip(given, given[1:])) if '--ros-args' in given else []
    sources = {file: parameter_sections(file) for flag, file in pairs if flag == '--params-file'}
    try:
        stray = str(remove_ros_args(given)[1:])
    except RuntimeError as error:
        # rclpy does not export this class. Its text is the list of the arguments.
        if type(error).__name__ != 'UnknownROSArgsError':
            raise
        stray = str(error)
    if stray != '[]':
        raise ConfigurationError([f'unknown {stray}, expected {usage}'], 'arguments')
    rules = [rule.partition(':=') for flag, rule in pairs if flag in ('-p', '--param')]
    for name, _, value in rules:
        if value.strip() == '[]':
            raise ConfigurationError([f'{name}: {EMPTY_LIST}'], 'arguments')
    # A node's name may stand before that of its parameter.
    return {**sources, '': {name.rpartition(':')[2]: '' for name, _, _ in rules}}


def refusal(error: ConfigurationError, sources: Sources) -> str:
    """
    Return the lines that tell of a refusal.

    A problem of a key that one parameter file gives, and nothing else, begins with that file.
    """
    lines = []
    for problem in error.problems:
        if problem.startswith(NO_STREAMS):
            lines.append(_without_streams(problem, error.origin, sources))
            continue
        found = _givers(problem.partition(':')[0], sources)
        source = found[0] if len(found) == 1 else ''
        if not source or Path(source).name.startswith(LAUNCHED):
            source = error.origin
        lines.append(f'{source}: {problem}')
    return '\n'.join(lines)


def _without_streams(problem: str, origin: str, sources: Sources) -> str:
    """Say why a node was told of no streams: its files speak to others, or there is none."""
    node = origin.rpartition(' ')[2]
    for file, sections in sources.items():
        if file and 'streams' in sections:
            return (f"{file}: gives 'streams' under '{sections['streams']}:', which does not "
                    f"speak to {node}: write '/**:'")
    return f'{origin}: {problem}' + (
        '' if any(sources) else '; give one with --params-file')


def _givers(key: str, sources: Sources) -> list[str]:
    """Return what gives a key, or where nothing does others of its group."""
    head = key.partition('.')[0]
    return [source for source, names in sources.items() if key in names] or [
        source for source, names in sources.items()
        if any(name.partition('.')[0] == head for name in names)]
