#!/usr/bin/env python3
"""The log of a bank that was not built as planned, by the three-dimensional model of sideways_reference.py.

Writes identify_log.csv, for `forewarm identify` to find what is wrong. Like that model, it shares nothing with the product's own but the
installation file, sideways/hut.toml. Needs numpy and scipy; takes some minutes.

What differs from the file:
- the box loses 1.8 times the planned heat: its insulation conducts 1.5 times what it should, and air leaks through it for the rest;
- the joint of battery 2 conducts 0.4 times what it should;
- the pad gives 70 % of its power.

How it is logged: every two minutes, to 0.01 K, with noise of 0.02 K. The outside thermometer reads 0.1 K too much, to 0.1 K. The heater is
switched between rows, and its state and its power are logged. The thermometers lag as the file says, see 5 % of air, and warm themselves. The wind is
that of the file; the outside swings by day and wanders. The bank has stood cold for long when the log begins.
"""

import csv
import platform
from pathlib import Path

import numpy as np
import scipy
import scipy.sparse as sp
from scipy.optimize import brentq
from scipy.sparse.linalg import splu

import sideways_reference as reference

TARGET = Path(__file__).resolve().parent / "identify_log.csv"
LOSS, CONDUCTS, CONTACT, POWER = 1.8, 1.5, 0.4, 0.7
DAYS, STEP_S, EVERY = 4, 60.0, 2
# Hours of the log in which the heater is on, at minutes that no row falls on.
ON_H = ((5.017, 8.05), (15.0, 16.517), (29.95, 33.017), (54.05, 57.05), (63.017, 64.983), (78.017, 81.05))
SELF_HEATING_K = 0.05  # 200 K/W, a Pt1000 at 0.5 mA
SEED = 20261130


def loss(g):
    """Heat that leaves for each kelvin of the batteries' mean above the outside, heated evenly (W/K)."""
    model = reference.Model(g, 0)
    cells = np.concatenate([bat.ravel() for bat in model.bat])
    heat = np.zeros(model.n)
    heat[cells] = model.mass[cells] / model.mass[cells].sum()
    return 1.0 / float(heat @ splu(model.A).solve(heat))


def as_built():
    g = reference.load("hut")
    planned = loss(g)
    for layers in ("walls", "floor"):
        setattr(g, layers, [(k * CONDUCTS, rho, c, t) for k, rho, c, t in getattr(g, layers)])

    def off(changes):
        g.changes = changes
        return loss(g) / planned - LOSS

    g.changes = brentq(off, 0.0, 60.0, xtol=1e-3)
    g.contacts = [g.contacts[0], g.contacts[1] * CONTACT]
    return g, planned


def weather(random, steps):
    """Temperature around the box at the end of each step: a swing of 4 K about -6 °C, and a wander."""
    hours = np.arange(steps + 1) * STEP_S / 3600
    wander = np.zeros(steps + 1)
    for i in range(steps):
        wander[i + 1] = wander[i] * 0.999 + 0.04 * random.standard_normal()
    return -6.0 + 4.0 * np.sin(2 * np.pi * (hours - 9.0) / 24.0) + wander


def main():
    random = np.random.default_rng(SEED)
    g, planned = as_built()
    model = reference.Model(g, 0)
    steps = round(DAYS * 86400 / STEP_S)
    outside = weather(random, steps)
    middles = (np.arange(steps) + 0.5) * STEP_S / 3600
    is_on = np.array([any(a <= h < b for a, b in ON_H) for h in middles])

    # TR-BDF2 with steps of one size: both stages have one matrix.
    gamma = 2.0 - np.sqrt(2.0)
    mass = sp.diags(model.mass)
    solve = splu((mass + gamma / 2 * STEP_S * model.A).tocsc()).solve
    t = splu(model.A).solve(model.b_out * outside[0])

    channels = g.channels
    gap_middle = (model.starts[0] + g.size[1] + model.starts[1]) / 2

    def felt(t, out_c):
        """What each element's surroundings have."""
        wholes = model.wholes(t, out_c)
        felt = []
        for channel in channels:
            at = model.over_plan(t, model.plate, 0.0, gap_middle) if channel["at"] == "plate" else model.spot(channel, t, out_c, wholes)
            share = 0.0 if channel["at"] == "air" else channel.get("air_share_pct", 5.0) / 100
            felt.append((1 - share) * at + share * t[model.air])
        return np.array(felt)

    lags = np.array([channel["lag_s"] for channel in channels])
    decay = np.exp(-STEP_S / lags)
    before = felt(t, outside[0])
    element = before.copy()
    rows = []

    def log(i):
        on = is_on[i] if i < steps else is_on[-1]
        shown = element + SELF_HEATING_K + 0.02 * random.standard_normal(len(element))
        around = outside[i] + 0.1 + 0.05 * random.standard_normal()
        rows.append([f"{i * STEP_S:.0f}", *(f"{v:.2f}" for v in shown), f"{around:.1f}", int(on), f"{g.power * POWER * on:.0f}"])

    log(0)
    for i in range(steps):
        heat = model.q * (g.power * POWER * is_on[i])
        f0, f1 = model.b_out * outside[i] + heat, model.b_out * outside[i + 1] + heat
        fg = f0 + gamma * (f1 - f0)
        mid = solve(mass @ t - gamma / 2 * STEP_S * (model.A @ t) + gamma / 2 * STEP_S * (f0 + fg))
        right = (mid - (1 - gamma) ** 2 * t) / (gamma * (2 - gamma))
        t = solve(mass @ right + gamma / 2 * STEP_S * f1)
        # The element follows what it feels, which runs straight within a step.
        now = felt(t, outside[i + 1])
        slope = (now - before) / STEP_S
        element = now - slope * lags + (element - before + slope * lags) * decay
        before = now
        if (i + 1) % EVERY == 0:
            log(i + 1)
        if (i + 1) % 720 == 0:
            print(f"{(i + 1) * STEP_S / 3600:.0f} h: {element.round(2)}", flush=True)

    contact = g.contacts[1] / g.contacts[0]
    with open(TARGET, "w", newline="") as file:
        file.write(f"# A log by identify_log.py, with the model of sideways_reference.py on {model.n} cells, in steps of {STEP_S:.0f} s.\n")
        file.write(f"# Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}.\n")
        file.write(f"# As built: loss {loss(g):.4f} W/K where {planned:.4f} was planned, contact of battery 2 {contact:.2f} of that of battery 1, ")
        file.write(f"pad {g.power * POWER:.0f} W of {g.power:.0f} W, {g.changes:.2f} air changes an hour.\n")
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["elapsed_s", *(f"{channel['name']}_c" for channel in channels), "outside_c", "heater", "heater_w"])
        out.writerows(rows)


if __name__ == "__main__":
    main()
