"""The command line: exit statuses, one line for every error, and no more imports than asked for."""

import argparse
import importlib
import os
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor import __version__, cli
from monitor.errors import EvidenceError, JobError
from monitor.stopping import Terminated


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_listed_command_is_a_module_with_help(name, capsys):
    module = importlib.import_module(f"monitor.commands.{name}")
    module.add_arguments(argparse.ArgumentParser())
    assert callable(module.run)
    with pytest.raises(SystemExit) as ended:
        cli.main([name, "--help"])
    assert ended.value.code == 0
    assert f"spindlebell {name}" in capsys.readouterr().out


class Command:
    """A command whose run does what the test asks."""

    MANUAL = None

    def __init__(self, run):
        self.run = run

    def add_arguments(self, parser):
        parser.add_argument("file", nargs="?")


@pytest.fixture
def run_with(monkeypatch, capsys):
    """Run ``spindlebell replay ARGS`` with a command that does ``action``: status and both outputs."""

    def run(action, *argv):
        monkeypatch.setattr(cli.importlib, "import_module", lambda name: Command(action))
        status = cli.main(["replay", *argv])
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return run


def raising(error):
    def action(args):
        raise error

    return action


@pytest.mark.parametrize("status", [0, 10])
def test_the_command_decides_between_done_and_held(run_with, status):
    assert run_with(lambda args: status, "a.wav") == (status, "", "")


@pytest.mark.parametrize(
    ("error", "status", "line"),
    [
        (JobError("job.toml: wrong"), 2, "spindlebell replay: job.toml: wrong\n"),
        (JobError("two\nlines"), 2, "spindlebell replay: two lines\n"),
        (EvidenceError("out: disk full"), 1, "spindlebell replay: out: disk full\n"),
        (PermissionError(13, "Permission denied", "out"), 1,
         "spindlebell replay: [Errno 13] Permission denied: 'out'\n"),
        (KeyboardInterrupt(), 1, "spindlebell replay: stopped by the keyboard\n"),
        (Terminated(), 1, "spindlebell replay: stopped by SIGTERM\n"),
        (ZeroDivisionError("by zero"), 1,
         "spindlebell replay: a fault in the program itself, please report it: ZeroDivisionError: by zero\n"),
    ],
)  # fmt: skip
def test_errors_become_one_line_and_a_status(run_with, error, status, line):
    assert run_with(raising(error)) == (status, "", line)


def test_sigterm_ends_any_command_with_a_line_and_is_as_before_after_it(run_with):
    before = signal.getsignal(signal.SIGTERM)
    assert run_with(lambda args: signal.raise_signal(signal.SIGTERM)) == (
        1,
        "",
        "spindlebell replay: stopped by SIGTERM\n",
    )
    assert signal.getsignal(signal.SIGTERM) == before


def test_a_command_runs_in_another_thread_where_signals_are_not_its_own(run_with):
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(run_with, lambda args: 10).result() == (10, "", "")


def test_the_traceback_of_a_fault_can_be_asked_for(run_with, monkeypatch):
    monkeypatch.setenv("SPINDLEBELL_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        run_with(raising(ZeroDivisionError()))


@pytest.mark.parametrize("argv", [[], ["no-such-command"], ["--no-such-option"]])
def test_wrong_arguments_give_one_line_and_status_2(argv, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(argv)
    assert ended.value.code == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert captured.err.endswith("; see spindlebell --help\n")


def test_an_argument_too_many_names_the_command_whose_page_helps(capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(["report", "evidence", "-o", "report.html"])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said == "spindlebell report: unknown arguments: -o report.html; see spindlebell report --help\n"


def test_version_and_help(capsys):
    with pytest.raises(SystemExit):
        cli.main(["--version"])
    assert capsys.readouterr().out == f"spindlebell {__version__}\n"
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    shown = " ".join(capsys.readouterr().out.split())
    assert "not a safety function" in shown
    assert all(name in shown for name in cli.COMMANDS)


def test_help_loads_no_heavy_library():
    code = (
        "import sys; from monitor.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'fastapi', 'pydantic', 'sounddevice', 'soundfile'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stderr) == (0, "")


def test_a_reader_that_leaves_early_causes_no_complaint():
    code = (
        "import sys; from monitor import cli\n"
        "class Chatty:\n"
        "    MANUAL = None\n"
        "    add_arguments = staticmethod(lambda parser: None)\n"
        "    run = staticmethod(lambda args: [print('x' * 1000) for _ in range(1000)] and 0)\n"
        "cli.importlib.import_module = lambda name: Chatty\n"
        "sys.exit(cli.main(['replay']))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    with process:
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 1


@pytest.mark.parametrize(
    ("how", "status"),
    [
        ("plan --materials >&-", 0),
        ("plan --materials > /dev/full", 1),
        ("plan no-such-file 2> /dev/full", 2),
        ("plan no-such-file 2>&-", 2),
        ("plan --materials < /dev/null", 0),
    ],
)
def test_outputs_that_are_closed_or_full_change_no_status_and_show_no_traceback(how, status):
    done = subprocess.run(
        ["sh", "-c", f"{sys.executable} -m monitor.cli {how}"], capture_output=True, text=True, check=False
    )
    assert done.returncode == status
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") <= 1


def test_a_letter_that_the_terminal_lacks_is_escaped_and_ends_nothing(tmp_path):
    job = tmp_path / "job.toml"
    job.write_text(
        Path("monitor/data/cord_pulls.toml").read_text("utf-8").replace('name = "', 'name = "бур '), "utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "plan", str(job)],
        capture_output=True, check=False, env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stdout.startswith(rb"\u0431\u0443\u0440 ")


def test_what_could_command_a_terminal_is_escaped(run_with):
    _, _, err = run_with(raising(JobError("job \x1b[31mred\u202e")))
    assert err == "spindlebell replay: job \\x1b[31mred\\u202e\n"


def test_a_message_of_any_length_is_one_line_that_can_be_read(capsys: pytest.CaptureFixture[str]) -> None:
    name = "x" * 3000
    assert cli.main(["plan", name + ".toml"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("spindlebell plan: xxx")
    assert len(said) < 530
    assert said.endswith("give the path of a job file\n")
