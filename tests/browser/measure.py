"""What the page costs and how fast it is: ``python tests/browser/measure.py [--minutes 10]`` prints a table.

In one process: a listener on synthetic sound, paced in real time, with the page's server beside it, as
`demo` and `listen` have it. In others: a real Chromium, and clients that only watch.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import resource
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.app import create_app
from dashboard.live import LiveState
from dashboard.serve import listen, page_address, serving
from dashboard.sound import SoundMemory
from dashboard.spectrogram import OrderSpectrogram
from monitor.alarm import AlarmBoard
from monitor.commands.demo import learn_machine
from monitor.listener import Listener
from monitor.measurements import Heard
from monitor.synth.scenes import demo_scene, render_scene, scene_job
from tests.browser.conftest import CHROMIUM
from tests.dashboard.shop import Shop, hold

FS = 48_000
BLOCK = 2400

WATCHER = """
import asyncio, sys
from websockets.asyncio.client import connect
async def watch(port):
    at = f"127.0.0.1:{port}"
    async with connect(f"ws://{at}/api/live", origin=f"http://{at}", compression=None) as one:
        async for _ in one: pass
async def main(port, n):
    await asyncio.gather(*(watch(port) for _ in range(n)))
asyncio.run(main(int(sys.argv[1]), int(sys.argv[2])))
"""


class Work:
    """A listener at work on a batch without end, in a thread, and how long each block took it."""

    def __init__(self, speed: float = 1.0) -> None:
        scene = demo_scene(2, bind_on_blank=99)
        _, baseline = learn_machine(scene)
        job = scene_job(scene)
        picture = OrderSpectrogram(baseline, job.spindle_rpm, FS)
        self.shop = Shop(job, picture=picture)
        self.live: LiveState = self.shop.live
        self.sound = SoundMemory(FS, picture)
        self.took: list[float] = []
        self._listener = Listener(baseline, job, FS)
        self._x = render_scene(scene, FS).x
        self._speed = speed
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Work:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        blocks = itertools.cycle(np.split(self._x[: self._x.size // BLOCK * BLOCK], self._x.size // BLOCK))
        next_at = time.monotonic()
        while not self._stop.is_set():
            x = next(blocks)
            began = time.perf_counter()
            heard = self._listener.feed(x)
            self.took.append(time.perf_counter() - began)
            events, self.shop.coming = self.shop.coming, ()
            for event in events:
                self.shop.board = self.shop.board.raised(event)
            self.live.heard(Heard(heard.trace, [*events], heard.pecks), self.shop.board)
            self.sound.take(x)
            next_at = max(next_at + BLOCK / FS / self._speed, time.monotonic() - 1)
            time.sleep(max(0.0, next_at - time.monotonic()))


@contextmanager
def watching(port: int, n: int) -> Iterator[None]:
    """So many clients in a process of their own."""
    process = subprocess.Popen(["nice", "-n", "20", sys.executable, "-c", WATCHER, str(port), str(n)])
    try:
        time.sleep(1.0 + n / 50)
        yield
    finally:
        process.terminate()
        process.wait()


def event_to_pixel(browser: Browser, url: str, work: Work, n: int = 40) -> list[float]:
    """Seconds from a hold being told to the page to the frame after the one that shows it."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(url)
    page.wait_for_timeout(3000)
    page.evaluate(
        """() => { window.seen = []; new MutationObserver(() => {
            const word = document.getElementById("band").dataset.word;
            requestAnimationFrame(() => requestAnimationFrame(() => window.seen.push([word, Date.now()])));
        }).observe(document.getElementById("band"), {attributes: true, attributeFilter: ["data-word"]}); }"""
    )
    told = []
    for _ in range(n):
        time.sleep(0.6 + random.random() * 0.2)
        told.append(time.time())
        work.shop.board = AlarmBoard()
        work.shop.coming = (hold(1.0),)
        time.sleep(0.5)
        work.shop.board = AlarmBoard()
        work.live.operated(work.shop.board)
    seen = [at / 1000 for word, at in page.evaluate("window.seen") if word == "HELD"]
    page.close()
    return [s - t for s, t in zip(seen, told, strict=True)]


def first_paint(browser: Browser, url: str, n: int = 7) -> list[float]:
    """Seconds to the first contentful paint, nothing cached."""
    times = []
    for _ in range(n):
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(url)
        page.wait_for_timeout(500)
        times.append(
            page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") / 1000
        )
        context.close()
    return times


def heap_mb(page: Page) -> float:
    """Heap in use after a collection, MB."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    used: float = session.send("Runtime.getHeapUsage")["usedSize"]
    session.detach()
    return used / 1e6


def heap_growth(browser: Browser, url: str, minutes: float) -> tuple[float, float]:
    """Heap after a minute and a half, when the curves are full, and at the end."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(url)
    page.wait_for_timeout(90_000)
    before = heap_mb(page)
    page.wait_for_timeout(60_000 * minutes)
    after = heap_mb(page)
    page.close()
    return before, after


def processor_s() -> float:
    """Processor seconds of this process so far."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def cost_of(port: int, n: int, seconds: float) -> float:
    """Share of a core that this process uses with so many watching."""
    with watching(port, n):
        before, began = processor_s(), time.monotonic()
        time.sleep(seconds)
        return (processor_s() - before) / (time.monotonic() - began)


def slowing(work: Work, port: int, n: int, rounds: int, seconds: float) -> tuple[float, float]:
    """Middle time of a block of analysis without and with so many watching, in turns; ms."""

    def middle() -> float:
        work.took.clear()
        time.sleep(seconds)
        return 1000 * statistics.median(work.took)

    alone, watched = [], []
    for _ in range(rounds):
        alone.append(middle())
        with watching(port, n):
            watched.append(middle())
    return statistics.median(alone), statistics.median(watched)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=0.0, help="of 20 updates a second, for the heap")
    parser.add_argument("--rounds", type=int, default=4, help="turns without and with 50 watching")
    args = parser.parse_args()
    with suppress(PermissionError):  # before any other busy program, where that is allowed
        os.nice(-15)

    def row(what: str, value: str) -> None:
        print(f"| {what} | {value} |", flush=True)

    with (
        Work() as work,
        closing(listen("127.0.0.1", 0)) as listening,
        serving(create_app(work.live, work.shop, sound=work.sound), listening),
        sync_playwright() as playwright,
    ):
        port = listening.getsockname()[1]
        url = page_address("127.0.0.1", port)
        print("| what | measured |\n|---|---|")
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        ask: Callable[[list[float], float], float] = lambda t, q: float(np.quantile(t, q))  # noqa: E731
        paint = first_paint(browser, url)
        row(
            "first contentful paint, loopback, nothing cached",
            f"{ask(paint, 0.5):.2f} s, worst {max(paint):.2f} s",
        )
        pixel = event_to_pixel(browser, url, work)
        row(
            f"event to pixel, {len(pixel)} holds, analysis running",
            f"median {1000 * ask(pixel, 0.5):.0f} ms, 95th percentile {1000 * ask(pixel, 0.95):.0f} ms",
        )
        if args.minutes:
            before, after = heap_growth(browser, url, args.minutes)
            row(
                f"heap after {args.minutes:g} min of 20 updates a second",
                f"{after:.1f} MB, {after - before:+.1f} MB",
            )
        browser.close()
        none, ten = cost_of(port, 0, 10), cost_of(port, 10, 10)
        row("server's share of a core for each of 10 clients", f"{100 * (ten - none) / 10:.2f} %")
        alone, watched = slowing(work, port, 50, args.rounds, 8)
        row(
            "a block of analysis, alone and with 50 watching",
            f"{alone:.2f} ms, {watched:.2f} ms, ratio {watched / alone:.3f}",
        )


if __name__ == "__main__":
    main()
