"""All views in a browser: accessibility, thresholds, holds, verdicts, batches, coming in, sound, units."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from starlette.types import ASGIApp

from dashboard.app import create_app
from dashboard.entry import Entry
from dashboard.serve import listen, page_address, serving
from dashboard.sound import SoundMemory
from dashboard.spectrogram import OrderSpectrogram
from monitor.evidence.archive import Archive
from monitor.measurements import Kind
from tests.browser.conftest import CONTRAST, listen_to
from tests.dashboard.shop import Shop, hold, info, warning
from tests.dashboard.test_entry import KEYS
from tests.dashboard.test_past import keep_batch
from tests.dashboard.test_spectrogram import baseline, sound

pytestmark = pytest.mark.browser

NARROW = {"width": 360, "height": 740}
DESKTOP = {"width": 1280, "height": 800}
WALL = {"width": 3840, "height": 2160}


@pytest.fixture(scope="module")
def directory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two batches that were drilled before."""
    directory = tmp_path_factory.mktemp("evidence")
    keep_batch(directory, blanks=12)
    keep_batch(directory, blanks=5, t_hold=11.0)
    return directory


@pytest.fixture
def shop() -> Shop:
    """A batch that has been going well for a minute, with a picture of its sound."""
    picture = OrderSpectrogram(baseline(106.2, 53.1, 212.5, fs=16_000), 900.0, 16_000)
    shop = Shop(picture=picture, batch=2)
    shop.work(30, info(1, Kind.BLANK_START, "Blank 1 begins.", 1), info(2, Kind.PECK_START, "Peck 1.", 1, 1))
    shop.work(30, info(31, Kind.PECK_START, "Peck 2.", 1, 2))
    picture.take(np.tile(sound(16_000, 2.0, 106.2), 30))
    return shop


@contextmanager
def served(app: ASGIApp, shop: Shop) -> Iterator[str]:
    with closing(listen("127.0.0.1", 0)) as listening, shop.busy(), serving(app, listening):
        yield page_address("127.0.0.1", listening.getsockname()[1])


@pytest.fixture
def address(shop: Shop, directory: Path) -> Iterator[str]:
    app = create_app(shop.live, shop, sound=SoundMemory(8000), archive=Archive(directory), batch=2)
    with served(app, shop) as address:
        yield address


def opened(browser: Browser, address: str, complaints: list[str], size: dict[str, int], **how: Any) -> Page:
    page = browser.new_context(viewport=size, **how).new_page()
    listen_to(page, complaints)
    page.goto(address)
    return page


def until(true: Callable[[], bool], timeout_s: float = 5.0) -> None:
    """Wait for what the page's content policy keeps Playwright's own waiting from evaluating."""
    end = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


# ---- the look of every view


@pytest.mark.parametrize(
    ("size", "scheme"),
    [(NARROW, "light"), (NARROW, "dark"), (DESKTOP, "light"), (DESKTOP, "dark"), (WALL, "dark")],
    ids=["360-light", "360-dark", "1280-light", "1280-dark", "3840-dark"],
)
def test_every_view_is_accessible_legible_and_within_the_page(
    browser: Browser,
    address: str,
    shop: Shop,
    complaints: list[str],
    tmp_path: Path,
    size: dict[str, int],
    scheme: str,
) -> None:
    page = opened(browser, address, complaints, size, color_scheme=scheme)
    expect(page.locator("#word")).to_have_text("ALL WELL")

    def look(name: str) -> None:
        page.screenshot(path=tmp_path / f"{name}.png", full_page=size is not WALL)
        assert page.evaluate(CONTRAST) == [], name
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], name
        if (size, scheme) in ((NARROW, "dark"), (DESKTOP, "light"), (WALL, "dark")):
            return  # one size in each scheme is enough for its rules
        found = Axe().run(page, options={"resultTypes": ["violations"]})
        assert [v["id"] for v in found.response["violations"]] == [], found.generate_report()

    look("live well")
    shop.lasting = True
    shop.coming = (warning(shop.t),)
    expect(page.locator("#word")).to_have_text("LOOK")
    look("live look")
    shop.coming = (hold(shop.t),)
    expect(page.locator("#word")).to_have_text("HELD")
    look("live held")
    for tab, ready in (("Holds", "#holds li"), ("Batches", "#batches li"), ("Settings", "#rights")):
        page.get_by_role("link", name=tab, exact=True).click()
        expect(page.locator(ready).first).to_be_visible()
        look(tab.lower())
    for view, ready in (
        ("hold/4", "#moment canvas"),
        ("batch/1", "#batch table"),
        ("compare/1/2", "#compare table"),
        ("hold/999", "#moment [role=alert]"),
    ):
        page.goto(f"{address}#/{view}")
        expect(page.locator(ready).first).to_be_visible()
        if view == "hold/999":
            complaints.clear()  # the browser itself tells that there is none
        expect(page.get_by_text("Reckoning.")).to_have_count(0)
        page.wait_for_timeout(200)
        look(view.replace("/", " "))


# ---- thresholds


def test_a_threshold_is_dragged_on_the_curve_and_counts_at_once(
    browser: Browser, address: str, shop: Shop, complaints: list[str]
) -> None:
    page = opened(browser, address, complaints, DESKTOP)
    other = opened(browser, address, complaints, DESKTOP)
    handle = page.locator("#limit-hold")
    expect(handle).to_have_text("hold 8 %")
    box, lower = handle.bounding_box(), page.locator("#limit-warning").bounding_box()
    assert box is not None
    assert lower is not None
    per_percent = (lower["y"] - box["y"]) / 4
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y + per_percent, steps=4)
    assert shop.limits == []  # not before it is let go
    page.mouse.move(x, y + 2 * per_percent, steps=4)
    page.mouse.up()
    expect(page.locator("#limits-answer")).to_contain_text("In force now: warning 4 %, hold 6")
    ((_, held, by),) = shop.limits
    assert held == pytest.approx(6.0, abs=0.15)
    assert by == "dashboard at 127.0.0.1"
    expect(page.locator("#sag-of")).to_have_text(f"warning 4 %, hold {held:g} %")
    expect(other.locator("#limit-hold")).to_have_text(f"hold {held:g} %")  # everybody sees it
    handle.hover()
    page.mouse.down()
    page.mouse.move(x, 790, steps=4)
    page.mouse.up()
    expect(handle).to_have_text("hold 4.1 %")  # never before the warning


def test_thresholds_by_keyboard(browser: Browser, address: str, shop: Shop, complaints: list[str]) -> None:
    page = opened(browser, address, complaints, DESKTOP)
    slider = page.get_by_role("slider", name="Sag that warns, per cent")
    slider.focus()
    for key in ("ArrowUp", "ArrowUp", "PageDown"):
        page.keyboard.press(key)
    expect(slider).to_have_attribute("aria-valuenow", "3.2")
    page.keyboard.press("Enter")
    expect(page.locator("#limits-answer")).to_contain_text("warning 3.2 %")
    assert [limits[:2] for limits in shop.limits] == [(3.2, 8.0)]
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Escape")
    expect(slider).to_have_attribute("aria-valuenow", "3.2")
    page.wait_for_timeout(900)
    assert len(shop.limits) == 1


# ---- holds and verdicts


def test_a_new_drill_takes_two_presses(browser: Browser, address: str, complaints: list[str]) -> None:
    page = opened(browser, address, complaints, NARROW)
    button, answer = page.locator("#new-drill"), page.locator("#new-drill-answer")
    button.click()
    expect(button).to_have_text("Yes, a new drill is in")
    expect(page.locator("#events")).not_to_contain_text("sharpened drill")
    button.click()
    expect(answer).to_contain_text("Entered in the evidence.")
    expect(page.locator("#events")).to_contain_text("A new or sharpened drill (dashboard at 127.0.0.1).")
    expect(button).to_have_text("New drill")


@pytest.mark.parametrize("size", [NARROW, DESKTOP], ids=["phone", "desktop"])
def test_a_hold_is_heard_looked_at_and_judged(
    browser: Browser, address: str, directory: Path, complaints: list[str], size: dict[str, int]
) -> None:
    page = opened(browser, address, complaints, size)
    page.get_by_role("link", name="Holds", exact=True).click()
    page.locator("#holds-batch").select_option("1")
    expect(page.locator("#holds li")).to_have_count(2)
    page.locator("#holds li.hold a").click()
    expect(page.locator("#moment-title")).to_have_text("Sag: hold")
    expect(page.locator("#moment-title")).to_be_focused()
    audio = page.locator("#moment audio")
    audio.evaluate("a => a.play()")
    until(lambda: audio.evaluate("a => a.currentTime") > 0.3)
    assert audio.evaluate("a => a.duration") == pytest.approx(7.2, abs=0.01)
    crossed = page.evaluate(
        "import('/page/moment.js').then(m => m.crossing([0, 1, 2, 3], [1, 5, 9, 9], 6, 3))"
    )
    assert crossed == pytest.approx(1.25)
    page.get_by_label("False: the work was sound").check()
    note = f"a door, at {size['width']}"
    page.get_by_label("Note").fill(note)
    page.get_by_role("button", name="Keep this verdict").click()
    expect(page.locator("#verdict-answer")).to_contain_text("Kept.")
    verdict = Archive(directory).events(1)[3].verdict
    assert verdict is not None
    assert (verdict.verdict, verdict.note) == ("false", note)
    page.get_by_role("link", name="All of this batch").click()
    expect(page.locator("#holds li.hold .verdict")).to_have_text("False")
    expect(page.locator("#holds-state")).to_contain_text("1 of 2 not judged")


def test_batches_are_looked_at_compared_and_taken_away(
    browser: Browser, address: str, directory: Path, complaints: list[str], tmp_path: Path
) -> None:
    page = opened(browser, address, complaints, DESKTOP)
    page.get_by_role("link", name="Batches", exact=True).click()
    expect(page.locator("#batches li")).to_have_count(2)
    for number in (1, 2):
        page.get_by_label(f"Choose batch {number} to compare").check()
    page.get_by_role("link", name="Compare two").click()
    expect(page.locator("#compare-title")).to_have_text("Batches 1 and 2")
    row = page.locator("#compare tr", has=page.get_by_role("rowheader", name="Sag of peck 2"))
    # 1 + 0.2 times the blank, the middle one of 12 and of 5
    expect(row.locator("td")).to_have_text(["2.30 %", "1.60 %"])
    page.get_by_role("link", name="Batch 1", exact=True).click()
    expect(page.locator("#wear-words")).to_contain_text("The load rises")
    table = page.get_by_role("region", name="Table of every blank and peck")
    expect(table.locator("tbody tr")).to_have_count(12)
    expect(table.locator("td.bad")).to_have_text("1.9 Sag")
    for name in ("Events (JSON lines)", "Curves (CSV)", "Pecks (CSV)", "Sound clips (ZIP of FLAC)"):
        with page.expect_download() as download:
            page.get_by_role("link", name=name).click()
        assert download.value.suggested_filename.startswith("batch-0001-")
        assert download.value.path().stat().st_size > 100


# ---- coming in


def test_a_link_lets_in_to_watch_and_the_other_to_operate(
    browser: Browser, shop: Shop, complaints: list[str]
) -> None:
    with served(create_app(shop.live, shop, entry=Entry(KEYS)), shop) as address:
        page = opened(browser, address, complaints, NARROW)
        expect(page.get_by_role("heading", name="Come in")).to_be_visible()
        assert page.evaluate(CONTRAST) == []
        assert Axe().run(page).violations_count == 0
        page.get_by_label("Link or token").fill("guess")
        page.get_by_role("button", name="Come in").click()
        expect(page.locator("#enter-answer")).to_contain_text("That token is not right")
        complaints.clear()  # the browser itself tells of the refusal
        page.goto(f"{address}#enter={KEYS.watch}")
        expect(page.locator("#word")).to_have_text("ALL WELL")
        assert page.url == address  # the token does not stay in the address
        assert page.evaluate("document.cookie") == ""
        expect(page.locator("#limit-hold")).not_to_have_attribute("role", "slider")

        page.get_by_role("button", name="Hold now").click()
        expect(page.locator("#word")).to_have_text("HELD")
        expect(page.locator("#why")).to_contain_text("Held by hand (dashboard at 127.0.0.1)")
        expect(page.locator("#reset")).to_be_hidden()
        expect(page.locator("#acknowledge")).to_be_hidden()
        expect(page.locator("#only-watching")).to_be_visible()
        assert page.evaluate("fetch('/api/acknowledge', {method: 'POST'}).then(a => a.status)") == 403
        complaints.clear()

        page.goto(f"{address}#enter={KEYS.operate}")
        expect(page.locator("#acknowledge")).to_be_visible()
        expect(page.locator("#reset")).to_be_visible()
        page.get_by_role("link", name="Settings").click()
        expect(page.locator("#rights")).to_contain_text("may operate")
        page.get_by_role("button", name="Go out").click()
        expect(page.get_by_role("heading", name="Come in")).to_be_visible()
        complaints.clear()


# ---- sound, units


def test_the_alarm_sounds_after_it_was_allowed_until_it_is_acknowledged(
    browser: Browser, address: str, shop: Shop, complaints: list[str]
) -> None:
    page = opened(browser, address, complaints, DESKTOP)
    expect(page.locator("#word")).to_have_text("ALL WELL")
    button = page.get_by_role("button", name="Alarm sound is off")
    expect(button).to_have_attribute("aria-pressed", "false")
    button.click()
    expect(page.get_by_role("button", name="Alarm sound is on")).to_have_attribute("aria-pressed", "true")
    played = "window.spindlebell.soundsPlayed()"
    assert page.evaluate(played) == 1  # what it will sound like
    page.wait_for_timeout(300)
    assert page.evaluate(played) == 1  # and nothing while all is well
    shop.coming = (hold(shop.t),)
    until(lambda: page.evaluate(played) >= 3)  # again and again
    page.locator("#acknowledge").click()
    expect(page.locator("#acknowledge")).to_be_hidden()
    after = page.evaluate(played)
    page.wait_for_timeout(1800)
    assert page.evaluate(played) == after


def test_the_person_chooses_inches_or_millimetres(
    browser: Browser, address: str, complaints: list[str]
) -> None:
    page = opened(browser, address, complaints, DESKTOP)
    expect(page.locator("#peck-depth")).to_have_text("to 30 mm of 110 mm")
    page.get_by_role("link", name="Settings").click()
    page.get_by_label("Inches").check()
    page.get_by_role("link", name="Live").click()
    expect(page.locator("#peck-depth")).to_have_text("to 1.18 in of 4.33 in")
    expect(page.locator("#peck-units")).to_have_text("in")
    page.reload()
    expect(page.locator("#peck-depth")).to_have_text(re.compile(" in$"))


def test_without_a_batch_under_way_past_work_is_shown(
    browser: Browser, directory: Path, complaints: list[str]
) -> None:
    with (
        closing(listen("127.0.0.1", 0)) as listening,
        serving(create_app(None, None, archive=Archive(directory)), listening),
    ):
        page = opened(browser, page_address("127.0.0.1", listening.getsockname()[1]), complaints, DESKTOP)
        expect(page.locator("#batches li")).to_have_count(2)
        expect(page.locator("#band")).to_be_hidden()
        expect(page.get_by_role("link", name="Live")).to_be_hidden()
