"""The shop's page in a browser: what needs somebody first, and nothing old as if it were new."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from dashboard.entry import Entry
from dashboard.fleet.page import create_shop_app
from dashboard.fleet.shop import ShopState
from dashboard.fleet.words import Presence, Record, RecordKind
from dashboard.serve import listen, page_address, serving
from tests.browser.conftest import CONTRAST, listen_to
from tests.dashboard.test_entry import KEYS
from tests.fleet.states import HOLD, state

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 740}
DESKTOP = {"width": 1280, "height": 800}
WORDS = {3: "HELD", 5: "LOOK", 11: "STOPPED"}
LOST, ENDED, UNHEARD = 7, 8, 9


class Clocks:
    """Time that passes only when a test says so."""

    passed = 50.0


def fill(shop: ShopState, n: int) -> None:
    """A shop of ``n``: one held, one to look at, one lost, one ended, one known from the past alone."""
    now = time.time()
    shop.broker(True)
    for i in range(1, n + 1):
        word = WORDS.get(i, "ALL WELL") if n > 1 else "ALL WELL"
        shop.take_state(f"lathe-{i}", state(word, at=now, since=now - 70), retained=i == UNHEARD)
    if n > 1:
        for i, here in ((LOST, "lost"), (ENDED, "ended")):
            if i > n:
                break
            shop.take_presence(f"lathe-{i}", Presence.model_validate({"here": here, "run": "ab"}))
    body = {"severity": "hold", "message": HOLD}
    record = Record(stream="ab", seq=1, first=1, oldest=1, at=now, kind=RecordKind.EVENT, body=body)
    shop.take_record("lathe-1", record)


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def shop(clocks: Clocks) -> ShopState:
    return ShopState(monotonic=lambda: clocks.passed)


@contextmanager
def served(shop: ShopState, entry: Entry | None = None, port: int = 0) -> Iterator[str]:
    with (
        closing(listen("127.0.0.1", port)) as listening,
        serving(create_shop_app(shop, entry=entry), listening),
    ):
        yield page_address("127.0.0.1", listening.getsockname()[1])


def opened(browser: Browser, complaints: list[str], url: str, size: dict[str, int], scheme: str) -> Page:
    page = browser.new_page(viewport=size, color_scheme=scheme)  # type: ignore[arg-type]
    listen_to(page, complaints)
    page.goto(url)
    return page


def names(page: Page, where: str) -> list[str]:
    return page.locator(f"#{where} .name").all_inner_texts()


@pytest.mark.parametrize("n", [1, 12, 100])
def test_it_can_be_read_at_every_size_by_day_and_by_night(
    browser: Browser, complaints: list[str], shop: ShopState, n: int
) -> None:
    fill(shop, n)
    with served(shop) as url:
        page = opened(browser, complaints, url, PHONE, "light")
        expect(page.locator("#word")).to_have_text("ALL WELL" if n == 1 else "HELD")
        expect(page.locator(".tile")).to_have_count(n)
        for size in (PHONE, DESKTOP):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                assert page.evaluate(CONTRAST) == []
        if n == 12:
            results = Axe().run(page)
            assert results.violations_count == 0, results.generate_report()
        page.close()


def test_what_needs_somebody_comes_first_and_what_is_old_says_since_when(
    browser: Browser, complaints: list[str], shop: ShopState, clocks: Clocks
) -> None:
    fill(shop, 12)
    with served(shop) as url:
        page = opened(browser, complaints, url, DESKTOP, "light")
        expect(page.locator("#counts")).to_have_text(
            "1 held · 2 without a word · 1 to look at · 6 all well · 1 stopped · 1 ended"
        )
        assert names(page, "needing") == ["lathe-3", "lathe-7", "lathe-9", "lathe-5"]
        assert names(page, "calm")[-2:] == ["lathe-11", "lathe-8"]
        lost = page.locator(".tile", has_text="lathe-7")
        expect(lost).to_contain_text("No word since")
        expect(lost).to_contain_text("Last known: ALL WELL")
        assert "rpm" not in lost.inner_text()
        expect(page.locator(".tile", has_text="lathe-8")).to_contain_text("Ended in good order")

        shop.take_state("lathe-12", state("HELD"), False)
        expect(page.locator("#why")).to_have_text("lathe-3, lathe-12.")
        assert names(page, "needing")[:2] == ["lathe-3", "lathe-12"]

        clocks.passed += 60  # nobody is heard any more
        shop.tick()
        expect(page.locator("#word")).to_have_text("NO DATA")
        assert "rpm" not in page.locator("main .tiles").first.inner_text()
        # Held when last heard of comes before the rest.
        assert names(page, "needing")[:2] == ["lathe-3", "lathe-12"]
        expect(page.locator(".tile", has_text="lathe-3").first).to_contain_text("Last known: HELD")

        shop.broker(False, "it does not answer")
        expect(page.locator("#why")).to_contain_text("The broker is not reached since")
        page.close()


def test_a_server_that_is_gone_is_said_and_one_that_is_back_is_found(
    browser: Browser, complaints: list[str], shop: ShopState
) -> None:
    fill(shop, 2)
    with ExitStack() as running:
        url = running.enter_context(served(shop))
        page = browser.new_page(viewport=DESKTOP)  # type: ignore[arg-type]
        page.goto(url)
        expect(page.locator("#word")).to_have_text("ALL WELL")
        running.close()
        expect(page.locator("#word")).to_have_text("NO DATA")
        expect(page.locator("#why")).to_contain_text("this page does not reach its server")
        expect(page.locator(".tile").first).to_contain_text("No word since")
        running.enter_context(served(shop, port=int(url.rstrip("/").rsplit(":", 1)[1])))
        expect(page.locator("#word")).to_have_text("ALL WELL", timeout=10_000)
        page.close()


def test_on_a_network_it_asks_for_a_token_and_offers_nothing_to_press(
    browser: Browser, complaints: list[str], shop: ShopState
) -> None:
    fill(shop, 12)
    with served(shop, Entry(KEYS)) as url:
        page = browser.new_page(viewport=DESKTOP)  # type: ignore[arg-type]
        page.goto(url)
        expect(page.locator("#view-enter")).to_be_visible()
        expect(page.locator("#view-shop")).to_be_hidden()
        page.fill("#token", KEYS.operate)
        page.click("#enter button")
        expect(page.locator("#word")).to_have_text("HELD")
        buttons = [text.strip() for text in page.locator("button:visible").all_inner_texts()]
        assert all("sound" in text for text in buttons), buttons
        page.close()


def test_a_name_or_a_sentence_is_text_and_never_part_of_the_page(
    browser: Browser, complaints: list[str], shop: ShopState
) -> None:
    shop.broker(True)
    bad = "<img src=x onerror=alert(1)>"
    shop.take_state("a", state("HELD", why=bad, todo=bad, job=bad, page="javascript:alert(1)"), False)
    with served(shop) as url:
        page = opened(browser, complaints, url, DESKTOP, "light")
        expect(page.locator(".tile .told")).to_have_text(bad)
        assert page.locator(".tile img, .tile a").count() == 0
        page.close()
