# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How often things are looked at, live and offline alike."""

TICK_HZ = 20.0
"""How often the monitors and the gate look at the time."""

VERDICT_TICKS = 2
"""A monitor repeats an unchanged verdict every so many ticks; a changed one it sends at once."""
