"""The synthetic recordings: those in the repository are the ones that the command makes."""

import errno
import hashlib
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from monitor import whole_file
from monitor.cli import main
from monitor.job import load_job
from monitor.synth.files import to_pcm16
from monitor.synth.render import free_running, render_scene
from monitor.synth.scenes import DEFAULT_SEED, DEMO, SCENES, scene_job
from monitor.synth.truth import TRUTH_HZ

PUBLISHED = Path(__file__).parents[2] / "recordings_synthetic"


@pytest.fixture(scope="module")
def manifest() -> dict[str, Any]:
    content: dict[str, Any] = json.loads((PUBLISHED / "manifest.json").read_text())
    return content


def test_the_manifest_names_every_scene_and_says_it_is_synthetic(manifest: dict[str, Any]) -> None:
    assert manifest["synthetic"] is True
    assert "SYNTHETIC" in manifest["note"]
    assert manifest["seed"] == DEFAULT_SEED
    assert [entry["name"] for entry in manifest["scenes"]] == list(SCENES)


@pytest.mark.parametrize("name", list(SCENES))
def test_every_file_of_a_scene_is_there_and_fits(name: str, manifest: dict[str, Any]) -> None:
    entry = next(entry for entry in manifest["scenes"] if entry["name"] == name)
    sound = PUBLISHED / entry["file"]
    assert hashlib.sha256(sound.read_bytes()).hexdigest() == entry["sha256"]
    assert sound.stat().st_size < 3_000_000
    info = soundfile.info(sound)
    assert (info.samplerate, info.frames, info.channels) == (entry["fs"], entry["samples"], 1)
    assert 5 <= info.duration <= 30
    truth = json.loads((PUBLISHED / entry["truth"]).read_text())
    assert "SYNTHETIC" in truth["note"]
    assert len(truth["curves"]["rpm"]) == TRUTH_HZ * info.duration
    job = load_job(PUBLISHED / entry["job"])
    assert job == scene_job(SCENES[name].make(DEFAULT_SEED)).model_copy(update={"name": job.name})
    # Pecks of the truth are those of the job.
    for peck in truth["pecks"]:
        assert peck["depth_to_mm"] - peck["depth_from_mm"] == pytest.approx(job.pecks_mm[peck["peck"] - 1])
    assert len(entry["baseline"]) >= 2
    for recording in entry["baseline"]:
        assert soundfile.info(PUBLISHED / recording["file"]).samplerate == entry["fs"]


def test_all_together_stay_small() -> None:
    assert sum(path.stat().st_size for path in PUBLISHED.iterdir()) < 20_000_000


@pytest.mark.parametrize("name", ["hardwood_faint_lines", "loosening"])
def test_a_scene_made_again_is_the_published_one(name: str) -> None:
    recipe = SCENES[name]
    published, fs = soundfile.read(PUBLISHED / f"{name}.flac", dtype="int16")
    again = render_scene(recipe.make(DEFAULT_SEED), fs)
    # One step of 16 bits: another processor rounds its sines and transforms elsewhere in the last place.
    assert np.abs(to_pcm16(again.x).astype(int) - published).max() <= 1
    assert (
        json.loads(again.truth.to_json())["pecks"]
        == json.loads((PUBLISHED / f"{name}.truth.json").read_text())["pecks"]
    )


def test_a_baseline_recording_made_again_is_the_published_one() -> None:
    scene = SCENES["eccentric_burl"].make(DEFAULT_SEED)
    published, fs = soundfile.read(PUBLISHED / "baseline_burl_600rpm.flac", dtype="int16")
    again = free_running(scene.machine, scene.room, 600.0, published.size / fs, DEFAULT_SEED, fs)
    assert np.abs(to_pcm16(again).astype(int) - published).max() <= 1


def test_full_scale_is_not_wrapped_round() -> None:
    assert to_pcm16(np.array([-1.0, 0.0, 1.0], np.float32)).tolist() == [-32768, 0, 32767]


def test_another_seed_draws_another_machine_that_does_the_same_job() -> None:
    for name, recipe in SCENES.items():
        one, two = recipe.make(1), recipe.make(2)
        assert one.machine.shafts != two.machine.shafts, name
        assert scene_job(one).pecks_mm == scene_job(two).pecks_mm


def test_the_command_writes_a_scene_with_truth_job_and_baseline(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "new" / "recordings"
    assert main(["synth", str(out), "--scene", "lost_cut", "--seed", "5"]) == 0
    assert sorted(path.name for path in out.iterdir()) == [
        "baseline_quiet_1100rpm.flac",
        "baseline_quiet_700rpm.flac",
        "lost_cut.flac",
        "lost_cut.toml",
        "lost_cut.truth.json",
        "manifest.json",
    ]
    truth = json.loads((out / "lost_cut.truth.json").read_text())
    assert [fault["kind"] for fault in truth["faults"]] == ["lost_cut"]
    assert "1 synthetic scene" in capsys.readouterr().out
    # Writing again over its own is no loss: everything there can be made again.
    assert main(["synth", str(out), "--scene", "lost_cut", "--seed", "5"]) == 0


def test_the_command_lists_without_writing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["synth", "--list"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in listed] == [*SCENES, "cord_pulls"]
    assert DEMO.make(1).about in listed[-1]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "DIR is missing"),
        (["DIR", "--scene", "bnd"], 'there is no scene "bnd"; did you mean "bind"?'),
        (["DIR", "--seed", "-1"], "--seed: -1 is negative"),
    ],
)
def test_the_command_says_what_is_wrong_and_writes_nothing(
    arguments: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "recordings"
    assert main(["synth", *[str(out) if word == "DIR" else word for word in arguments]]) == 2
    assert message in capsys.readouterr().err
    assert not out.exists()


def test_a_full_disk_is_told_in_one_line_and_leaves_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def sync(path: Path) -> None:
        if path.suffix == ".part" and "bind.flac" in path.name:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(whole_file, "sync", sync)
    assert main(["synth", str(tmp_path), "--scene", "bind"]) == 2
    said = f"{tmp_path / 'bind.flac'}: cannot be written (No space left on device); free some space"
    assert said in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["manifest.json"]


def test_a_directory_of_other_things_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bind.flac").write_bytes(b"a real recording")
    assert main(["synth", str(tmp_path), "--scene", "bind"]) == 2
    assert "holds files that are not synthetic recordings" in capsys.readouterr().err
    assert (tmp_path / "bind.flac").read_bytes() == b"a real recording"
    assert main(["synth", str(tmp_path / "bind.flac")]) == 2
    assert "is a file; name a directory" in capsys.readouterr().err
