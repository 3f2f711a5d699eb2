# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a node is started with: understood whole, or refused with where it stands."""

from __future__ import annotations

from pathlib import Path
from typing import Collection, Mapping, Sequence

from rclpy.utilities import remove_ros_args
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.configuration.parameter_file import EMPTY_LIST, parameter_names

LAUNCHED = 'launch_params_'
"""Begins the names of files that launch writes and nobody has seen."""

Sources = Mapping[str, Collection[str]]
"""The names of parameters that are given, by what gives them: a file, or '' for -p."""


def read_arguments(given: Sequence[str], usage: str) -> Sources:
    """
    Refuse what rcl and rclpy would pass over without a word, or in words of their own.

    Returns who gives which parameter, for `refusal`. Raises `ConfigurationError`, and
    RuntimeError with rcl's own words for the rest.
    """
    pairs = list(zip(given, given[1:])) if '--ros-args' in given else []
    sources = {file: parameter_names(file) for flag, file in pairs if flag == '--params-file'}
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
    return {**sources, '': frozenset(name.rpartition(':')[2] for name, _, _ in rules)}


def refusal(error: ConfigurationError, sources: Sources) -> str:
    """
    Return the lines that tell of a refusal.

    A problem of a key that one parameter file gives, and nothing else, begins with that file.
    """
    lines = []
    for problem in error.problems:
        found = _givers(problem.partition(':')[0], sources)
        source = found[0] if len(found) == 1 else ''
        if not source or Path(source).name.startswith(LAUNCHED):
            source = error.origin
        lines.append(f'{source}: {problem}')
    return '\n'.join(lines)


def _givers(key: str, sources: Sources) -> list[str]:
    """Return what gives a key, or where nothing does others of its group."""
    head = key.partition('.')[0]
    return [source for source, names in sources.items() if key in names] or [
        source for source, names in sources.items()
        if any(name.partition('.')[0] == head for name in names)]
