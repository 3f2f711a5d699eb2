# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Reading ROS 2 parameter files without ROS, for the offline tool."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from robot_mapping_qa.configuration.model import Configuration
from robot_mapping_qa.configuration.problems import ConfigurationError, shown
from robot_mapping_qa.configuration.validation import (
    configuration_from_parameters, is_threshold_name)
import yaml

WILDCARDS = ('/**', '**')
"""Sections that speak to every node; sections of single nodes do not concern the offline tool."""


def flatten(group: dict, prefix: str = '') -> dict[str, Any]:
    """Return nested parameter groups as dotted names, as ROS 2 itself does."""
    flat: dict[str, Any] = {}
    for key, value in group.items():
        name = f'{prefix}{key}'
        if isinstance(value, dict):
            flat.update(flatten(value, f'{name}.'))
        else:
            flat[name] = value
    return flat


def read_parameters(path: str | Path) -> dict[str, Any]:
    """
    Read the parameters for every node from a ROS 2 parameter file.

    Returns dotted names with their values. Raises `ConfigurationError` where the file cannot be
    read, is not YAML, or has no ``/**`` section with ``ros__parameters``.
    """
    origin = str(path)
    try:
        text = Path(path).read_text(encoding='utf-8')
    except UnicodeDecodeError as error:
        raise ConfigurationError([f'is not a text file: {error}'], origin) from error
    except OSError as error:
        raise ConfigurationError([f'cannot be read: {error.strerror}'], origin) from error
    try:
        document = yaml.safe_load(text)
    except yaml.YAMLError as error:
        where = getattr(error, 'problem_mark', None)
        line = f'line {where.line + 1}: ' if where else ''
        what = getattr(error, 'problem', None) or 'not readable as YAML'
        raise ConfigurationError([f'{line}not valid YAML: {what}'], origin) from error
    if not isinstance(document, dict):
        raise ConfigurationError(
            [f"found {shown(document)}, expected a ROS 2 parameter file that starts with '/**:'"],
            origin)
    sections = [document[name] for name in WILDCARDS if name in document]
    if not sections:
        raise ConfigurationError(
            [f"has no section '/**' (found {', '.join(map(str, document))}); the file must start "
             "with '/**:' and 'ros__parameters:' below it, so that every node reads it"], origin)
    parameters: dict[str, Any] = {}
    for section in sections:
        if not isinstance(section, dict) or not isinstance(section.get('ros__parameters'), dict):
            raise ConfigurationError(
                ["section '/**' has no group 'ros__parameters' below it"], origin)
        parameters.update(flatten(section['ros__parameters']))
    return parameters


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
