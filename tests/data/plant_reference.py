"""Reference temperatures for the plant, from the handbook formulas and a general-purpose integrator.

Writes plant_reference_open.csv and plant_reference_ground.csv beside itself:

    python3 plant_reference.py

Made with Python 3.11.7, numpy 2.4.6, scipy 1.17.1; the CSV headers name the versions they were made with.

The network is put together here from resistances (K/W), body by body, out of the sources named at each line; it shares no code
with the plant. Each stretch of constant heat and straight weather is crossed twice: by the matrix exponential of the system
with the constant and the ramp as two further states (scipy.linalg.expm), which is what is stored, and by an implicit Runge-Kutta method
(scipy.integrate.solve_ivp, Radau, rtol 1e-11), whose largest difference the header states.
"""

import math
import pathlib
import sys

import numpy as np
import scipy
from scipy.integrate import solve_ivp
from scipy.linalg import expm

SIGMA = 5.670374e-8  # Stefan-Boltzmann (W/(m2 K4)), CODATA 2018
# ISO 6946:2007, annex A: radiative coefficient 4 eps sigma T^3, eps = 0.9, here at 0 C.
H_RADIATION = 4 * 0.9 * SIGMA * 273.15**3

# Conductivity (W/(m K)), density (kg/m3), specific heat (J/(kg K)).
XPS = (0.026, 32.5, 1470.0)  # ASHRAE Handbook Fundamentals, by way of a public restatement
ALUMINIUM = (160.0, 2800.0, 880.0)  # ISO 10456, likewise
SILICONE = (0.35, 1200.0, 1000.0)  # ISO 10456
AIR = (0.025, 1.23, 1008.0)  # ISO 10456
LAYERS = 6

OPEN = dict(
    count=2, length=0.330, width=0.172, height=0.215, mass=11.5, c=1106.3395, k_up=15.0, k_across=0.8, gap=0.005,
    plate_area=0.36 * 0.37, plate_thickness=0.003, joint=200.0,
    pad_area=0.32 * 0.32, pad_thickness=0.0015, bond=500.0,
    box=(0.40, 0.42, 0.27), wall=0.050, floor=0.040, changes=0.5, h_inside=7.7, exposure=0.3, ground=None,
    # Where, time constant (s).
    sensors=[(("top", 0), 60.0), (("between", 1), 45.0), (("plate",), 20.0), (("air",), 30.0)],
    rise=0.2, r0=1000.0, current=0.0002, duty=0.1,
)
GROUND = dict(
    OPEN, count=3, gap=0.002, plate_area=0.36 * 0.54, pad_area=0.32 * 0.48, box=(0.40, 0.60, 0.27), changes=1.5,
    ground=2.0, sensors=[(("base", 0), 60.0), (("between", 2), 45.0), (("plate",), 20.0), (("air",), 30.0)],
)


class Bodies:
    def __init__(self):
        self.names, self.capacity, self.joined, self.out = [], [], [], []

    def body(self, name, capacity):
        self.names.append(name)
        self.capacity.append(capacity)

    def join(self, a, b, *resistances):
        """Two bodies joined through resistances (K/W) one after the other."""
        self.joined.append((self.names.index(a), self.names.index(b), 1 / math.fsum(resistances)))

    def lead(self, a, where, *resistances):
        """A body joined to `where`, "outside" or "ground"."""
        self.out.append((self.names.index(a), where, 1 / math.fsum(resistances)))

    def matrices(self):
        n = len(self.names)
        flow = np.zeros((n, n))
        edge = {"outside": np.zeros(n), "ground": np.zeros(n)}
        for a, b, g in self.joined:
            flow[a, b] += g
            flow[b, a] += g
        for a, where, g in self.out:
            edge[where][a] += g
        flow -= np.diag(flow.sum(axis=1) + edge["outside"] + edge["ground"])
        return np.array(self.capacity), flow, edge


def build(s, wind):
    """Bodies and resistances with so much wind at the box (m/s)."""
    net = Bodies()
    base = s["length"] * s["width"]
    bases = s["count"] * base
    air_volume = math.prod(s["box"]) - bases * s["height"]
    net.body("pad", s["pad_area"] * s["pad_thickness"] * SILICONE[1] * SILICONE[2])
    net.body("plate", s["plate_area"] * s["plate_thickness"] * ALUMINIUM[1] * ALUMINIUM[2])
    net.body("air", air_volume * AIR[1] * AIR[2])
    net.join("pad", "plate", 1 / (s["bond"] * s["pad_area"]))
    net.join("plate", "air", 1 / (s["h_inside"] * (s["plate_area"] - bases)))

    # Each battery: a stack of slices; the heat of a slice sits at its middle.
    slice_height = s["height"] / LAYERS
    up = slice_height / (s["k_up"] * base)
    long_face, short_face = s["length"] * slice_height, s["width"] * slice_height
    # A slab that cools evenly over both faces: mean minus surface is q b/(3 k), b the half-thickness.
    # Carslaw & Jaeger, Conduction of Heat in Solids, section 3.8.
    to_long = (s["width"] / 2) / (3 * s["k_across"] * long_face)
    to_short = (s["length"] / 2) / (3 * s["k_across"] * short_face)
    film = lambda area: 1 / (s["h_inside"] * area)
    for b in range(s["count"]):
        for i in range(LAYERS):
            net.body(f"b{b}_{i}", s["mass"] * s["c"] / LAYERS)
    for b in range(s["count"]):
        net.join("plate", f"b{b}_0", 1 / (s["joint"] * base), up / 2)
        for i in range(LAYERS - 1):
            net.join(f"b{b}_{i}", f"b{b}_{i + 1}", up)
        net.join(f"b{b}_{LAYERS - 1}", "air", up / 2, film(base))
        for i in range(LAYERS):
            for _ in range(2):
                net.join(f"b{b}_{i}", "air", to_short, film(short_face))
            for neighbour in (b - 1, b + 1):
                if not 0 <= neighbour < s["count"]:
                    net.join(f"b{b}_{i}", "air", to_long, film(long_face))
                elif neighbour > b:
                    # Conduction through the still air of the gap, and radiation across it.
                    across = 1 / ((AIR[0] / s["gap"] + H_RADIATION) * long_face)
                    net.join(f"b{b}_{i}", f"b{neighbour}_{i}", to_long, across, to_long)

    # The box: conduction shape factors, Incropera & DeWitt Table 4.1 (plane A/L, edge 0.54 D, corner 0.15 L).
    length, width, tall = s["box"]
    k, rho, c = XPS
    wall, under = s["wall"], s["floor"]
    lid_in, lid_out = length * width, (length + 2 * wall) * (width + 2 * wall)
    sides_in = 2 * (length + width) * tall
    sides_out = 2 * (length + width + 4 * wall) * (tall + wall + under)
    # ISO 6946:2007, annex A: outside, convection 4 + 4 v, and radiation.
    h_out = 4 + 4 * wind + H_RADIATION
    # The floor has its own four edges and corners.
    through = 1 / (k * (lid_in / under + 0.54 * 2 * (length + width) + 0.15 * 4 * under))
    net.body("floor", under * (lid_in + lid_out) / 2 * rho * c)
    part = s["plate_area"] / lid_in
    net.join("pad", "floor", through / 2 / part)
    net.join("air", "floor", 1 / (s["h_inside"] * lid_in * (1 - part)), through / 2 / (1 - part))
    if s["ground"] is None:
        net.lead("floor", "outside", through / 2, 1 / (h_out * lid_out))
    else:
        net.lead("floor", "ground", through / 2)
    through = 1 / (k * ((sides_in + lid_in) / wall + 0.54 * (4 * tall + 2 * (length + width)) + 0.15 * 4 * wall))
    net.body("walls", wall * (sides_in + lid_in + sides_out + lid_out) / 2 * rho * c)
    net.join("air", "walls", 1 / (s["h_inside"] * (sides_in + lid_in)), through / 2)
    net.lead("walls", "outside", through / 2, 1 / (h_out * (sides_out + lid_out)))
    net.lead("air", "outside", 3600 / (AIR[1] * AIR[2] * air_volume * s["changes"]))

    # Thermometers: a watt in the element warms it by 1000 E kelvins, so that is its resistance; 5 % of the way out is to the air.
    resistance = 1000 * s["rise"]
    for i, (place, lag) in enumerate(s["sensors"]):
        net.body(f"s{i}", lag / resistance)
        if place[0] == "air":
            net.join(f"s{i}", "air", resistance)
            continue
        net.join(f"s{i}", "air", resistance / 0.05)
        # On a face of a battery it is at the face, which lies between the middle of the slice and what is outside of it.
        half = s["k_up"] / (slice_height / 2)
        if place[0] == "plate":
            to = [("plate", 1.0)]
        elif place[0] == "base":
            part = s["joint"] / (s["joint"] + half)
            to = [(f"b{place[1]}_0", 1 - part), ("plate", part)]
        elif place[0] == "top":
            part = s["h_inside"] / (s["h_inside"] + half)
            to = [(f"b{place[1]}_{LAYERS - 1}", 1 - part), ("air", part)]
        else:
            to = [(f"b{place[1]}_{row}", 0.5) for row in (LAYERS // 2 - 1, LAYERS // 2)]
        for body, part in to:
            net.join(f"s{i}", body, resistance / 0.95 / part)
    return net


def inputs(hours, seed):
    """Invented weather and duty, rounded so that the CSV holds them exactly."""
    rng = np.random.default_rng(seed)
    rows = []
    for hour in range(hours + 1):
        outside = -12 + 5 * math.sin(2 * math.pi * (hour - 9) / 24) - 0.1 * hour + rng.normal(0, 0.7)
        wind = rng.uniform(0, 14)
        heater = [0, 60, 120][rng.integers(3)]
        rows.append((round(outside, 2), round(wind, 2), heater, 10 * int(rng.integers(1, 361)), int(rng.integers(0, 3)) * 4))
    return rows


def cross(capacity, flow, edge, s, start, heat, outside, slope, seconds):
    """Temperatures after `seconds`, by both methods."""
    n = len(capacity)
    ground = edge["ground"] * (s["ground"] or 0.0)
    a = flow / capacity[:, None]
    constant = (heat + edge["outside"] * outside + ground) / capacity
    ramp = edge["outside"] * slope / capacity
    whole = np.zeros((n + 2, n + 2))
    whole[:n, :n], whole[:n, n], whole[:n, n + 1] = a, constant, ramp
    whole[n + 1, n] = 1
    exact = (expm(whole * seconds) @ np.concatenate([start, [1.0, 0.0]]))[:n]
    found = solve_ivp(lambda t, y: a @ y + constant + ramp * t, (0, seconds), start, method="Radau", jac=a, rtol=1e-11, atol=1e-12)
    assert found.success
    return exact, found.y[:, -1]


def run(s, hours, seed, start):
    rows = inputs(hours, seed)
    heating = np.zeros(len(build(s, 0.0).names))
    names = build(s, 0.0).names
    self_heat = s["current"] ** 2 * s["r0"] * s["duty"]
    for i in range(len(s["sensors"])):
        heating[names.index(f"s{i}")] = self_heat
    layers = [i for i, name in enumerate(names) if name.startswith("b")]
    worst, lines = 0.0, []
    for hour, (outside, wind, heater, heater_s, bank) in enumerate(rows):
        # The plant takes wind behind shelter in steps of 0.5 m/s.
        net = build(s, 0.5 * math.floor(wind * s["exposure"] / 0.5 + 0.5))
        capacity, flow, edge = net.matrices()
        if hour == 0:
            if start is None:
                at = -np.linalg.solve(flow, heating + edge["outside"] * outside + edge["ground"] * (s["ground"] or 0.0))
            else:
                at = np.full(len(names), start)
            for name, value in zip(names, capacity):
                print(f"  {name:8} {value:12.4f} J/K")
            for a, b, g in net.joined:
                print(f"  {names[a]:8} {names[b]:8} {g:12.6f} W/K")
            for a, where, g in net.out:
                print(f"  {names[a]:8} {where:8} {g:12.6f} W/K")
        lines.append([hour, outside, wind, heater, heater_s, bank] + [f"{t:.9f}" for t in at])
        if hour == hours:
            break
        slope = (rows[hour + 1][0] - outside) / 3600
        for on, seconds, since in ((1, heater_s, 0), (0, 3600 - heater_s, heater_s)):
            if seconds == 0:
                continue
            heat = heating.copy()
            heat[names.index("pad")] += heater * on
            heat[layers] += bank / len(layers)
            exact, other = cross(capacity, flow, edge, s, at, heat, outside + slope * since, slope, seconds)
            worst = max(worst, np.abs(exact - other).max())
            at = exact
    return names, lines, worst


def main():
    here = pathlib.Path(__file__).parent
    for case, s, hours, seed, start in (("open", OPEN, 72, 3, -8.0), ("ground", GROUND, 24, 4, None)):
        print(case)
        names, lines, worst = run(s, hours, seed, start)
        print(f"  expm and Radau differ by at most {worst:.1e} K in one stretch")
        path = here / f"plant_reference_{case}.csv"
        with path.open("w") as file:
            print(f"# source: plant_reference.py, Python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}", file=file)
            print(f"# scipy.linalg.expm; from each row's start solve_ivp (Radau, rtol 1e-11) differs by at most {worst:.1e} K", file=file)
            print("# each row: temperatures of all bodies (C) at that hour, and what holds until the next: outside temperature, running straight", file=file)
            print("# to the next row's; wind before shelter; heater power for the first heater_s seconds, then none; heat in the bank", file=file)
            print(",".join(["hour", "outside_c", "wind_m_s", "heater_w", "heater_s", "bank_w"] + [f"{name}_c" for name in names]), file=file)
            for line in lines:
                print(",".join(map(str, line)), file=file)


main()
