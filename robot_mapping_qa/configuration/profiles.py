# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Finding a profile of thresholds by its name."""

from __future__ import annotations

from pathlib import Path

from robot_mapping_qa.resources import share_file

FOLDER = 'config/profiles'


def profile_file(name: str) -> Path:
    """
    Return the file of a profile given by name, such as 'aerial', or by path.

    Raises FileNotFoundError with a sentence for the user.
    """
    if name.endswith('.yaml') or '/' in name:
        path = Path(name).expanduser()
        if not path.is_file():
            raise FileNotFoundError(f'profile {name}: there is no such file')
        return path
    try:
        return share_file(f'{FOLDER}/{name}.yaml')
    except FileNotFoundError:
        folder = share_file(f'{FOLDER}/aerial.yaml').parent
        known = ', '.join(sorted(path.stem for path in folder.glob('*.yaml')))
        raise FileNotFoundError(
            f'profile {name}: not known; the package has {known}; a file of your own is given '
            'by its path') from None
