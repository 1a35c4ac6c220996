"""What all tests share: reproducible property tests, and outside programs that may be missing only at home."""

from __future__ import annotations

import os
import shutil

import hypothesis
import pytest

# No deadline: a shared two-core machine stalls for longer than any example takes.
hypothesis.settings.register_profile("ci", derandomize=True, deadline=None)
hypothesis.settings.register_profile("home", deadline=None)
hypothesis.settings.load_profile("ci" if os.environ.get("CI") else "home")


def need(program: str) -> str:
    """Return the path of an outside program; skip the test where it is missing, but fail under CI."""
    path = shutil.which(program)
    if path is not None:
        return path
    if os.environ.get("CI"):
        pytest.fail(f"{program} is not installed, and CI is to run this test; add it to the packages of the CI job")
    pytest.skip(f"{program} is not installed on this machine")


@pytest.fixture(name="need", scope="session")
def need_fixture():
    return need


@pytest.fixture
def stored(tmp_path):
    def store(content, name="recording"):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return store
