# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Finding the files that come with the package but are not Python: config/ and launch/."""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

PACKAGE = 'robot_mapping_qa'


def share_file(relative: str | Path) -> Path:
    """
    Return the absolute path of a file of the package, such as 'config/example.yaml'.

    The path is relative to the source tree, and to share/robot_mapping_qa where the package is
    installed. FileNotFoundError names the folders where it was looked for.
    """
    folders = _share_folders()
    for folder in folders:
        path = folder / relative
        if path.is_file():
            return path
    looked_in = ', '.join(str(folder) for folder in folders) or 'no folder: none is installed'
    raise FileNotFoundError(f'{PACKAGE} has no file {relative}; looked in {looked_in}')


def _share_folders() -> list[Path]:
    """List where the files may be; first where they are sure to belong to the running code."""
    # Resolved, so that a build folder of `colcon build --symlink-install` leads to the source.
    source = Path(__file__).resolve().parents[1]
    if (source / 'setup.py').is_file() and (source / 'package.xml').is_file():
        return [source]
    return [folder for folder in (_ament_share_folder(), _pip_share_folder()) if folder]


def _ament_share_folder() -> Path | None:
    """Return the share folder known to ROS, or None where there is no ROS."""
    try:
        from ament_index_python.packages import get_package_share_directory
        return Path(get_package_share_directory(PACKAGE))
    except (ImportError, LookupError, OSError):
        # Not installed, no such package in the sourced workspaces, or nothing sourced.
        return None


def _pip_share_folder() -> Path | None:
    """Return the share folder that pip made, or None where the package came otherwise."""
    # The record of the installation knows it in a venv, under ~/.local and in /usr/local alike.
    try:
        files = metadata.files(PACKAGE) or []
    except metadata.PackageNotFoundError:
        return None
    for file in files:
        if file.parts[-3:] == ('share', PACKAGE, 'package.xml'):
            return Path(file.locate()).resolve().parent
    return None
