"""Scenes by name, and the demo: what ``spindlebell synth`` and ``spindlebell demo`` play.

The named scenes share five machines in five rooms, so that few baseline recordings serve them all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.job import Job, parse_job
from monitor.synth.backgrounds import Background
from monitor.synth.cycle import Cycle
from monitor.synth.faults import Bind, Chatter, Loosening, LostCut, Melting, MicFault, Packing
from monitor.synth.machines import Machine, Motor, demo_machine, draw_machine, with_sag
from monitor.synth.render import Rendered, Scene, SceneStream, free_running, render_scene
from monitor.synth.rooms import Room, draw_room

__all__ = [
    "DEMO",
    "SCENES",
    "Recipe",
    "Rendered",
    "Scene",
    "SceneStream",
    "cycle_for",
    "demo_scene",
    "fitted",
    "fitted_room",
    "free_running",
    "job_toml",
    "render_scene",
    "scene_job",
]

DEFAULT_SEED = 1


def fitted(machine: Machine, cycle: Cycle, sag_pct: float = 1.2) -> Machine:
    """Return the machine with the droop that makes free cutting in this job cost ``sag_pct``."""
    return with_sag(machine, cycle.nominal_torque(), cycle.spindle_rpm, sag_pct)


def fitted_room(seed: int, cycle: Cycle, snr_db: float = 10.0) -> Room:
    """Draw a room whose line SNR holds at the job's speed."""
    return draw_room(seed, snr_db, cycle.spindle_rpm)


def cycle_for(job: Job) -> Cycle:
    """Return the cycle that a job file describes, with this model's usual rapids, dwells and pauses."""
    return Cycle(
        material=job.material,
        spindle_rpm=job.spindle_rpm,
        drill_diameter_mm=job.drill_diameter_mm,
        flutes=job.flutes,
        flute_length_mm=job.flute_length_mm,
        feed_mm_per_rev=job.feed_mm_per_rev,
        depth_mm=job.depth_mm,
        pecks_mm=job.pecks_mm,
        spot_rpm=job.spot_rpm,
    )


def job_toml(scene: Scene) -> str:
    """Return the job file of a scene, as a person would have written it."""
    cycle = scene.cycle
    spot = f'spot_speed = "{cycle.spot_rpm:g} rpm"\n' if cycle.spot_rpm else ""
    pecks = ", ".join(f'"{peck:g} mm"' for peck in cycle.pecks_mm)
    return (
        f"# Synthetic: {scene.about or scene.name}. No such batch was run.\n\n"
        f'[job]\nname = "{scene.name.replace("_", " ")}"\nblanks = {scene.blanks}\n'
        f'material = "{cycle.material}"\n\n'
        f'[spindle]\nspeed = "{cycle.spindle_rpm:g} rpm"\n{spot}\n'
        f'[drill]\ndiameter = "{cycle.drill_diameter_mm:g} mm"\nflutes = {cycle.flutes}\n'
        f'flute_length = "{cycle.flute_length_mm:g} mm"\nfeed = "{cycle.feed_mm_per_rev:g} mm/rev"\n\n'
        f'[hole]\ndepth = "{cycle.depth_mm:g} mm"\npecks = [{pecks}]\n'
    )


def scene_job(scene: Scene) -> Job:
    """Return the job of a scene."""
    return parse_job(job_toml(scene), f"{scene.name}.toml")


def demo_scene(blanks: int = 24, bind_on_blank: int = 3, seed: int = 11, snr_db: float = 12.0) -> Scene:
    """Return the demo batch: good blanks, then the drill binding near the bottom of one of them.

    Chips pack, and the sag grows over one to two seconds past the hold threshold; with the bind on the third
    blank that is about 80 s into the batch. ``scene_job`` gives its job.
    """
    cycle = Cycle(
        material="acrylic",
        spindle_rpm=900.0,
        drill_diameter_mm=6.0,
        flutes=2,
        flute_length_mm=24.0,
        feed_mm_per_rev=0.15,
        depth_mm=30.0,
        pecks_mm=(14.0, 7.0, 3.0),
        spot_rpm=2000.0,
        rapid_mm_s=70.0,
        settle_s=0.8,
        reload_s=1.5,
    )
    machine = replace(fitted(demo_machine(), cycle), spin_up_s=0.5, coast_s=0.5)
    room = replace(fitted_room(3, cycle, snr_db), rt60_s=0.35, high_pass_hz=60.0, limiter="hard")
    return Scene(
        name="cord_pulls",
        machine=machine,
        room=room,
        cycle=cycle,
        seed=seed,
        blanks=blanks,
        faults=(Bind(bind_on_blank, peck=5, at=0.3, rate_pct_s=6.0, most_pct=16.0, lasts_s=3.5),),
        about="lamp cord pulls in cast acrylic; the drill binds near the bottom of one blank",
    )


@dataclass(frozen=True)
class Recipe:
    """A named scene: how to make it from a seed, its sample rate, and the speeds of its baseline."""

    make: Callable[[int], Scene]
    fs: int
    baseline_rpm: tuple[float, ...]
    setup: str


@dataclass(frozen=True)
class _Setup:
    """A machine in a room with the job it does; the scenes on it differ in what happens."""

    seed: int
    motor: Motor
    cycle: Cycle
    sag_pct: float
    snr_db: float
    high_pass_hz: float
    level_dbfs: float

    def scene(self, seed: int, name: str, about: str, **changes: object) -> Scene:
        """Return a scene on this setup; ``seed`` 1 is the published one."""
        drawn = 100 * seed + self.seed
        machine = fitted(draw_machine(drawn, self.motor), self.cycle, self.sag_pct)
        room = replace(
            fitted_room(drawn, self.cycle, self.snr_db),
            high_pass_hz=self.high_pass_hz,
            level_dbfs=self.level_dbfs,
        )
        base = Scene(name, replace(machine, spin_up_s=0.6, coast_s=0.5), room, self.cycle, drawn, about=about)
        return replace(base, **changes)  # type: ignore[arg-type]  # checked by Scene itself


_ACRYLIC = Cycle("acrylic", 900.0, 6.0, 2, 15.0, 0.12, 18.0, (8.0, 5.0, 2.0), reload_s=1.5)
_LAMP = _Setup(1, "brushed", _ACRYLIC, 1.3, 12.0, 60.0, -34.0)
_FAST = _Setup(
    2,
    "brushless",
    Cycle("acrylic", 2200.0, 4.0, 2, 16.0, 0.06, 20.0, (8.0, 5.0, 3.0, 2.0)),
    1.0,
    10.0,
    80.0,
    -37.0,
)
_PHONE = _Setup(
    3,
    "induction",
    Cycle("hardwood", 1200.0, 8.0, 2, 24.0, 0.1, 26.0, (12.0, 8.0, 4.0)),
    1.0,
    9.0,
    300.0,
    -30.0,
)
_QUIET = _Setup(
    4, "brushed", Cycle("hardwood", 700.0, 8.0, 2, 20.0, 0.15, 20.0, (10.0, 6.0, 4.0)), 1.5, 2.0, 60.0, -38.0
)
_BURL = _Setup(
    5, "brushless", Cycle("burl", 600.0, 10.0, 2, 20.0, 0.2, 20.0, (8.0, 6.0), eccentric=0.5),
    1.8, 8.0, 90.0, -38.0,
)  # fmt: skip


def _normal_batch(seed: int) -> Scene:
    cycle = replace(_ACRYLIC, depth_mm=8.0, pecks_mm=(4.0, 2.0), settle_s=0.8, reload_s=1.0)
    return _LAMP.scene(seed, "normal_batch", "two good blanks in cast acrylic", cycle=cycle, blanks=2)


def _bind(seed: int) -> Scene:
    bind = Bind(1, peck=4, at=0.4, rate_pct_s=7.0, most_pct=15.0, lasts_s=3.0)
    return _LAMP.scene(seed, "bind", "chips pack and the drill binds in the fourth peck", faults=(bind,))


def _bind_to_stall(seed: int) -> Scene:
    bind = Bind(1, peck=3, at=0.5, rate_pct_s=120.0, most_pct=130.0, lasts_s=3.0)
    return _FAST.scene(seed, "bind_to_stall", "a fast bind that stalls the spindle", faults=(bind,))


def _spot_drilling(seed: int) -> Scene:
    cycle = replace(_ACRYLIC, spot_rpm=2000.0, depth_mm=8.0, pecks_mm=(4.0, 2.0))
    scene = _LAMP.scene(
        seed,
        "spot_drilling",
        "centre drilling at 2000 rpm, then a slow change to 900 rpm: no fault",
        cycle=cycle,
    )
    return replace(scene, machine=replace(scene.machine, spin_up_s=2.0))


def _mic_unplugged(seed: int) -> Scene:
    fault = MicFault("unplugged", start_s=8.0)
    return _LAMP.scene(
        seed,
        "mic_unplugged",
        "the microphone is unplugged while the drill cuts",
        mic_faults=(fault,),
        seconds=14,
    )


def _clipping(seed: int) -> Scene:
    fault = MicFault("clipping", start_s=7.0, gain_db=36.0)
    return _LAMP.scene(
        seed, "clipping", "the gain is turned up until it clips", mic_faults=(fault,), seconds=14
    )


def _air_gun_and_speech(seed: int) -> Scene:
    sounds = (
        Background("speech", 1.0, 6.0, 3.0, seed),
        Background("air_gun", 8.5, 3.0, 9.0, seed),
        Background("speech", 12.0, 5.0, 0.0, seed + 1),
    )
    return _LAMP.scene(
        seed, "air_gun_and_speech", "a good blank, people talking, an air gun", backgrounds=sounds
    )


def _melting(seed: int) -> Scene:
    fault = Melting(1, peck=2, at=0.3)
    return _LAMP.scene(seed, "melting", "the acrylic softens from the second peck on", faults=(fault,))


def _packing(seed: int) -> Scene:
    fault = Packing(1, peck=4, kept=0.7)
    cycle = replace(_FAST.cycle, depth_mm=24.0)
    return _FAST.scene(
        seed, "packing", "chips stay in the flutes from peck to peck", cycle=cycle, faults=(fault,)
    )


def _chatter(seed: int) -> Scene:
    fault = Chatter(1, peck=2, at=0.1, hz=870.0, growth_db_s=14.0)
    return _PHONE.scene(
        seed, "phone_chatter", "a telephone's microphone; a tone grows in the second peck", faults=(fault,)
    )


def _hardwood(seed: int) -> Scene:
    return _QUIET.scene(seed, "hardwood_faint_lines", "a good blank in hardwood, lines 2 dB over the noise")


def _lost_cut(seed: int) -> Scene:
    fault = LostCut(1, peck=2, at=0.5)
    return _QUIET.scene(seed, "lost_cut", "the drill breaks in the second peck", faults=(fault,))


def _burl(seed: int) -> Scene:
    return _BURL.scene(seed, "eccentric_burl", "a good blank in burl that runs out of true: no fault")


def _loosening(seed: int) -> Scene:
    fault = Loosening(1, peck=2, at=0.2, growth_db_s=7.0)
    return _BURL.scene(
        seed, "loosening", "the work holding backs off and knocks louder every turn", faults=(fault,)
    )


SCENES: dict[str, Recipe] = {
    "normal_batch": Recipe(_normal_batch, 48000, (900.0, 2000.0), "lamp"),
    "bind": Recipe(_bind, 48000, (900.0, 2000.0), "lamp"),
    "spot_drilling": Recipe(_spot_drilling, 48000, (900.0, 2000.0), "lamp"),
    "mic_unplugged": Recipe(_mic_unplugged, 48000, (900.0, 2000.0), "lamp"),
    "clipping": Recipe(_clipping, 48000, (900.0, 2000.0), "lamp"),
    "air_gun_and_speech": Recipe(_air_gun_and_speech, 48000, (900.0, 2000.0), "lamp"),
    "melting": Recipe(_melting, 48000, (900.0, 2000.0), "lamp"),
    "bind_to_stall": Recipe(_bind_to_stall, 48000, (1400.0, 2200.0), "fast"),
    "packing": Recipe(_packing, 48000, (1400.0, 2200.0), "fast"),
    "phone_chatter": Recipe(_chatter, 44100, (800.0, 1200.0), "phone"),
    "hardwood_faint_lines": Recipe(_hardwood, 16000, (700.0, 1100.0), "quiet"),
    "lost_cut": Recipe(_lost_cut, 16000, (700.0, 1100.0), "quiet"),
    "eccentric_burl": Recipe(_burl, 16000, (600.0, 1000.0), "burl"),
    "loosening": Recipe(_loosening, 16000, (600.0, 1000.0), "burl"),
}
"""Every short scene by name."""

DEMO = Recipe(lambda seed: demo_scene(blanks=3, seed=10 + seed), 48000, (900.0, 2000.0), "demo")
"""The batch of the demo up to its bind; written only when asked for by name, ``cord_pulls``."""
