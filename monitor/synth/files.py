"""Synthetic recordings on disk: sound, truth, job and baseline recordings, with a manifest of them all."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor import __version__
from monitor.errors import InputError
from monitor.recordings import flac
from monitor.synth.scenes import Recipe, free_running, job_toml, render_scene
from monitor.synth.truth import NOTE
from monitor.whole_file import write_whole

MANIFEST = "manifest.json"

BASELINE_SECONDS = 7.0


def to_pcm16(x: NDArray[np.float32]) -> NDArray[np.int16]:
    """Return samples of full scale 1 as 16-bit integers, rounded to nearest."""
    return np.asarray(np.clip(np.rint(x * 32768.0), -32768, 32767), np.int16)


def write_scenes(directory: Path, recipes: Mapping[str, Recipe], seed: int) -> Iterator[str]:
    """Write the scenes into ``directory``, yielding the name of each as it is done, the manifest last.

    A file is written aside and moved into place when whole. A directory that holds anything but earlier
    synthetic recordings is refused.

    Raises
    ------
    InputError
        The directory cannot be used, or a file in it not be written.
    """
    _claim(directory)
    baselines: dict[tuple[str, float], str] = {}
    entries: list[dict[str, Any]] = []
    for name, recipe in recipes.items():
        scene = recipe.make(seed)
        played = render_scene(scene, recipe.fs)
        entry: dict[str, Any] = {
            "name": name,
            "about": scene.about,
            "scene_seed": scene.seed,
            "machine_seed": scene.machine.seed,
            "room_seed": scene.room.seed,
            "line_snr_db": scene.room.snr_db,
            **_write_flac(directory / f"{name}.flac", played.x, recipe.fs),
            "truth": f"{name}.truth.json",
            "job": f"{name}.toml",
            "baseline": [],
        }
        _put(directory / entry["truth"], played.truth.to_json())
        _put(directory / entry["job"], job_toml(scene))
        for rpm in recipe.baseline_rpm:
            file = f"baseline_{recipe.setup}_{rpm:.0f}rpm.flac"
            if (recipe.setup, rpm) not in baselines:
                x = free_running(scene.machine, scene.room, rpm, BASELINE_SECONDS, seed, recipe.fs)
                _write_flac(directory / file, x, recipe.fs)
                baselines[recipe.setup, rpm] = file
            entry["baseline"].append({"rpm": rpm, "file": file})
        entries.append(entry)
        yield name
    manifest = {
        "note": NOTE,
        "synthetic": True,
        "made_by": f"spindlebell {__version__}: spindlebell synth DIR --seed {seed}",
        "seed": seed,
        "scenes": entries,
    }
    _put(directory / MANIFEST, json.dumps(manifest, indent=1) + "\n")


def _claim(directory: Path) -> None:
    if directory.exists() and not directory.is_dir():
        raise InputError(f"{directory}: is a file; name a directory")
    if directory.is_dir() and any(directory.iterdir()) and not _is_ours(directory / MANIFEST):
        raise InputError(
            f"{directory}: holds files that are not synthetic recordings; name a new or an empty directory"
        )
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{directory}: cannot be made ({error.strerror}); name another directory") from error
    if not (directory / MANIFEST).exists():  # so that a broken-off run can be taken up again
        _put(directory / MANIFEST, json.dumps({"note": NOTE, "synthetic": True, "scenes": []}) + "\n")


def _is_ours(manifest: Path) -> bool:
    try:
        content = json.loads(manifest.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(content, dict) and content.get("synthetic") is True


def _put(path: Path, content: str | bytes) -> None:
    try:
        write_whole(path, content)
    except OSError as error:
        reason = error.strerror or error
        raise InputError(
            f"{path}: cannot be written ({reason}); free some space, or name another directory"
        ) from error


def _write_flac(path: Path, x: NDArray[np.float32], fs: int) -> dict[str, Any]:
    pcm = to_pcm16(x)
    sound = flac(pcm, fs, "PCM_16")
    _put(path, sound)
    level = float(np.sqrt(np.mean(x.astype(np.float64) ** 2)))
    return {
        "file": path.name,
        "fs": fs,
        "samples": int(pcm.size),
        "rms_dbfs": round(20 * np.log10(max(level, 1e-9)), 2),
        "peak": round(float(np.max(np.abs(x))), 4),
        "sha256": hashlib.sha256(sound).hexdigest(),
    }
