# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The one parameter file that drives live nodes and the offline tool alike."""

from robot_mapping_qa.configuration.model import Configuration, Stream
from robot_mapping_qa.configuration.parameter_file import (
    load_configuration, parameter_sections, read_parameters)
from robot_mapping_qa.configuration.problems import ConfigurationError
from robot_mapping_qa.configuration.validation import configuration_from_parameters

__all__ = [
    'Configuration', 'ConfigurationError', 'Stream', 'configuration_from_parameters',
    'load_configuration', 'parameter_sections', 'read_parameters',
]
