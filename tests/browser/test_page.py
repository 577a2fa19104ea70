"""The page in a real browser, at phone and desktop width, with scripted work behind it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from dashboard.app import create_app
from dashboard.serve import listen, page_address, serving
from dashboard.sound import SoundMemory
from monitor.measurements import Kind
from tests.browser.conftest import CONTRAST, listen_to
from tests.dashboard.shop import Shop, hold, info, warning

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}
NARROW = {"width": 360, "height": 640}
DESKTOP = {"width": 1280, "height": 800}
WALL = {"width": 3840, "height": 2160}


@pytest.fixture
def shop() -> Shop:
    """A batch that has been going well for a minute."""
    shop = Shop()
    shop.work(30, info(1, Kind.BLANK_START, "Blank 1 begins.", 1), info(2, Kind.PECK_START, "Peck 1.", 1, 1))
    shop.work(30, info(31, Kind.PECK_START, "Peck 2.", 1, 2))
    return shop


@pytest.fixture
def address(shop: Shop) -> Iterator[str]:
    app = create_app(shop.live, shop, sound=SoundMemory(8000))
    with closing(listen("127.0.0.1", 0)) as listening, shop.busy(), serving(app, listening):
        yield page_address("127.0.0.1", listening.getsockname()[1])


def opened(browser: Browser, address: str, complaints: list[str], size: dict[str, int], **how: Any) -> Page:
    page = browser.new_context(viewport=size, **how).new_page()
    listen_to(page, complaints)
    page.goto(address)
    expect(page.locator("#word")).to_have_text("ALL WELL")
    return page


def press_and_keep(page: Page, seconds: float) -> None:
    box = page.locator("#reset").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.wait_for_timeout(1000 * seconds)
    page.mouse.up()


@pytest.mark.parametrize(
    ("size", "scheme"), [(PHONE, "light"), (DESKTOP, "dark")], ids=["phone-light", "desktop-dark"]
)
def test_from_all_well_over_look_and_held_back_to_all_well(
    browser: Browser,
    address: str,
    shop: Shop,
    complaints: list[str],
    tmp_path: Path,
    size: dict[str, int],
    scheme: str,
) -> None:
    page = opened(browser, address, complaints, size, color_scheme=scheme)
    band = page.locator("#band")

    def look(name: str) -> None:
        page.screenshot(path=tmp_path / f"{name}.png")
        assert page.evaluate(CONTRAST) == []

    look("well")
    expect(page.locator("#blank")).to_have_text("1")
    expect(page.locator("#peck")).to_have_text("2")
    expect(page.locator("#peck-depth")).to_have_text("to 30 mm of 110 mm")
    expect(page.locator("#reset")).to_be_hidden()
    expect(page.locator("#hold-now")).to_be_visible()

    shop.lasting = True
    shop.coming = (warning(shop.t),)
    expect(page.locator("#word")).to_have_text("LOOK")
    expect(band).to_have_css("background-color", "rgb(255, 208, 0)")
    expect(page.locator("#why")).to_contain_text("4.6 % below its free speed")
    expect(page.locator("#alarm-voice")).to_contain_text("LOOK. The spindle slows")
    look("look")

    shop.coming = (hold(shop.t),)
    expect(page.locator("#word")).to_have_text("HELD")
    expect(band).to_have_css("background-color", "rgb(176, 0, 29)")
    expect(page.locator("#shape")).to_have_attribute("href", "#shape-held")
    expect(page.locator("#why")).to_contain_text("The drill is binding")
    expect(page.locator("#todo")).to_contain_text("Stop the spindle")
    expect(page.locator("#alarm-voice")).to_contain_text("HELD. The drill is binding")
    expect(page.locator("#events li").first).to_contain_text("blank 2, peck 3, at 34 mm")
    expect(page.locator("#refusal")).to_contain_text("still there (sag)")
    look("held")

    page.locator("#acknowledge").click()
    expect(page.locator("#acknowledge")).to_be_hidden()
    assert shop.board.held

    shop.lasting = False  # the drill is out
    expect(page.locator("#refusal")).to_be_hidden()
    press_and_keep(page, 0.5)
    expect(page.locator("#answer")).to_contain_text("Let go too soon")
    assert shop.board.held
    press_and_keep(page, 2.0)
    expect(page.locator("#word")).to_have_text("ALL WELL")
    assert shop.resets == ["dashboard at 127.0.0.1"]
    expect(page.locator("#acknowledge")).to_be_hidden()
    expect(page.locator("#state-voice")).to_contain_text("ALL WELL")
    look("well again")


@pytest.mark.parametrize("key", ["Enter", " "])
def test_the_keyboard_alone_will_do(
    browser: Browser, address: str, shop: Shop, complaints: list[str], key: str
) -> None:
    page = opened(browser, address, complaints, DESKTOP)
    shop.coming = (hold(shop.t),)
    expect(page.locator("#word")).to_have_text("HELD")
    page.keyboard.press("Tab")
    expect(page.locator("#acknowledge")).to_be_focused()
    page.keyboard.press(key)
    expect(page.locator("#acknowledge")).to_be_hidden()
    page.locator("#reset").focus()
    page.keyboard.press(key)  # a tap
    expect(page.locator("#answer")).to_contain_text("Let go too soon")
    page.keyboard.down(key)
    page.wait_for_timeout(300)
    page.keyboard.down(key)  # the keyboard repeats while a key is kept
    page.wait_for_timeout(1700)
    page.keyboard.up(key)
    expect(page.locator("#word")).to_have_text("ALL WELL")


@pytest.mark.parametrize("size", [NARROW, PHONE, DESKTOP, WALL], ids=["narrow", "phone", "desktop", "wall"])
def test_nothing_runs_out_of_the_page_and_the_caution_is_always_in_view(
    browser: Browser, address: str, shop: Shop, complaints: list[str], size: dict[str, int]
) -> None:
    page = opened(browser, address, complaints, size)
    for event in ((), (warning(shop.t),), (hold(shop.t),)):
        shop.coming = event
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        for part in ("#word", "#band .shape", "#why"):
            box = page.locator(part).bounding_box()
            assert box is not None
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= size["width"]
        for scroll in (0, 10_000):
            page.mouse.wheel(0, scroll)
            caution = page.locator("footer").bounding_box()
            assert caution is not None
            assert caution["y"] + caution["height"] <= size["height"] + 1
    word = page.locator("#word").bounding_box()
    assert word is not None
    # Read from three metres: common practice is a letter height of a 200th of the distance, 15 mm. The word
    # takes the width that the screen gives: at least half of a phone's.
    assert word["width"] > size["width"] * (0.5 if size["width"] < 900 else 0.25)


def test_lost_connection_says_so_within_two_seconds_and_the_gap_is_filled_on_return(
    browser: Browser, shop: Shop, complaints: list[str]
) -> None:
    with closing(listen("127.0.0.1", 0)) as listening, shop.busy():
        port = listening.getsockname()[1]
        with serving(create_app(shop.live, shop), listening):
            page = opened(browser, page_address("127.0.0.1", port), complaints, DESKTOP)
            page.wait_for_timeout(500)
    complaints.clear()  # the browser itself reports the lost socket
    expect(page.locator("#word")).to_have_text("NO DATA", timeout=2500)
    expect(page.locator("#why")).to_contain_text("No data since ")
    expect(page.locator("#todo")).to_contain_text("Last known: ALL WELL")
    expect(page.locator("#speed")).to_have_text("–")
    expect(page.locator("#stale")).to_be_visible()
    assert page.evaluate(CONTRAST) == []
    shop.work(3)  # while nobody could watch
    with (
        closing(listen("127.0.0.1", port)) as listening,
        shop.busy(),
        serving(create_app(shop.live, shop), listening),
    ):
        expect(page.locator("#word")).to_have_text("ALL WELL", timeout=10_000)
        expect(page.locator("#speed")).not_to_have_text("–")
        expect(page.locator("#stale")).to_be_hidden()
        gaps = page.evaluate("window.spindlebell.longestGap()")
    assert gaps < 0.06
    complaints.clear()


def test_a_stalled_microphone_is_no_data_though_the_server_lives(
    browser: Browser, shop: Shop, complaints: list[str]
) -> None:
    with closing(listen("127.0.0.1", 0)) as listening, serving(create_app(shop.live, shop), listening):
        with shop.busy():
            page = opened(browser, page_address("127.0.0.1", listening.getsockname()[1]), complaints, PHONE)
        expect(page.locator("#word")).to_have_text("NO DATA")
        expect(page.locator("#why")).to_contain_text("The sound has stopped coming.")
        expect(page.locator("#alarm-voice")).to_contain_text("NO DATA")


def test_inches_for_a_person_who_works_in_inches(browser: Browser, complaints: list[str]) -> None:
    job = Shop().job.model_copy(update={"units": "in"})
    shop = Shop(job)
    shop.work(3, info(1, Kind.PECK_START, "Peck 1.", 1, 1), hold(2))
    with closing(listen("127.0.0.1", 0)) as listening, serving(create_app(shop.live, shop), listening):
        page = browser.new_context(viewport=PHONE).new_page()
        listen_to(page, complaints)
        page.goto(page_address("127.0.0.1", listening.getsockname()[1]))
        expect(page.locator("#word")).to_have_text("HELD")
        expect(page.locator("#peck-depth")).to_have_text("to 1.42 in of 4.33 in")
        expect(page.locator("#events li").first).to_contain_text("at 1.34 in")
