"""Regenerative chatter of one degree of freedom: the delay equation integrated, and heard.

Source: Schmitz and Smith, Machining Dynamics, ch. 3 (from memory; numbers computed): for a mode of natural
frequency f_n, damping ratio zeta and stiffness k, cut with specific force Ks (in its own direction),

    x'' + 2 zeta w_n x' + w_n^2 x = (w_n^2 / k) Ks b (h_m + x(t - tau) - x(t)),  tau = 60 / n,

is stable below the width of cut b_lim = -1 / (2 Ks Re G(f_c)); the lowest limit is at f_c = f_n sqrt(1 + 2
zeta). With f_n 500 Hz, zeta 0.05, k 1e7 N/m and Ks 2e9 N/m^2: f_c 524.4 Hz, b_lim 0.525 mm, and at f_c =
525 Hz the lobe of j = 1 lies at 17 961 rpm.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.measurements import Kind
from tests.drawn import CYCLE, setup

pytestmark = pytest.mark.external

NATURAL_HZ, DAMPING, STIFFNESS, SPECIFIC_FORCE = 500.0, 0.05, 1e7, 2e9
NATURAL = 2 * math.pi * NATURAL_HZ
MEAN_CHIP = 1e-4


def response(f_hz):
    r = np.asarray(f_hz) / NATURAL_HZ
    return 1 / (STIFFNESS * (1 - r**2 + 2j * DAMPING * r))


def lobe(f_c, j):
    """Limit width of cut (m) and spindle speed (rpm) at which chatter of f_c marks the border, lobe j."""
    g = response(f_c)
    shift = 2 * math.pi - 2 * math.atan(g.real / g.imag)
    return -1 / (2 * SPECIFIC_FORCE * g.real), 60 * f_c / (j + shift / (2 * math.pi))


def limit_at(rpm):
    """Smallest limit width over all lobes at a speed, and its chatter frequency."""
    best = (math.inf, math.nan)
    f = np.linspace(NATURAL_HZ * 1.0005, 4 * NATURAL_HZ, 40_000)
    g = response(f)
    shift = (2 * np.pi - 2 * np.arctan(g.real / g.imag)) / (2 * np.pi)
    limit = -1 / (2 * SPECIFIC_FORCE * g.real)
    turns = 60 * f / rpm - shift  # an integer on the border
    for i in np.flatnonzero(np.floor(turns[1:]) != np.floor(turns[:-1])):
        if turns[i + 1] >= 0 and limit[i] < best[0]:
            best = float(limit[i]), float(f[i])
    return best


def integrate(width, rpm, seconds, fs=48_000):
    """Vibration x (m), the cut lost where the chip would be negative, by Runge and Kutta of fourth order.

    The delayed value is interpolated halfway between steps; the loop gain is bounded by the lost contact, as
    in a real cut.
    """
    dt = 1 / fs
    n = round(seconds / dt)
    delay = max(2, round(60 / rpm / dt))
    x = np.zeros(n + delay + 1)
    force = NATURAL**2 / STIFFNESS * SPECIFIC_FORCE * width
    stiff, damp = NATURAL**2, 2 * DAMPING * NATURAL
    position = velocity = 0.0
    rng = np.random.default_rng(0)
    kicks = 1e-9 * rng.standard_normal(n)

    def push(x_now, v_now, x_before):
        return force * max(MEAN_CHIP + x_before - x_now, 0.0) - damp * v_now - stiff * x_now

    values = x.tolist()
    for i in range(n):
        early, late = values[i], values[i + 1]
        half = 0.5 * (early + late)
        a1 = push(position, velocity, early)
        v2 = velocity + 0.5 * dt * a1
        a2 = push(position + 0.5 * dt * velocity, v2, half)
        v3 = velocity + 0.5 * dt * a2
        a3 = push(position + 0.5 * dt * v2, v3, half)
        v4 = velocity + dt * a3
        a4 = push(position + dt * v3, v4, late)
        position += dt * (velocity + 2 * v2 + 2 * v3 + v4) / 6 + kicks[i]
        velocity += dt * (a1 + 2 * a2 + 2 * a3 + a4) / 6
        values[i + delay + 1] = position
    return np.array(values[delay + 1 :])


def test_worked_values():
    f_c = NATURAL_HZ * math.sqrt(1 + 2 * DAMPING)
    least, _ = lobe(f_c, 1)
    assert f_c == pytest.approx(524.4, abs=0.05)
    assert least == pytest.approx(0.525e-3, abs=0.0005e-3)
    assert lobe(525.0, 1)[1] == pytest.approx(17_961, abs=5)


SPEEDS = (3000.0, 6000.0, 9000.0, 17_961.0, 25_000.0)


@pytest.mark.parametrize("rpm", SPEEDS)
@pytest.mark.parametrize("share", [0.7, 1.5])
def test_the_delay_equation_is_stable_as_the_lobe_says(rpm, share):
    limit, f_c = limit_at(rpm)
    x = integrate(share * limit, rpm, 1.0)
    swing = x - np.mean(x[x.size // 2 :])
    early, late = (np.ptp(swing[round(a * 48_000) : round(b * 48_000)]) for a, b in ((0.1, 0.2), (0.8, 1.0)))
    if share < 1:
        assert late < 0.1 * early or late < 1e-3 * MEAN_CHIP
    else:
        assert late > MEAN_CHIP / 2
        spectrum = np.abs(np.fft.rfft(swing[24_000:] * np.hanning(24_000)))
        assert np.argmax(spectrum) * 2 == pytest.approx(f_c, rel=0.06)


RPM = 900.0
LONG = replace(CYCLE, feed_mm_per_rev=0.1, pecks_mm=(7.5, 7.5), depth_mm=22.5, flute_length_mm=40.0)


@pytest.mark.parametrize(("share", "chatters"), [(0.7, False), (1.5, True)])
def test_the_ear_tells_the_unstable_cut_and_its_frequency(share, chatters):
    """The third peck has ``share`` of the limit width, and its velocity is what is heard of it.

    At 1.5 times the limit chatter is full within tenths of a second, as a sound that is switched on; but it
    comes with the contact.
    """
    known = setup(1010, 10.0, LONG)
    rendered = known.render()
    third = rendered.truth.pecks[2]
    seconds = third.retract_s - third.contact_s
    limit, f_c = limit_at(RPM)
    x = integrate(share * limit, RPM, seconds)[::2]
    velocity = np.gradient(x) * known.fs
    start = round(third.contact_s * known.fs)
    sound = rendered.x.astype(float)
    cut = sound[start : start + velocity.size]
    # the chattering tool is 6 dB louder than its cut; the same gain for the stable one
    loudest = 2 * math.pi * f_c * MEAN_CHIP / math.sqrt(2)
    cut += velocity[: cut.size] * 2 * np.std(cut) / loudest
    told = known.hear(sound.astype(np.float32))
    events = [e for e in told.events if e.kind is Kind.CHATTER]
    assert bool(events) == chatters
    if chatters:
        assert third.contact_s < events[0].t < third.contact_s + 1.5
        hz = float(events[0].message.split(" Hz")[0].split()[-1])
        strongest = np.argmax(np.abs(np.fft.rfft(velocity))) / seconds
        assert hz == pytest.approx(strongest, rel=0.01)
        assert hz == pytest.approx(f_c, rel=0.03)
