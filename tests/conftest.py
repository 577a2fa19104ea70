"""What every test shares."""

import shutil

import pytest
from hypothesis import settings

# No time limit on an example: how fast the machine is that runs the tests is not what they test.
settings.register_profile("spindlebell", deadline=None, print_blob=True)
settings.load_profile("spindlebell")


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of a Chromium for Playwright's ``executable_path``; tests/check.py installs one where none is."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if path := shutil.which(name):
            return path
    pytest.skip("no Chromium on this machine; tests/check.py installs one")
