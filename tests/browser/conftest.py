"""One Chromium for all page tests."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, headless; tests/check.py installs it where it is missing."""
    if CHROMIUM is None:
        pytest.skip("no Chromium here: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=[
                "--no-sandbox",  # as root there is none
                "--disable-gpu",
                "--disable-background-networking",
                "--no-first-run",
                "--autoplay-policy=no-user-gesture-required",
            ],
        )
        yield browser
        browser.close()


@pytest.fixture
def complaints() -> Iterator[list[str]]:
    """Whatever any page says on its console or throws; the test fails when there is something."""
    said: list[str] = []
    yield said
    assert said == []


def listen_to(page: Page, complaints: list[str]) -> None:
    """Collect a page's errors and warnings."""
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda message: complaints.append(message.text) if message.type in ("error", "warning") else None,
    )


@pytest.fixture(autouse=True)
def _close_windows(browser: Browser) -> Iterator[None]:
    """No page of an earlier test goes on drawing."""
    yield
    for context in browser.contexts:
        context.close()
