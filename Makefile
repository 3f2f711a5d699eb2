# Set-up and daily commands. The environment is made on first use; see
# robot_mapping_qa/standalone/setup_environment.py.
#   make test                run the tests on ROS 2 Kilted from wheels, or on the sourced ROS 2
#   make test ROS=jazzy      the same on Jazzy
#   make test ARGS='-k gate' pass arguments on
#   make test-all            what takes long as well
#   make PYTHON=python3.12   choose the Python

ROS ?=
PYTHON ?= python3
ARGS ?=

SET_UP = $(PYTHON) robot_mapping_qa/standalone/setup_environment.py --ros '$(ROS)'

# Arguments may choose a few tests, which are not worth two parts.
PYTEST = python $(if $(ARGS),-m pytest $(ARGS),test/whole_suite.py)
# The last `-m` is the one that counts.
ALL = -m 'long or not long'

.PHONY: demo test test-all bench lint venv clean

demo:
	@$(SET_UP) -- demo $(ARGS)

test:
	@$(SET_UP) --tests -- $(PYTEST)

test-all:
	@$(SET_UP) --tests -- $(PYTEST) $(ALL)

bench:
	@$(SET_UP) --tests -- python test/bench/run_all.py $(ARGS)

lint:
	@$(SET_UP) --tests -- python -m flake8
	@$(SET_UP) --tests -- python -m mypy

venv:
	@$(SET_UP) --tests

clean:
	rm -rf .venv-* demo_output build install log *.egg-info .pytest_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
