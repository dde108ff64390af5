"""How the tests run: a busy machine is no failure, and what fails here fails everywhere."""

from __future__ import annotations

import os

from hypothesis import settings

# Time is measured by tests/bench, not by a property that met a busy moment. On the machine of
# continuous integration the examples are the same each time; elsewhere they keep exploring.
settings.register_profile(
    "project", deadline=None, derandomize=bool(os.environ.get("CI")), max_examples=60
)
settings.load_profile("project")
