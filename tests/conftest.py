"""How the tests run: a busy machine is no failure, and what fails here fails everywhere."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# Time is measured by tests/bench, not by a property that met a busy moment. On the machine of
# continuous integration the examples are the same each time; elsewhere they keep exploring.
settings.register_profile(
    "project", deadline=None, derandomize=bool(os.environ.get("CI")), max_examples=60
)
settings.load_profile("project")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker more than cores: a test that waits for a process, a socket or a browser leaves
    its core to another one.
    """
    return len(os.sched_getaffinity(0)) + 1
