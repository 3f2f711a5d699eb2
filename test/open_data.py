# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Open data for tests, from the source distributions of two general-purpose packages.

evo (trajectories of the EuRoC and TUM RGB-D data sets) and allantools (clock data with reference
results) carry them in their source distributions only. pip fetches those from the package index
it is configured with, once, into a cache folder; pip prepares the package's metadata on the way
but nothing is built or installed.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
import subprocess
import sys
import tarfile
import tempfile

import pytest

_SHA256 = {
    'evo-1.38.1': '1d63faeeb37604641db65bdd08b0e83e71884071de368058a9c45bdcac3fc3f7',
    'allantools-2024.6': 'c4380c74de834ac869aefc899038e784ef1dd396370be89d6836abffbe484289',
}


def evo_data() -> Path:
    """Return the folder with evo's test trajectories; skips the calling test as `_folder`."""
    return _folder('evo-1.38.1') / 'test' / 'data'


def allantools_data() -> Path:
    """Return the folder with allantools' reference data; skips the calling test as `_folder`."""
    return _folder('allantools-2024.6') / 'tests'


def _folder(release: str) -> Path:
    """
    Return the unpacked source distribution ``name-version``.

    Where the package index cannot be reached the calling test is skipped, or fails if the
    environment says that it runs in continuous integration (CI=true). Any other trouble fails.
    """
    cache = Path(os.environ.get('XDG_CACHE_HOME') or Path.home() / '.cache') / 'robot_mapping_qa'
    folder = cache / release
    if folder.is_dir():
        return folder
    cache.mkdir(parents=True, exist_ok=True)
    # Unpacked aside and renamed when complete, so a test run cut short leaves nothing half done.
    with tempfile.TemporaryDirectory(dir=cache) as scratch:
        archive = _download(release, Path(scratch))
        found = hashlib.sha256(archive.read_bytes()).hexdigest()
        if found != _SHA256[release]:
            pytest.fail(f'{archive.name}: SHA-256 is {found}, expected {_SHA256[release]}')
        with tarfile.open(archive) as contents:
            contents.extractall(scratch, filter='data')
        try:
            (Path(scratch) / release).rename(folder)
        except OSError:
            # Another test process was faster.
            if not folder.is_dir():
                raise
    return folder


def _download(release: str, target: Path) -> Path:
    name, version = release.split('-')
    # Only the package itself as source: its build backend may come as a wheel.
    command = [
        sys.executable, '-m', 'pip', 'download', '--quiet', '--retries', '1', '--timeout', '20',
        '--no-deps', '--no-binary', name, '--dest', str(target), f'{name}=={version}']
    result = subprocess.run(command, capture_output=True, text=True)
    if result.returncode == 0:
        return target / f'{release}.tar.gz'
    reason = f'{release} cannot be fetched from the package index'
    if 'connection broken by' not in result.stderr:
        pytest.fail(f'{reason}:\n{result.stderr}')
    if os.environ.get('CI', '').lower() == 'true':
        pytest.fail(f'{reason}, which continuous integration (CI=true) must reach')
    pytest.skip(f'{reason} (no connection)')
