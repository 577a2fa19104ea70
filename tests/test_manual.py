"""The manual page of each command: whole, true to the options, and every example can be typed."""

from __future__ import annotations

import argparse
import importlib
import shlex

import pytest

from monitor import cli
from monitor.manual import CAUTION, ManualPage

SECTIONS = ["NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS", "EXIT STATUS", "EXAMPLES", "CAUTION", "SEE ALSO"]


def command(name: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(f"spindlebell {name}")
    importlib.import_module(f"monitor.commands.{name}").add_arguments(parser)
    return parser


def shown(name: str, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit):
        cli.main([name, "--help"])
    return capsys.readouterr().out


@pytest.mark.parametrize("columns", ["40", "80", "200"])
@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_page_has_its_sections_in_order(
    name: str, columns: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    text = shown(name, capsys)
    titles = [line for line in text.splitlines() if line and not line.startswith(" ")]
    assert [title for title in titles if title in SECTIONS] == SECTIONS
    assert " ".join(CAUTION.split()) in " ".join(text.split())


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_option_is_told_with_its_default(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = " ".join(shown(name, capsys).split())
    for action in command(name)._actions:
        words = (action.help or "") % {"default": action.default, "prog": ""}
        assert words, action.dest
        assert " ".join(words.split()) in text
        assert all(option in text for option in action.option_strings)
        if action.option_strings and action.nargs != 0 and not action.required:
            assert "default" in words, f"{action.option_strings}: what if it is left out?"


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_examples_can_be_typed_and_statuses_are_those_of_the_program(name: str) -> None:
    manual = importlib.import_module(f"monitor.commands.{name}").MANUAL
    assert manual.examples
    for typed, what_for in manual.examples:
        program, *words = shlex.split(typed)
        assert program == "spindlebell"
        assert cli._parser(words).parse_args(words).command == name
        assert what_for.endswith(":")
    held = {cli.EXIT_HELD} if name in ("demo", "listen", "replay", "spindles") else set()
    assert set(manual.all_statuses()) == {cli.EXIT_DONE, cli.EXIT_INPUT, cli.EXIT_OTHER} | held


def test_a_page_is_laid_out_to_the_width_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    manual = importlib.import_module("monitor.commands.listen").MANUAL
    monkeypatch.setenv("COLUMNS", "80")
    page = ManualPage(command("listen"), "what it does", manual).text()
    examples = {f"      {typed}" for typed, _ in manual.examples}
    assert max(len(line) for line in page.splitlines() if line not in examples) <= 80
