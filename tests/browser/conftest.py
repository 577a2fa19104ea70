"""One Chromium for all page tests."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

# Contrast of every visible text with what is behind it, by the formula of WCAG 2.2; gives the offenders.
CONTRAST = """() => {
  const channel = (c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const behind = (e) => {
    for (; e; e = e.parentElement) {
      const colour = parse(getComputedStyle(e).backgroundColor);
      if (colour.length < 4 || colour[3] > 0) return colour;
    }
    return [255, 255, 255];
  };
  const bad = [];
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.checkVisibility() || e.closest(".unseen, noscript")) continue;
    const style = getComputedStyle(e);
    const [a, b] = [light(parse(style.color)), light(behind(e))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
    if (ratio < (large ? 3 : 4.5)) bad.push(`${e.id || e.className || e.tagName}: ${ratio.toFixed(2)}`);
  }
  return bad;
}"""

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
