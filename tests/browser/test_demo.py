"""The whole demo in a real browser: sound, core, alarms, line, evidence and page, watched and operated."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
import sys
import wave
from collections.abc import Iterator
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import listen_to

pytestmark = pytest.mark.browser

SPEED = 6  # times real time: as fast as synthesis and analysis together leave some room on a busy machine
BLANKS = 4
PATIENCE_MS = 90_000  # on a busy machine the demo runs slower than that
ADDRESS = re.compile(r"Open (http://127\.0\.0\.1:\d+/) in a browser")


class Demo:
    """A demo in a process of its own."""

    def __init__(self, out: Path) -> None:
        command = f"demo --speed {SPEED} --blanks {BLANKS} --port 0 --exit-when-done --out".split()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor", *command, str(out)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.said: list[str] = []
        self.address = self._read_address()

    def _read_address(self) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(line)
            if found := ADDRESS.search(line):
                return found[1]
        pytest.fail(f"the demo gave no address: {self.said}")

    def finish(self) -> int:
        """Let it come to its end; gives its exit status."""
        rest, _ = self.process.communicate(timeout=120)
        self.said += rest.splitlines()
        return self.process.returncode


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Demo]:
    demo = Demo(tmp_path / "evidence")
    yield demo
    demo.process.kill()
    demo.process.wait()
    assert demo.process.stdout is not None
    demo.process.stdout.close()


@pytest.mark.parametrize(
    ("size", "touch"), [((390, 844), True), ((1280, 800), False)], ids=["phone", "desktop"]
)
def test_a_batch_is_watched_held_at_the_bind_reset_and_finished(
    browser: Browser, demo: Demo, complaints: list[str], tmp_path: Path, size: tuple[int, int], touch: bool
) -> None:
    width, height = size
    page = browser.new_context(viewport={"width": width, "height": height}, has_touch=touch).new_page()
    listen_to(page, complaints)
    page.goto(demo.address)
    expect(page.locator("#synthetic")).to_contain_text("Synthetic demo.")
    expect(page.locator("#word")).to_have_text("ALL WELL", timeout=PATIENCE_MS)
    for blank in ("1", "2", "3"):
        expect(page.locator("#blank")).to_have_text(blank, timeout=PATIENCE_MS)
    expect(page.locator("#blanks-done")).to_have_text(re.compile("2 done, .* left"))
    page.screenshot(path=tmp_path / "well.png")

    expect(page.locator("#word")).to_have_text("HELD", timeout=PATIENCE_MS)
    expect(page.locator("#why")).to_contain_text(re.compile(r"\d+\.\d %"))
    expect(page.locator("#events li.hold")).to_have_count(1)
    expect(page.locator("#events li.hold .where")).to_contain_text("blank 3, peck 5")
    page.screenshot(path=tmp_path / "held.png")

    with page.expect_response("**/api/hold.wav*") as answer:
        page.locator("#play-hold").click()
    with wave.open(BytesIO(answer.value.body())) as sound:
        assert 5 < sound.getnframes() / sound.getframerate() < 11
    page.locator("#acknowledge").click()
    expect(page.locator("#acknowledge")).to_be_hidden()
    judge(page)
    expect(page.locator("#refusal")).to_be_hidden()
    expect(page.locator("#word")).to_have_text("HELD")
    take_report(page)  # while the machine waits: at the end of the batch this demo is gone
    page.get_by_role("link", name="Live", exact=True).click()
    press_and_keep(page, touch)
    expect(page.locator("#word")).not_to_have_text("HELD")

    expect(page.locator("#blank")).to_have_text("4", timeout=PATIENCE_MS)
    expect(page.locator("#word")).to_have_text("ALL WELL", timeout=PATIENCE_MS)
    assert complaints == []
    assert demo.finish() == 10
    expect(page.locator("#word")).to_have_text("NO DATA", timeout=3000)
    page.close()
    complaints.clear()  # the browser itself reported that the server has gone
    assert f"The batch is over: {BLANKS} blanks, 1 hold." in "\n".join(demo.said)
    events = [json.loads(line) for line in (tmp_path / "evidence/events.jsonl").read_text().splitlines()]
    # packed chips are what binds: told as such where the load climbs before the sag is over its limit
    ((kind, blank),) = [(e["kind"], e["blank"]) for e in events if e["severity"] == "hold"]
    assert kind in ("sag", "packing")
    assert blank == 3
    with closing(sqlite3.connect(tmp_path / "evidence/evidence.db")) as db:
        assert db.execute("SELECT verdict FROM verdicts").fetchall() == [("real",)]
    assert len({e["blank"] for e in events if e["kind"] == "blank_start"}) == BLANKS


def judge(page: Page) -> None:
    """Look at the hold, listen to its clip and say that it was real."""
    page.get_by_role("link", name="Holds", exact=True).click()
    page.locator("#holds li.hold a").first.click()
    audio = page.locator("#moment audio")
    audio.evaluate("a => a.play()")
    expect(audio).to_have_js_property("paused", False)
    expect(page.locator("#moment canvas.orders")).to_be_visible()
    page.get_by_label("Real: it had to be held or told").check()
    page.get_by_role("button", name="Keep this verdict").click()
    expect(page.locator("#verdict-answer")).to_contain_text("Kept.")


def take_report(page: Page) -> None:
    """The one-page report of the batch so far."""
    page.get_by_role("link", name="Batches", exact=True).click()
    page.get_by_role("link", name="1: cord pulls").click()
    with page.expect_download(timeout=2 * PATIENCE_MS) as download:
        page.get_by_role("link", name="The report, one page (HTML)").click()
    report = download.value.path().read_text("utf-8")
    assert "cord pulls" in report
    assert len(report) > 10_000


def press_and_keep(page: Page, touch: bool) -> None:
    if not touch:
        page.locator("#reset").hover()
        page.mouse.down()
        page.wait_for_timeout(2500)
        page.mouse.up()
        return
    box: Any = page.locator("#reset").bounding_box()
    finger = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
    hand = page.context.new_cdp_session(page)
    hand.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [finger]})
    page.wait_for_timeout(2500)
    hand.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
