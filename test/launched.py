# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The package's launch files, for tests that have the real launch."""

from launch.actions import IncludeLaunchDescription
from launch.launch_description_sources import PythonLaunchDescriptionSource
from robot_mapping_qa.resources import share_file


def included(name, **arguments):
    """Return one of the package's launch files with its arguments."""
    return IncludeLaunchDescription(
        PythonLaunchDescriptionSource(str(share_file(f'launch/{name}'))),
        launch_arguments=arguments.items())
