"""The report of a batch in a browser: at home on a phone, on paper, and without a network."""

import re

from monitor import cli
from tests.test_report_command import evidence, written  # noqa: F401 (fixtures)


def test_it_prints_and_asks_for_nothing_from_the_network(browser, evidence):  # noqa: F811
    assert cli.main(["report", str(evidence)]) == 0
    asked, told = [], []
    shown = browser.new_page(viewport={"width": 390, "height": 800})
    shown.on("request", lambda request: asked.append(request.url))
    shown.on("console", lambda message: told.append(message.text))
    shown.goto((evidence / "report-0001.html").as_uri())
    assert shown.evaluate("document.documentElement.scrollWidth") <= 390
    pdf = shown.pdf(prefer_css_page_size=True)
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert told == []
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 3
