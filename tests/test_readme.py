"""What the README and the other guides tell people to type and to read is there, and does what they say."""

import argparse
import importlib
import json
import re
import shlex
import textwrap
from pathlib import Path

import pytest

from monitor import cli
from monitor.job import load_job
from monitor.station import EXAMPLE, parse_station

ROOT = Path(__file__).parent.parent
FIRST = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
MORE = sorted(
    path.relative_to(ROOT).as_posix()
    for top in ("monitor", "hardware")
    for path in (ROOT / top).rglob("*.md")
)
GUIDES = {name: (ROOT / name).read_text("utf-8") for name in (*FIRST, *MORE)}


def fenced(name):
    """Language and text of each fenced block of a guide, without the indentation of a list."""
    parts = re.split(r"^ *```(\w*)\n", GUIDES[name], flags=re.MULTILINE)
    return list(zip(parts[1::4], map(textwrap.dedent, parts[2::4]), strict=True))


BLOCKS = [text for name in GUIDES for language, text in fenced(name) if language == "sh"]
COMMANDS = [shlex.split(line, comments=True) for text in BLOCKS for line in text.splitlines()]
OURS = [words[1:] for words in COMMANDS if words[0] == "spindlebell"]
OURS += [words[3:] for words in COMMANDS if words[:3] == ["python3", "-m", "monitor"]]
((_, LAYOUT),) = ((language, text) for language, text in fenced("DEVELOPERS.md") if "listener.py" in text)


def toml(name):
    """The one TOML block of a guide."""
    (text,) = (text for language, text in fenced(name) if language == "toml")
    return text


JOB = toml("README.md")


def test_commands_were_found():
    assert {words[0] for words in OURS} == {
        "demo",
        "baseline",
        "check",
        "listen",
        "page",
        "plan",
        "replay",
        "synth",
        "pecks",
        "report",
        "shop",
        "spindles",
        "thresholds",
    }
    assert ["python3", "tests/check.py"] in COMMANDS


@pytest.mark.parametrize("words", OURS, ids=" ".join)
def test_commands_are_understood(words):
    assert cli._parser(words).parse_args(words).command == words[0]


def test_options_named_in_passing_exist():
    texts = (text for name, text in GUIDES.items() if name not in ("DEVELOPERS.md", "CHANGELOG.md"))
    named = set(re.findall(r"`(--[a-z-]+)", "\n".join(texts)))
    known = set()
    for name in cli.COMMANDS:
        parser = argparse.ArgumentParser()
        importlib.import_module(f"monitor.commands.{name}").add_arguments(parser)
        known |= set(parser._option_string_actions)
    assert named
    assert named <= known


def test_the_job_file_of_the_readme_is_a_job_with_the_defaults_it_states(tmp_path):
    text = JOB
    path = tmp_path / "job.toml"
    path.write_text(text, "utf-8")
    stated = load_job(path)
    path.write_text(text.partition("[thresholds]")[0], "utf-8")
    assert load_job(path) == stated
    assert stated.units == "in"


def test_what_a_job_file_may_say_for_a_plan_is_understood(tmp_path):
    text, more = JOB, toml("monitor/docs/howto/plan_before_cutting.md")
    for header, lines in re.findall(r"^(\[\w+\])[^\n]*\n((?:\w[^\n]*\n)+)", more, re.MULTILINE):
        text = text.replace(header, f"{header}\n{lines}") if header in text else f"{text}\n{header}\n{lines}"
    path = tmp_path / "job.toml"
    path.write_text(text, "utf-8")
    job = load_job(path)
    assert (job.point_angle_deg, job.lip_clearance_deg) == (118.0, 12.0)
    assert (job.dwell_s, job.droop_rpm_per_nm, job.reload_s) == (0.2, 150.0, 20.0)
    assert None not in (job.clearance_mm, job.retract_mm, job.approach_mm)
    assert None not in (job.rapid_mm_min, job.acceleration_mm_s2)


def test_the_station_file_of_the_reference_is_the_example_that_messages_show():
    station = toml("monitor/docs/reference/files.md")
    assert parse_station(station, "files.md") == parse_station(EXAMPLE, "example")


def test_the_published_scenes_give_what_the_readme_says(tmp_path, monkeypatch):
    (block,) = (text for text in BLOCKS if "bind.flac" in text)
    lines = [shlex.split(line) for line in block.replace("../evidence", str(tmp_path)).splitlines()]
    monkeypatch.chdir(ROOT / "recordings_synthetic")
    assert [cli.main(words[1:]) for words in lines if words[0] == "spindlebell"] == [0, 10, 0]
    events = (tmp_path / "bind" / "events.jsonl").read_text("utf-8").splitlines()
    (hold,) = (line for line in events if '"severity": "hold"' in line)
    said = re.search(r"warned of at 0:(\d+) and held at 0:(\d+) in its fourth peck", GUIDES["README.md"])
    assert said is not None
    first = next(line for line in events if '"severity": "warning"' in line)
    assert [int(json.loads(line)["t"]) for line in (first, hold)] == [int(second) for second in said.groups()]
    assert json.loads(hold)["peck"] == 4


@pytest.mark.parametrize(
    ("guide", "target"),
    [(name, link) for name in GUIDES for link in re.findall(r"\]\((?!https?:)([^)]+)\)", GUIDES[name])],
)
def test_links_lead_somewhere(guide, target):
    path, _, heading = target.partition("#")
    file = ((ROOT / guide).parent / path).resolve() if path else ROOT / guide
    assert file.exists()
    installed = ("monitor", "hardware", "dashboard")
    assert guide in FIRST or file.relative_to(ROOT).parts[0] in installed, "it leads out of what is installed"
    titles = re.findall(r"^#+ (.+)$", GUIDES.get(file.relative_to(ROOT).as_posix(), ""), re.MULTILINE)
    assert not heading or heading in {re.sub(r"[^\w -]", "", t).lower().replace(" ", "-") for t in titles}


def test_every_guide_can_be_reached_from_the_readme():
    reached, waiting = set(), ["README.md"]
    while waiting:
        guide = waiting.pop()
        reached.add(guide)
        for link in re.findall(r"\]\((?!https?:)([^)#]+)", GUIDES[guide]):
            file = ((ROOT / guide).parent / link).resolve().relative_to(ROOT).as_posix()
            waiting += [file] if file in GUIDES and file not in reached else []
    assert reached == set(GUIDES)


@pytest.mark.parametrize(
    ("guide", "said"),
    [
        ("README.md", "a monitor, not a safety function"),
        ("README.md", "leaves the spindle turning"),
        ("index.md", "not a safety function"),
        ("tutorial.md", "not a safety function"),
        ("tutorial.md", "a finger on the hold key"),
        ("signal_core.md", "not a safety function"),
        ("howto/bring_a_recording.md", "Keep the guard shut"),
        ("howto/place_the_microphone.md", "Never reach into a running machine"),
        ("howto/learn_the_baseline.md", "guard shut"),
        ("howto/wire_the_hold_line.md", "no safety function"),
        ("howto/wire_the_hold_line.md", "licensed for it"),
        ("howto/wire_the_hold_line.md", "leaves the spindle turning"),
        ("howto/plan_before_cutting.md", "check every block at the machine"),
        ("howto/use_the_page.md", "presses and keeps Reset"),
        ("howto/tune_the_thresholds.md", "a hand on the feed hold"),
        ("howto/read_the_pecks.md", "a hand on the feed hold"),
        ("howto/recover_after_a_hold.md", "spindle still turns"),
        ("howto/recover_after_a_hold.md", "Reset starts no motion"),
        ("howto/move_to_another_machine.md", "tested anew"),
        ("howto/use_it_on_a_network.md", "A reset starts no motion"),
        ("reference/commands.md", "not a safety function"),
        ("reference/events.md", "no safety function"),
        ("reference/thresholds.md", "None of these is a safety setting"),
    ],
)
def test_guides_say_what_can_hurt_where_it_can(guide, said):
    text = GUIDES.get(guide) or GUIDES[f"monitor/docs/{guide}"]
    assert said in " ".join(text.replace("*", "").split())


def test_paths_named_in_the_guides_exist():
    ours = r"(?<![\w/.])(?:monitor|dashboard|hardware|tests|\.ci)/[\w/.]*\w"
    named = set(re.findall(ours, "\n".join(GUIDES.values())))
    assert len(named) > 10
    assert {path for path in named - {"monitor/commands/NAME.py"} if not (ROOT / path).exists()} == set()


@pytest.mark.parametrize("folder", ["monitor", "monitor/faults", "monitor/signal"])
def test_the_layout_names_every_module_of_the_core_and_no_other(folder):
    files = {path.stem for path in (ROOT / folder).glob("[!_]*.py")}
    assert files <= set(re.findall(r"\w+", LAYOUT))
    everywhere = {
        path.stem for top in ("monitor", "dashboard", "hardware") for path in (ROOT / top).rglob("*.py")
    }
    assert set(re.findall(r"(\w+)\.py", LAYOUT)) <= everywhere
