# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Build description, for colcon (ament_python) and for pip."""

from pathlib import Path

from setuptools import find_packages, setup

PACKAGE = 'robot_mapping_qa'


def share_files(folder, pattern):
    """List the files of a folder for data_files, keeping its subfolders under share/."""
    root = Path(__file__).parent
    by_folder = {}
    for path in sorted((root / folder).rglob(pattern)):
        if path.is_file() and '__pycache__' not in path.parts:
            relative = path.relative_to(root)
            target = f'share/{PACKAGE}/{relative.parent.as_posix()}'
            by_folder.setdefault(target, []).append(relative.as_posix())
    return list(by_folder.items())


setup(
    name=PACKAGE,
    version='0.1.0',
    description='Clock, pose and capture checks for a robot that carries a mapping unit',
    author='The robot_mapping_qa authors',
    maintainer='The robot_mapping_qa authors',
    maintainer_email='robot_mapping_qa@example.org',
    license='Apache-2.0',
    packages=find_packages(include=[PACKAGE, f'{PACKAGE}.*']),
    package_data={PACKAGE: ['**/*.css', '**/*.html', '**/*.js', '**/*.svg', '**/*.txt',
                            '**/*.yaml']},
    data_files=[
        ('share/ament_index/resource_index/packages', [f'resource/{PACKAGE}']),
        (f'share/{PACKAGE}', ['package.xml']),
        *share_files('config', '*'),
        *share_files('launch', '*.py'),
    ],
    python_requires='>=3.10',
    # The ROS packages are not on this list: they come with the ROS installation (package.xml)
    # or with the set-up of a bare machine (robot_mapping_qa/standalone). The offline tool needs
    # none of them. Lower bounds: what Ubuntu 24.04, the home of Jazzy and Kilted, ships.
    install_requires=[
        'aiohttp>=3.9',
        'Jinja2>=3.1',
        'mcap>=1.6',
        'numpy>=1.26',
        'Pillow>=10.2',
        'PyYAML>=6.0',
        'rosbags>=0.11',
        'scipy>=1.11',
        'tqdm>=4.66',
    ],
    extras_require={'cluster': ['distributed>=2023.12'], 'test': ['pytest']},
    zip_safe=False,
    entry_points={
        'console_scripts': [
            'assess_bag = robot_mapping_qa.bag.assess_bag:main',
            'camera_monitor = robot_mapping_qa.nodes.camera_monitor:main',
            'capture_gate = robot_mapping_qa.nodes.capture_gate:main',
            'capture_ledger = robot_mapping_qa.nodes.capture_ledger:main',
            'capture_relay = robot_mapping_qa.nodes.capture_relay:main',
            'demo = robot_mapping_qa.demo.run:main',
            'learn_profile = robot_mapping_qa.bag.learn_profile:main',
            'monitor = robot_mapping_qa.nodes.monitor:main',
            'pose_monitor = robot_mapping_qa.nodes.pose_monitor:main',
            'quality_log = robot_mapping_qa.nodes.quality_log:main',
            'rig = robot_mapping_qa.nodes.rig:main',
            'site_page = robot_mapping_qa.nodes.site_page:main',
            'sync_monitor = robot_mapping_qa.nodes.sync_monitor:main',
        ],
    },
)
