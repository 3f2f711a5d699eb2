# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Reading ROS 2 parameter files without ROS, for the offline tool."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Mapping

from robot_mapping_qa.configuration.model import Configuration
from robot_mapping_qa.configuration.parameter_yaml import load_yaml
from robot_mapping_qa.configuration.problems import ConfigurationError, shown
from robot_mapping_qa.configuration.validation import (
    configuration_from_parameters, is_threshold_name)

WILDCARDS = ('/**', '**')
"""Sections that speak to every node. Those of single nodes do not concern the offline tool, and
so may not hold thresholds."""

GROUP = 'ros__parameters'

EMPTY_LIST = 'found an empty list, to which ROS 2 can give no type: leave the key out'


def flatten(group: dict, prefix: str = '') -> dict[str, Any]:
    """
    Return nested parameter groups as dotted names, as ROS 2 itself does.

    Raises ValueError for a name that is given in both ways, ``a.b`` and ``a: {b: ...}``.
    """
    flat: dict[str, Any] = {}
    for key, value in group.items():
        name = f'{prefix}{key}'
        part = flatten(value, f'{name}.') if isinstance(value, dict) else {name: value}
        for twice in part.keys() & flat.keys():
            raise ValueError(f'{twice} is given twice')
        flat.update(part)
    return flat


def _document(path: str | Path) -> Any:
    """Return what a file holds; raises `ConfigurationError`."""
    origin = str(path)
    try:
        return load_yaml(Path(path).read_text(encoding='utf-8'))
    except UnicodeDecodeError as error:
        raise ConfigurationError([f'is not a text file: {error}'], origin) from error
    except OSError as error:
        raise ConfigurationError([f'cannot be read: {error.strerror}'], origin) from error
    except ValueError as error:
        raise ConfigurationError([str(error)], origin) from error


def parameter_sections(path: str | Path) -> dict[str, str]:
    """
    Return the dotted names that a parameter file gives, each with its section, such as '/**'.

    Raises `ConfigurationError` for what ROS 2 would read without a word or stumble over. Without
    a word it takes the last of a key's two values; it stumbles over what cannot be read, lists
    without a type, and what stands outside of ``ros__parameters``, and then tells where in its
    own source code. An empty file it takes.
    """
    document = _document(path)
    if document is None:
        return {}
    if not isinstance(document, dict):
        raise ConfigurationError(
            [f"found {shown(document)}, expected a ROS 2 parameter file that starts with '/**:'"],
            str(path))
    try:
        values = flatten(document)
    except ValueError as error:
        raise ConfigurationError([str(error)], str(path)) from error
    outside = [name for name in values if f'{GROUP}.' not in name]
    # One shows what is wrong with all of them.
    problems = [f"{name}: stands outside of '{GROUP}:', which must be below '/**:' or a node's "
                'name' for name in outside[:1]] or _not_for_ros(
        {name.partition(GROUP)[2][1:]: value for name, value in values.items()})
    if problems:
        raise ConfigurationError(problems, str(path))
    parts = [name.partition(f'{GROUP}.') for name in values]
    return {name: section.rstrip('.') for section, _, name in parts}


def _not_for_ros(values: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with values that the live nodes could not be started with."""
    return [f'{name}: {problem}' for name, value in values.items()
            if (problem := _why_not(value)) is not None]


def _why_not(value: Any) -> str | None:
    """Return why ROS 2 cannot take a value of a parameter file, None where it can."""
    if value is None:
        return 'found nothing, expected a value'
    if value == []:
        return EMPTY_LIST
    if isinstance(value, list) and len({type(item) for item in value}) > 1:
        return (f'found {shown(value)}, of which ROS 2 cannot take different kinds in one list: '
                'write 1.0, not 1, beside 2.5')
    return None


def read_parameters(path: str | Path) -> dict[str, Any]:
    """
    Read the parameters for every node from a ROS 2 parameter file.

    Returns dotted names with their values. Raises `ConfigurationError` where the file cannot be
    read, is not YAML, gives a key twice, has no ``/**`` section with ``ros__parameters``, or gives
    a threshold to a single node, which would judge by another one than the offline tool.
    """
    origin = str(path)
    document = _document(path)
    if not isinstance(document, dict):
        raise ConfigurationError(
            [f"found {shown(document)}, expected a ROS 2 parameter file that starts with '/**:'"],
            origin)
    sections = [document[name] for name in WILDCARDS if name in document]
    if not sections:
        raise ConfigurationError(
            [f"has no section '/**' (found {', '.join(map(str, document))}); the file must start "
             "with '/**:' and 'ros__parameters:' below it, so that every node reads it"], origin)
    astray = [f"{name}: stands under '{section}', for that node alone; put it under '/**', so "
              'that all nodes and the offline tool judge by it'
              for section in document if section not in WILDCARDS
              for name in _names(document[section]) if is_threshold_name(name)]
    if astray:
        raise ConfigurationError(astray, origin)
    parameters: dict[str, Any] = {}
    for section in sections:
        if not isinstance(section, dict) or not isinstance(section.get('ros__parameters'), dict):
            raise ConfigurationError(
                ["section '/**' has no group 'ros__parameters' below it"], origin)
        try:
            parameters.update(flatten(section['ros__parameters']))
        except ValueError as error:
            raise ConfigurationError([str(error)], origin) from error
    # Of what is empty, validation says what was expected.
    filled = {name: value for name, value in parameters.items() if value not in ([], None)}
    if problems := _not_for_ros(filled):
        raise ConfigurationError(problems, origin)
    return parameters


def _names(section: Any) -> list[str]:
    """Return the dotted names that a node's own section gives, none where it is out of shape."""
    group = section.get(GROUP) if isinstance(section, dict) else None
    try:
        return list(flatten(group)) if isinstance(group, dict) else []
    except ValueError:
        return []


def load_configuration(
        path: str | Path, profile: str | Path | None = None) -> Configuration:
    """
    Read the streams file and, over it, the thresholds of a profile.

    Raises `ConfigurationError` with every problem found; a profile may set thresholds only.
    """
    parameters = read_parameters(path)
    origin = str(path)
    if profile is not None:
        thresholds = read_parameters(profile)
        foreign = [name for name in thresholds if not is_threshold_name(name)]
        if foreign:
            raise ConfigurationError(
                [f'{name}: a profile may only set thresholds' for name in foreign], str(profile))
        parameters.update(thresholds)
        origin = f'{path} with {profile}'
    return configuration_from_parameters(parameters, origin)
