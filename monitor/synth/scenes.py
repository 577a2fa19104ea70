"""Scenes by name, and the demo: what `spindlebell synth` and `spindlebell demo` play."""

from __future__ import annotations

from dataclasses import replace

from monitor.synth.cycle import Cycle
from monitor.synth.faults import Bind
from monitor.synth.machines import Machine, demo_machine, with_sag
from monitor.synth.render import Rendered, Scene, SceneStream, free_running, render_scene
from monitor.synth.rooms import Room, draw_room

__all__ = ["Rendered", "Scene", "SceneStream", "demo_cycle", "demo_scene", "free_running", "render_scene"]


def demo_cycle() -> Cycle:
    """Return the job of the demo: cord pulls in cast acrylic, short enough to watch."""
    return Cycle(
        material="acrylic",
        spindle_rpm=900.0,
        drill_diameter_mm=6.0,
        flutes=2,
        flute_length_mm=28.0,
        feed_mm_per_rev=0.12,
        depth_mm=34.0,
        pecks_mm=(16.0, 8.0, 4.0, 3.0),
        spot_rpm=2000.0,
    )


def fitted(machine: Machine, cycle: Cycle, sag_pct: float = 1.2) -> Machine:
    """Return the machine with the droop that makes free cutting in this job cost ``sag_pct``."""
    return with_sag(machine, cycle.nominal_torque(), cycle.spindle_rpm, sag_pct)


def fitted_room(seed: int, cycle: Cycle, snr_db: float = 10.0) -> Room:
    """Draw a room whose line SNR holds at the job's speed."""
    return draw_room(seed, snr_db, cycle.spindle_rpm)


def demo_scene(blanks: int = 24, bind_on_blank: int = 3, seed: int = 11, snr_db: float = 12.0) -> Scene:
    """Return the demo batch: good blanks, then the drill binding near the bottom of one of them.

    Chips pack, and the sag grows over one to two seconds past the hold threshold.
    """
    cycle = demo_cycle()
    room = replace(fitted_room(3, cycle, snr_db), rt60_s=0.35, high_pass_hz=60.0, limiter="hard")
    return Scene(
        name="demo",
        machine=fitted(demo_machine(), cycle),
        room=room,
        cycle=cycle,
        seed=seed,
        blanks=blanks,
        faults=(Bind(bind_on_blank, peck=4, at=0.4, rate_pct_s=6.0, most_pct=16.0, lasts_s=3.0),),
        about="cord pulls in cast acrylic; the drill binds near the bottom of one blank",
    )
