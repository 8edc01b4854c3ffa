#!/usr/bin/env python3
"""An independent model, in three dimensions, of a bank of batteries that a pad warms in an insulated box.

Reads sideways/*.toml, writes sideways_reference.csv. It shares nothing with the product's own model but the files: its own grid, its own
assembly, its own solvers. Needs numpy and scipy.

  python3 sideways_reference.py [NAME ...]      names: only these anew, the rows of the others are kept

What is modelled, in short. x is along a battery's length, y the direction in which the batteries stand in a row, z up.
- Pad and plate are one layer of cells each, without resistance through their thickness. Batteries and floor are solids.
- The air of the box is one well-mixed body. Walls and lid are a chain of cells: one path, with an area that allows for edges and corners.
- Floor: a solid over the inner plan whose vertical conductance and heat capacity are enlarged for edges and corners; its rim is adiabatic.
- Nothing else stores or carries heat: no sensors, no cables of sensors, no cables of the heater.

Time: TR-BDF2, second order and L-stable, in steps that grow from one hour to the next; states between two steps by cubic Hermite
interpolation. Space: finite volumes between graded planes; every edge of box, plate, pad, battery and terminal lies on a plane.
"""

import csv
import platform
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import scipy
import scipy.sparse as sp
from scipy.optimize import brentq
from scipy.sparse.linalg import splu

HERE = Path(__file__).resolve().parent
FOLDER = HERE / "sideways"
TARGET = HERE / "sideways_reference.csv"

# k W/(m K), rho kg/m3, c J/(kg K).
# Typical declared values of EN 13164, EN 13163, EN 13165, EN 14315-1, from memory; the rest ISO 10456, from memory. The same words and
# numbers as the product's list, since a file names a material by its word.
INSULATIONS = {
    "xps": (0.034, 32.5, 1450.0),
    "eps": (0.036, 20.0, 1450.0),
    "pir": (0.028, 30.0, 1400.0),
    "pur": (0.028, 40.0, 1400.0),
    "pe_foam": (0.05, 70.0, 2300.0),
    "rubber_foam": (0.05, 70.0, 1500.0),
    "plywood": (0.13, 500.0, 1600.0),
}
PLATES = {"aluminium": (160.0, 2800.0, 880.0), "copper": (380.0, 8900.0, 380.0)}  # ISO 10456, from memory
SILICONE = (0.35, 1200.0, 1000.0)  # ISO 10456, pure silicone, from memory
K_AIR, RHO_AIR, C_AIR = 0.025, 1.23, 1008.0  # ISO 10456, from memory
K_COPPER = 380.0  # ISO 10456, from memory
SIGMA = 5.670374e-8  # CODATA, Stefan-Boltzmann constant, W/(m2 K4)
H_RAD = 0.9 * 4.0 * SIGMA * 273.15**3  # ISO 6946 annex A, emissivity 0.9, at 0 degC
NARROW_M = 0.020  # a gap below this exchanges nothing with the air of the box; by convention of the comparison
EDGE, CORNER = 0.54, 0.15  # shape factors of edges and corners: Incropera and DeWitt, table 4.1
PATCH_M = 0.030  # a terminal's patch, and how far its middle is from the short face; by convention of the comparison

TIMES_H = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
# (until h, step s). The first hour holds the fastest changes; past 16 h only an event is waited for.
STEPS = ((1.0, 100.0), (16.0, 900.0), (200.0, 3600.0))
COOL_FROM_C = 8.0


# --- Grid ------------------------------------------------------------------------------------------------------------------------

# First cell at a plane, growth from cell to cell, largest cell (m), of the coarse grid. The fine grid halves each of its cells.


# Even: beside a pad much smaller than the plate, heat spreads over a length that the largest cell must resolve.
FINE, EVEN, LESS_FINE = (0.006, 1.4, 0.030), (0.012, 1.15, 0.022), (0.008, 1.5, 0.036)
MOST_CELLS = 10_000  # of the coarse grid; with more, the next one is taken, or the fine grid would take many minutes


def grade_up(k_up):
    """Most of the difference is upwards in a battery that conducts badly that way."""
    return (0.008, 1.6, 0.045) if k_up > 1 else (0.003, 1.35, 0.020)


def graded(a, b, grade):
    """Planes from a to b, fine at both ends."""
    first, growth, most = grade
    length = b - a
    sizes, used, h = [], 0.0, min(first, length / 2)
    while used + 2 * h < length:
        sizes.append(h)
        used += 2 * h
        h = min(h * growth, most)
    # What is left in the middle becomes one cell, or is spread over the others.
    left = length - used
    middle = [] if sizes and left < 0.7 * sizes[-1] else [left]
    cells = np.array(sizes + middle + sizes[::-1]) if sizes else np.array([length])
    return a + np.concatenate([[0.0], np.cumsum(cells) * length / cells.sum()])


def planes(ends, grade, halvings):
    ends = sorted(set(round(e, 9) for e in ends))
    parts = [graded(a, b, grade)[:-1] for a, b in zip(ends, ends[1:])]
    out = np.concatenate(parts + [[ends[-1]]])
    for _ in range(halvings):
        out = np.sort(np.concatenate([out, (out[1:] + out[:-1]) / 2]))
    return out


class Axis:
    """Planes, widths and middles of the cells along one axis, and which cells lie between two planes."""

    def __init__(self, at):
        self.at = at
        self.d = np.diff(at)
        self.c = (at[1:] + at[:-1]) / 2
        self.n = len(self.d)

    def within(self, a, b):
        inside = np.nonzero((self.c > a) & (self.c < b))[0]
        return slice(inside[0], inside[-1] + 1)


# --- What a file says ------------------------------------------------------------------------------------------------------------


class Given:
    """The numbers of one installation in SI units."""

    def __init__(self, name, data):
        mm = 1e-3
        self.name = name
        bat, plate, pad, box, site = (data[s] for s in ("battery", "plate", "pad", "box", "site"))
        self.count = bat["count"]
        self.size = (bat["length_mm"] * mm, bat["width_mm"] * mm, bat["height_mm"] * mm)
        self.gap = bat["gap_mm"] * mm
        self.k_up = bat["conductivity_up_w_per_m_k"]
        self.k_across = bat["conductivity_across_w_per_m_k"]
        self.k_along = bat.get("conductivity_along_w_per_m_k", self.k_across)
        self.capacity = bat["mass_kg"] * bat["specific_heat_j_per_kg_k"]
        area, run = bat.get("terminal_cable_mm2", 0.0), bat.get("terminal_cable_m", 0.0)
        self.g_terminal = K_COPPER * area * 1e-6 / run if area and run else 0.0
        self.row = self.count * self.size[1] + (self.count - 1) * self.gap
        self.plate = (plate.get("length_mm", self.size[0] / mm) * mm, plate.get("width_mm", self.row / mm) * mm)
        self.t_plate = plate["thickness_mm"] * mm
        self.plate_material = PLATES[plate["material"]]
        self.contacts = [plate["contact_w_per_m2_k"]] * self.count  # of each battery; another script sets them apart
        self.pad = (pad["length_mm"] * mm, pad["width_mm"] * mm)
        self.shift = (pad.get("shift_along_mm", 0.0) * mm, pad.get("shift_across_mm", 0.0) * mm)
        self.t_pad = pad["thickness_mm"] * mm
        self.bond = pad["bond_w_per_m2_k"]
        self.box = (box["length_mm"] * mm, box["width_mm"] * mm, box["height_mm"] * mm)
        self.h = box["inside_w_per_m2_k"]
        self.h_sides = self.h  # the checks set this apart from the film on top
        self.changes = box["air_changes_per_h"]

        # From the inside outwards: the order in which heat leaves.
        def layers(key):
            return [(*INSULATIONS[l["material"]], l["thickness_mm"] * mm) for l in reversed(box[key])]

        if "layers" in box:
            self.walls = layers("layers")
            self.floor = layers("floor_layers") if "floor_layers" in box else self.walls
        else:
            material = INSULATIONS[box["insulation"]]
            self.walls = [(*material, box["thickness_mm"] * mm)]
            self.floor = [(*material, box.get("floor_thickness_mm", box["thickness_mm"]) * mm)]
        self.on_ground = site.get("stands_on", "air") == "ground"
        self.out_c = site["design_min_c"]
        self.ground_c = site["ground_c"] if self.on_ground else self.out_c
        self.h_out = 4.0 + 4.0 * site["design_wind_m_s"] * site["exposure_pct"] / 100 + H_RAD  # ISO 6946 annex A
        self.power = data["heater"]["power_w"]
        self.release_c, self.inhibit_c = data["charge"]["release_c"], data["charge"]["inhibit_c"]
        self.soak_s = data["charge"]["soak_min"] * 60.0
        self.channels = [c for c in data["channel"] if "at" in c]


def load(name):
    with open(FOLDER / f"{name}.toml", "rb") as file:
        return Given(name, tomllib.load(file))


# --- The model -------------------------------------------------------------------------------------------------------------------


class Links:
    """Conductances between cells, and from cells to the outside (a weight each for outside air and for ground)."""

    def __init__(self):
        self.i, self.j, self.g = [], [], []
        self.out, self.ground = [], []

    def add(self, i, j, g):
        i, j, g = np.broadcast_arrays(i, j, g)
        self.i.append(i.ravel()), self.j.append(j.ravel()), self.g.append(np.asarray(g, float).ravel())

    def outside(self, i, g, ground=False):
        i, g = np.broadcast_arrays(i, g)
        (self.ground if ground else self.out).append((i.ravel(), np.asarray(g, float).ravel()))


def face(axis, first, last):
    index = [slice(None)] * 3
    index[axis] = 0 if first else -1
    assert last != first
    return tuple(index)


class Model:
    """dT/dt of every cell: M dT/dt = -A T + b_out T_out + b_ground T_ground + q P."""

    def __init__(self, g, halvings):
        self.g = g
        few = [grade for grade in (FINE, EVEN) if g.count < 3 and self.lay(grade, 0) <= MOST_CELLS]
        # A terminal's patch needs small cells beside its edges, and finer ones still would take many minutes.
        grade = few[0] if few and not g.g_terminal else LESS_FINE
        self.lay(grade, halvings)
        self.patches = []
        self.assemble()

    def lay(self, plan, halvings):
        """Planes and numbers of all cells; returns how many there are."""
        g = self.g
        lx, ly, lz = g.size
        bx, by = g.box[0] / 2, g.box[1] / 2
        px, py = g.plate[0] / 2, g.plate[1] / 2
        x0, x1 = g.shift[0] - g.pad[0] / 2, g.shift[0] + g.pad[0] / 2
        y0, y1 = g.shift[1] - g.pad[1] / 2, g.shift[1] + g.pad[1] / 2
        tiny = 1e-9
        assert -px - tiny <= x0 and x1 <= px + tiny and -py - tiny <= y0 and y1 <= py + tiny, "the pad lies beneath the plate"
        assert px <= bx + tiny and py <= by + tiny and lx / 2 <= bx + tiny and g.row / 2 <= by + tiny, "all lies within the box"
        self.starts = [-g.row / 2 + b * (ly + g.gap) for b in range(g.count)]
        ends_x = [-bx, bx, -px, px, x0, x1, -lx / 2, lx / 2]
        ends_y = [-by, by, -py, py, y0, y1] + [e for s in self.starts for e in (s, s + ly)]
        if g.g_terminal:
            near = PATCH_M / 2
            ends_x += [-lx / 2 + near, -lx / 2 + near + PATCH_M, lx / 2 - near - PATCH_M, lx / 2 - near]
            for s in (self.starts[0], self.starts[-1]):
                ends_y += [s + ly / 2 - near, s + ly / 2 + near]
        up = grade_up(g.k_up)
        self.x, self.y = Axis(planes(ends_x, plan, halvings)), Axis(planes(ends_y, plan, halvings))
        self.z = Axis(planes([0.0, lz], up, halvings))
        # Depth below the floor's top.
        self.depths = np.concatenate([[0.0], np.cumsum([l[3] for l in g.floor])])
        self.deep = Axis(planes(list(self.depths), up, halvings))
        self.number()
        return self.n

    def number(self):
        g, x, y = self.g, self.x, self.y
        n = 0

        def take(*shape):
            nonlocal n
            count = int(np.prod(shape))
            out = np.arange(n, n + count).reshape(shape)
            n += count
            return out

        self.floor = take(x.n, y.n, self.deep.n)
        self.pad_x = x.within(g.shift[0] - g.pad[0] / 2, g.shift[0] + g.pad[0] / 2)
        self.pad_y = y.within(g.shift[1] - g.pad[1] / 2, g.shift[1] + g.pad[1] / 2)
        self.plate_x, self.plate_y = x.within(-g.plate[0] / 2, g.plate[0] / 2), y.within(-g.plate[1] / 2, g.plate[1] / 2)
        self.bat_x = x.within(-g.size[0] / 2, g.size[0] / 2)
        self.bat_y = [y.within(s, s + g.size[1]) for s in self.starts]
        # Maps over the whole plan, -1 where there is none.
        self.pad = np.full((x.n, y.n), -1)
        self.pad[self.pad_x, self.pad_y] = take(*self.pad[self.pad_x, self.pad_y].shape)
        self.plate = np.full((x.n, y.n), -1)
        self.plate[self.plate_x, self.plate_y] = take(*self.plate[self.plate_x, self.plate_y].shape)
        nx = self.bat_x.stop - self.bat_x.start
        self.bat = [take(nx, s.stop - s.start, self.z.n) for s in self.bat_y]
        chain = 2 * max(5, 10 // len(g.walls))
        self.wall = take(chain * len(g.walls))
        self.air = int(take(1)[0])
        self.n = n

    def assemble(self):
        g, x, y, z, deep = self.g, self.x, self.y, self.z, self.deep
        links, mass, q = Links(), np.zeros(self.n), np.zeros(self.n)
        area = x.d[:, None] * y.d[None, :]
        bl, bw, bh = g.box
        t_wall, t_floor = sum(l[3] for l in g.walls), sum(l[3] for l in g.floor)
        plan = bl * bw
        plan_out = (bl + 2 * t_wall) * (bw + 2 * t_wall)

        # Floor.
        stretch = (plan / t_floor + EDGE * 2 * (bl + bw) + CORNER * 4 * t_floor) / (plan / t_floor)
        heavier = (plan + plan_out) / 2 / plan
        layer = np.searchsorted(self.depths, deep.c) - 1
        k, rho, c = (np.array([g.floor[l][p] for l in layer]) for p in range(3))
        mass[self.floor] = area[:, :, None] * (deep.d * rho * c * heavier)
        half = deep.d / 2 / (k * stretch)  # m2 K/W
        links.add(self.floor[:, :, :-1], self.floor[:, :, 1:], area[:, :, None] / (half[:-1] + half[1:]))
        self.sideways(links, self.floor, x.d, y.d, k * deep.d, k * deep.d)
        if g.on_ground:
            links.outside(self.floor[:, :, -1], area / half[-1], ground=True)
        else:
            links.outside(self.floor[:, :, -1], area / (half[-1] + plan / plan_out / g.h_out))
        top, over = self.floor[:, :, 0], half[0]
        bare = self.plate < 0
        links.add(top[bare], self.air, area[bare] / (over + 1 / g.h) if g.h else 0.0)
        hangs = (self.plate >= 0) & (self.pad < 0)
        links.add(top[hangs], self.plate[hangs], area[hangs] / (over + 1 / (K_AIR / g.t_pad + H_RAD)))

        # Pad.
        on = self.pad >= 0
        links.add(self.pad[on], top[on], area[on] / over)
        links.add(self.pad[on], self.plate[on], area[on] * g.bond)
        mass[self.pad[on]] = area[on] * g.t_pad * SILICONE[1] * SILICONE[2]
        q[self.pad[on]] = area[on] / (g.pad[0] * g.pad[1])
        sheet = self.pad[self.pad_x, self.pad_y][:, :, None]
        across = np.array([SILICONE[0] * g.t_pad])
        self.sideways(links, sheet, x.d[self.pad_x], y.d[self.pad_y], across, across)

        # Plate.
        k, rho, c = g.plate_material
        on = self.plate >= 0
        mass[self.plate[on]] = area[on] * g.t_plate * rho * c
        sheet = self.plate[self.plate_x, self.plate_y][:, :, None]
        across = np.array([k * g.t_plate])
        self.sideways(links, sheet, x.d[self.plate_x], y.d[self.plate_y], across, across)
        covered = np.zeros((x.n, y.n), bool)
        for s in self.bat_y:
            covered[self.bat_x, s] = True
        if g.gap < NARROW_M:
            for a, b in zip(self.bat_y, self.bat_y[1:]):
                covered[self.bat_x, a.stop : b.start] = True
        open_ = on & ~covered
        links.add(self.plate[open_], self.air, area[open_] * g.h)
        rim = g.t_plate * g.h_sides
        sheet = sheet[:, :, 0]
        for edge in (sheet[0], sheet[-1]):
            links.add(edge, self.air, y.d[self.plate_y] * rim)
        for edge in (sheet[:, 0], sheet[:, -1]):
            links.add(edge, self.air, x.d[self.plate_x] * rim)

        # Batteries. For each face: temperature of the surface = own cell x w[0] + partner x w[1] + outside x w[2].
        self.faces = []
        dx = x.d[self.bat_x]
        conductivity = (g.k_along, g.k_across, g.k_up)
        volume = np.prod(g.size)
        for b, cells in enumerate(self.bat):
            dy = y.d[self.bat_y[b]]
            widths = (dx, dy, z.d)
            mass[cells] = dx[:, None, None] * dy[None, :, None] * z.d * g.capacity / volume
            self.sideways(links, cells, dx, dy, g.k_along * z.d, g.k_across * z.d)
            flat = dx[:, None] * dy[None, :]
            half = z.d / 2 / g.k_up
            links.add(cells[:, :, :-1], cells[:, :, 1:], flat[:, :, None] / (half[:-1] + half[1:]))
            faces = {}
            for axis in range(3):
                for high in (False, True):
                    own = cells[face(axis, not high, high)]
                    d = widths[axis][-1 if high else 0]
                    r_own = d / 2 / conductivity[axis]
                    others = [w for a, w in enumerate(widths) if a != axis]
                    size = others[0][:, None] * others[1][None, :]
                    partner = np.full(own.shape, self.air)
                    beyond = np.full(own.shape, g.h if axis == 2 else g.h_sides)  # conductance per area, surface to partner
                    to_out = np.zeros(own.shape)
                    if axis == 1:
                        other = b + (1 if high else -1)
                        if 0 <= other < g.count and g.gap < NARROW_M:
                            partner = self.bat[other][face(1, high, not high)]
                            d_other = y.d[self.bat_y[other]][0 if high else -1]
                            beyond[:] = 1 / (1 / (K_AIR / g.gap + H_RAD) + d_other / 2 / g.k_across)
                            if high:
                                links.add(own, partner, size / (r_own + 1 / beyond))
                            faces[axis, high] = self.surface(r_own, beyond, partner, to_out)
                            continue
                    if axis == 2 and not high:
                        under = self.plate[self.bat_x, self.bat_y[b]]
                        stands = under >= 0
                        partner = np.where(stands, under, self.air)
                        beyond = np.where(stands, g.contacts[b], g.h)
                    if axis == 2 and high and g.g_terminal:
                        patches = []
                        if b == 0:
                            patches.append(-g.size[0] / 2 + PATCH_M)
                        if b == g.count - 1:
                            patches.append(g.size[0] / 2 - PATCH_M)
                        middle = self.starts[b] + g.size[1] / 2
                        for at in patches:
                            sx = x.within(at - PATCH_M / 2, at + PATCH_M / 2)
                            sy = y.within(middle - PATCH_M / 2, middle + PATCH_M / 2)
                            ox, oy = self.bat_x.start, self.bat_y[b].start
                            to_out[sx.start - ox : sx.stop - ox, sy.start - oy : sy.stop - oy] = g.g_terminal / PATCH_M**2
                    # The massless surface is joined to its cell, to its partner and perhaps to the outside; it is eliminated.
                    total = 1 / r_own + beyond + to_out
                    links.add(own, partner, size * beyond / r_own / total)
                    if to_out.any():
                        links.outside(own, size * to_out / r_own / total)
                        cold = to_out > 0
                        through = size * to_out * beyond / total
                        # Straight from the air to the outside, by way of the patch.
                        links.outside(np.array([self.air]), np.array([through[cold].sum()]))
                        self.patches.append((own, size, to_out, b))
                    faces[axis, high] = self.surface(r_own, beyond, partner, to_out)
            self.faces.append(faces)

        # Walls and lid.
        around = 2 * (bl + bw) * bh + plan
        outer = 2 * (bl + bw + 4 * t_wall) * (bh + t_wall + t_floor) + plan_out
        factor = around / t_wall + EDGE * (4 * bh + 2 * (bl + bw)) + CORNER * 4 * t_wall
        series = sum(l[3] / l[0] for l in g.walls)
        whole = 1 / (factor * t_wall / series)  # K/W through all layers
        each = len(self.wall) // len(g.walls)
        r, m = [], []
        for k, rho, c, t in g.walls:
            r += [whole * (t / k) / series / each] * each
            m += [rho * c * t * (around + outer) / 2 / each] * each
        r = np.array(r)
        mass[self.wall] = m
        links.add(self.wall[:-1], self.wall[1:], 2 / (r[:-1] + r[1:]))
        if g.h:
            links.add(self.air, self.wall[0], 1 / (r[0] / 2 + 1 / (g.h * around)))
        self.g_wall = 1 / (r[-1] / 2 + 1 / (g.h_out * outer))
        links.outside(self.wall[-1:], self.g_wall)
        air = bl * bw * bh - g.count * volume
        mass[self.air] = air * RHO_AIR * C_AIR
        self.g_vent = g.changes * air * RHO_AIR * C_AIR / 3600
        links.outside(np.array([self.air]), self.g_vent)

        i, j, w = (np.concatenate(p) for p in (links.i, links.j, links.g))
        self.b_out, self.b_ground = np.zeros(self.n), np.zeros(self.n)
        for into, pairs in ((self.b_out, links.out), (self.b_ground, links.ground)):
            for at, value in pairs:
                np.add.at(into, at, value)
        off = sp.coo_matrix((np.concatenate([w, w]), (np.concatenate([i, j]), np.concatenate([j, i]))), shape=(self.n, self.n)).tocsr()
        self.A = (sp.diags(np.asarray(off.sum(axis=1)).ravel() + self.b_out + self.b_ground) - off).tocsc()
        self.mass, self.q = mass, q
        assert mass.min() > 0 and w.min() >= 0

    @staticmethod
    def sideways(links, cells, dx, dy, kz_x, kz_y):
        """Conduction along x and y; kz: conductivity times height of each layer of cells."""
        if len(dx) > 1:
            links.add(cells[:-1], cells[1:], (dy[None, :, None] * kz_x) / ((dx[:-1] + dx[1:]) / 2)[:, None, None])
        if len(dy) > 1:
            links.add(cells[:, :-1], cells[:, 1:], (dx[:, None, None] * kz_y) / ((dy[:-1] + dy[1:]) / 2)[None, :, None])

    @staticmethod
    def surface(r_own, beyond, partner, to_out):
        total = 1 / r_own + beyond + to_out
        return partner, (1 / r_own / total, beyond / total, to_out / total)

    # --- What is read off a state ---

    def whole(self, b, t, out_c):
        """A battery's temperatures on its cells' middles, faces, edges and corners."""
        cells = self.bat[b]
        e = np.full([n + 2 for n in cells.shape], np.nan)
        inner = slice(1, -1)
        e[inner, inner, inner] = t[cells]
        for (axis, high), (partner, w) in self.faces[b].items():
            index = [inner] * 3
            index[axis] = -1 if high else 0
            own = t[cells[face(axis, not high, high)]]
            e[tuple(index)] = own * w[0] + t[partner] * w[1] + out_c * w[2]
        # An edge by the plane through the cell and its two faces; a corner by the three faces' edges.
        ends = ((0, 1), (-1, -2))
        for free in range(3):
            p, q = (a for a in range(3) if a != free)
            for ep, np_ in ends:
                for eq, nq in ends:
                    def at(i, j):
                        index = [inner] * 3
                        index[p], index[q] = i, j
                        return tuple(index)
                    e[at(ep, eq)] = e[at(ep, nq)] + e[at(np_, eq)] - e[at(np_, nq)]
        for i, ni in ends:
            for j, nj in ends:
                for k, nk in ends:
                    e[i, j, k] = e[ni, j, k] + e[i, nj, k] + e[i, j, nk] - e[ni, nj, k] - e[ni, j, nk] - e[i, nj, nk] + e[ni, nj, nk]
        return e

    def nodes(self, b):
        x, y, z = self.x.c[self.bat_x] + self.g.size[0] / 2, self.y.c[self.bat_y[b]] - self.starts[b], self.z.c
        return [np.concatenate([[0.0], c, [end]]) for c, end in zip((x, y, z), self.g.size)]

    def sample(self, b, e, point):
        """Temperature at a point of a battery, by cubics through the nearest nodes along each axis."""
        for nodes, at in zip(self.nodes(b), point):
            near = np.nonzero(np.abs(nodes - at) < 1e-9)[0]
            if len(near):
                e = e[near[0]]
                continue
            first = int(np.clip(np.searchsorted(nodes, at) - 2, 0, max(len(nodes) - 4, 0)))
            few = nodes[first : first + 4]
            weights = [np.prod([(at - o) / (n - o) for o in few if o != n]) for n in few]
            e = np.tensordot(weights, e[first : first + 4], axes=(0, 0))
        return float(e)

    def over_plan(self, t, cells, x, y):
        """Value of a layer of cells at a point of the plan, linear between middles."""
        out = 0.0
        for i, wi in self.between(self.x.c, x):
            for j, wj in self.between(self.y.c, y):
                out += wi * wj * t[cells[i, j]]
        return out

    @staticmethod
    def between(c, at):
        i = int(np.clip(np.searchsorted(c, at) - 1, 0, len(c) - 2))
        w = (at - c[i]) / (c[i + 1] - c[i])
        return ((i, 1 - w), (i + 1, w))

    def spot(self, channel, t, out_c, wholes=None):
        """What the surface under a channel has."""
        g = self.g
        lx, ly, lz = g.size
        at, b = channel["at"], channel.get("battery", 1) - 1
        if at == "air":
            return float(t[self.air])
        if at == "plate":
            on = self.pad >= 0
            return float(np.average(t[self.plate[on]], weights=(self.x.d[:, None] * self.y.d)[on]))

        def there(b, *point):
            e = wholes[b] if wholes else self.whole(b, t, out_c)
            return self.sample(b, e, point)

        # The long face that the air reaches: the outer one of the last battery, else the one at low y.
        outer = ly if b == g.count - 1 and b > 0 else 0.0
        match at:
            case "top":
                return there(b, lx / 2, ly / 2, lz)
            case "side":
                return there(b, lx / 2, outer, lz / 2)
            case "end":
                return there(b, 0.0, ly / 2, lz / 2)
            case "base":
                # The face towards a neighbour, where there is one: over the heater, and the warmer.
                inner = ly if outer == 0.0 and g.count > 1 else 0.0
                return there(b, lx / 2, inner, 0.0)
            case "terminal":
                return there(b, PATCH_M, ly / 2, lz)
            case "between":
                if g.count == 1:
                    return there(b, lx / 2, outer, lz / 2)
                low = min(b, g.count - 2)
                return (there(low, lx / 2, ly, lz / 2) + there(low + 1, lx / 2, 0.0, lz / 2)) / 2
            case "bottom":
                plate = self.over_plan(t, self.plate, 0.0, self.starts[b] + ly / 2)
                return (there(b, lx / 2, ly / 2, 0.0) + plate) / 2
            case "point":
                point = [channel[k] / 1000 for k in ("along_mm", "across_mm", "up_mm")]
                on = [min(abs(p), abs(p - end)) < 1e-9 for p, end in zip(point, g.size)]
                assert sum(on) == 1, "a point lies on one face"
                return there(b, *point)
        raise ValueError(at)

    def wholes(self, t, out_c):
        return [self.whole(b, t, out_c) for b in range(self.g.count)]

    def coldest(self, t, out_c):
        return min(e.min() for e in self.wholes(t, out_c))

    def cell_channels(self):
        return [c for c in self.g.channels if c["role"] == "cell"]

    def coldest_channel(self, t, out_c):
        return min(self.spot(c, t, out_c) for c in self.cell_channels())

    def rows(self, t, out_c, where=False):
        """(quantity, place, value, unit) of a state."""
        wholes = self.wholes(t, out_c)
        for c in self.g.channels:
            yield "surface", c["name"], self.spot(c, t, out_c, wholes), "C"
        for b, e in enumerate(wholes):
            yield "coldest", f"battery {b + 1}", float(e.min()), "C"
            if where:
                at = np.unravel_index(e.argmin(), e.shape)
                for axis, nodes, i in zip("xyz", self.nodes(b), at):
                    yield f"coldest_{axis}", f"battery {b + 1}", float(nodes[i]) * 1000, "mm"
        plate, pad = t[self.plate[self.plate >= 0]], t[self.pad[self.pad >= 0]]
        yield "warmest", "plate", float(plate.max()), "C"
        yield "coldest", "plate", float(plate.min()), "C"
        yield "warmest", "pad", float(pad.max()), "C"
        yield "mean", "box air", float(t[self.air]), "C"

    # --- Solving ---

    @staticmethod
    def factor(matrix):
        """A function that solves with this symmetric matrix."""
        return splu(matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}).solve

    def losses(self, t, out_c):
        """Where heat goes (W)."""
        g = self.g
        wall = self.g_wall * (t[self.wall[-1]] - out_c)
        vent = self.g_vent * (t[self.air] - out_c)
        ground = float(self.b_ground @ (t - g.ground_c))
        rest = float(self.b_out @ (t - out_c)) - wall - vent
        cables = 0.0
        for own, size, to_out, b in self.patches:
            e = self.whole(b, t, out_c)[1:-1, 1:-1, -1]
            cables += float((size * to_out * (e - out_c)).sum())
        return {"walls": wall, "air changes": vent, "floor": rest - cables + ground, "terminal cables": cables}


# --- Runs ------------------------------------------------------------------------------------------------------------------------

GAMMA = 2 - 2**0.5  # TR-BDF2: where its first stage ends, such that both stages have one matrix


class Between:
    """A state between two steps, by the cubic with the states and slopes of both ends."""

    def __init__(self, t0, t1, a, b, fa, fb):
        self.t0, self.t1, self.a, self.b, self.fa, self.fb = t0, t1, a, b, fa, fb

    def at(self, t):
        d = self.t1 - self.t0
        s = (t - self.t0) / d
        return (
            (1 + 2 * s) * (1 - s) ** 2 * self.a
            + s * (1 - s) ** 2 * d * self.fa
            + s * s * (3 - 2 * s) * self.b
            + s * s * (s - 1) * d * self.fb
        )

    def crossing(self, of, level, rises):
        """When a function of the state crosses a level within this step, or None. The state after it lies at or beyond the level."""
        sign = 1 if rises else -1
        if sign * (of(self.b) - level) < 0:
            return None
        if sign * (of(self.a) - level) >= 0:
            return self.t0
        return brentq(lambda t: of(self.at(t)) - level, self.t0, self.t1, xtol=1e-3)


def steps(model, states, powers, finer=1):
    """Yields one Between for each step, for ever-growing time; states and powers side by side."""
    t, now = 0.0, states
    b = (model.b_out * model.g.out_c + model.b_ground * model.g.ground_c)[:, None] + model.q[:, None] * np.asarray(powers)
    m = model.mass[:, None]
    slope = (b - model.A @ now) / m
    for until_h, step in STEPS:
        dt = step / finer
        a = GAMMA / 2 * dt
        solve = model.factor(sp.diags(model.mass) + a * model.A)
        while t < until_h * 3600 - 1:
            mid = solve(m * now + a * (m * slope + b))
            new = solve(m * (mid - (1 - GAMMA) ** 2 * now) / (GAMMA * (2 - GAMMA)) + a * b)
            new_slope = (b - model.A @ new) / m
            yield Between(t, t + dt, now, new, slope, new_slope)
            t, now, slope = t + dt, new, new_slope


def results(g, halvings, finer=1):
    """All rows of an installation: {(run, quantity, place, time or None): (value, unit)}, in order."""
    model = Model(g, halvings)
    out = {}

    def state(run, at_h, t, where=False):
        for quantity, place, value, unit in model.rows(t, g.out_c, where):
            out[run, quantity, place, at_h] = (value, unit)

    def lost(run, t):
        for place, value in model.losses(t, g.out_c).items():
            out[run, "loss", place, None] = (value, "W")

    solve = model.factor(model.A)
    cold = solve(model.b_out * g.out_c + model.b_ground * g.ground_c)
    per_watt = solve(model.q)
    # Each point is a straight line of the power; the coldest of all decides.
    hold_w = max(
        float(((g.release_c - a) / b).max()) for a, b in zip(model.wholes(cold, g.out_c), model.wholes(per_watt, 0.0))
    )
    hold, full = cold + hold_w * per_watt, cold + g.power * per_watt
    del solve
    out["hold", "power", "heater", None] = (hold_w, "W")
    state("hold", None, hold, True)
    lost("hold", hold)
    state("full", None, full, True)
    lost("full", full)
    if g.on_ground:
        state("off", None, cold, True)

    start = np.stack([np.full(model.n, g.out_c), np.full(model.n, COOL_FROM_C), hold], axis=1)
    pending = list(TIMES_H)
    coldest = lambda t: model.coldest(t, g.out_c)
    channel = lambda t: model.coldest_channel(t, g.out_c)
    # Whether it ever gets so warm; close to the end the time says nothing but how far the last hundredth of a degree is.
    reached = None if coldest(full) > g.release_c + 0.1 else np.inf
    released = None if channel(full) > g.release_c + 0.1 else np.inf
    soaked = inhibited = None
    for between in steps(model, start, [g.power, 0.0, 0.0], finer):
        one = lambda c: Between(between.t0, between.t1, between.a[:, c], between.b[:, c], between.fa[:, c], between.fb[:, c])
        while pending and pending[0] * 3600 <= between.t1 + 1e-6:
            at_h = pending.pop(0)
            state("warm", at_h, one(0).at(at_h * 3600))
            state("cool", at_h, one(1).at(at_h * 3600))
        if reached is None:
            reached = one(0).crossing(coldest, g.release_c, True)
        if released is None:
            released = one(0).crossing(channel, g.release_c, True)
            if released is not None:
                state("release", None, one(0).at(released), True)
        if released is not None and soaked is None and released + g.soak_s <= between.t1:
            soaked = released + g.soak_s
            state("soaked", None, one(0).at(soaked), True)
        if inhibited is None:
            inhibited = one(2).crossing(channel, g.inhibit_c, False)
            if inhibited is not None:
                state("inhibit", None, one(2).at(inhibited), True)
        if not pending and None not in (reached, released, inhibited) and (soaked is not None or released == np.inf):
            break
    hours = lambda t: (np.inf if t is None else t / 3600, "h")
    out["warm", "time", "coldest point reaches release", None] = hours(reached)
    out["release", "time", "coldest cell channel shows release", None] = hours(released)
    out["inhibit", "time", "coldest cell channel shows inhibit", None] = hours(inhibited)
    return out, model


# --- Checks of this model --------------------------------------------------------------------------------------------------------


def check():
    """What must hold whatever the numbers are."""
    g = load("hut")
    model = Model(g, 0)
    solve = model.factor(model.A)

    cold = solve(model.b_out * g.out_c + model.b_ground * g.ground_c)
    assert np.abs(cold - g.out_c).max() < 1e-9, "without heat everything has the temperature of the outside"
    even = np.full((model.n, 1), g.out_c)
    after = next(steps(model, even, [0.0])).b
    assert np.abs(after - g.out_c).max() < 1e-9, "what is even stays even"

    t = cold + g.power * solve(model.q)
    assert abs(sum(model.losses(t, g.out_c).values()) - g.power) < 1e-8, "as much heat leaves as comes"
    first, second = model.wholes(t, g.out_c)
    assert np.abs(first - second[:, ::-1, :]).max() < 1e-8, "the two batteries mirror each other"
    assert np.abs(first - first[::-1]).max() < 1e-8, "each battery's ends mirror each other"

    # The same with cables, ground and layers, where heat leaves by other ways.
    for name in ("terminals", "layers", "overhang", "wide_gap"):
        g = load(name)
        model = Model(g, 0)
        solve = model.factor(model.A)
        t = solve(model.b_out * g.out_c + model.b_ground * g.ground_c + model.q * g.power)
        losses = model.losses(t, g.out_c)
        assert abs(sum(losses.values()) - g.power) < 1e-8, name
        if name == "terminals":
            # The patch is warmer than the outside by far more than the cable's share: its loss is near conductance x difference.
            near = 2 * g.g_terminal * (model.spot({"at": "terminal"}, t, g.out_c) - g.out_c)
            assert 0.9 < losses["terminal cables"] / near < 1.1, "cables lose what their conductance says"
        g.ground_c = g.out_c
        t = solve(model.b_out * g.out_c + model.b_ground * g.out_c)
        assert np.abs(t - g.out_c).max() < 1e-8, name

    # One-dimensional limits: one battery on a pad as large as itself, sides adiabatic, floor that hardly conducts.
    def slab():
        g = load("one_lying")
        g.pad = g.plate = g.size[:2]
        g.box = (g.size[0], g.size[1], g.box[2])
        g.h_sides = 0.0
        g.floor = [(1e-9, 1.0, 1e-3, 0.05)]
        g.t_plate = g.t_pad = 1e-6  # no heat capacity to speak of
        return g

    lx, ly, height = slab().size
    flux = slab().power / (lx * ly)
    # Steady, film on top: base above air by q (H/k + 1/h).
    g = slab()
    model = Model(g, 0)
    t = model.factor(model.A)(model.b_out * g.out_c + model.q * g.power)
    e = model.whole(0, t, g.out_c)
    rise = flux * (height / g.k_up + 1 / g.h)
    assert np.abs(e[:, :, 0] - t[model.air] - rise).max() < 1e-4 * rise, "steady slab with a film"
    # In time, all else adiabatic: Carslaw and Jaeger, section 3.8, a slab with constant flux at one face.
    g = slab()
    g.h = 0.0
    for halvings, within in ((0, 8e-3), (1, 2e-3)):
        model = Model(g, halvings)
        alpha = g.k_up * lx * ly * height / g.capacity
        start = np.zeros((model.n, 1))
        for between in steps(model, start, [g.power], finer=2):
            hours = between.t1 / 3600
            if abs(hours - round(hours)) < 1e-9 and round(hours) in (1, 4, 12):
                fo = alpha * between.t1 / height**2
                xi = model.nodes(0)[2] / height
                n = np.arange(1, 200)[:, None]
                series = (np.exp(-((n * np.pi) ** 2) * fo) / n**2 * np.cos(n * np.pi * xi)).sum(axis=0)
                exact = flux * height / g.k_up * (fo + (1 - xi) ** 2 / 2 - 1 / 6 - 2 / np.pi**2 * series)
                shown = model.whole(0, between.b[:, 0], 0.0)
                worst = np.abs(shown - exact).max() / exact.max()
                assert worst < within, f"slab heated at a face: {worst:.1e} of the rise after {hours:.0f} h"
            if hours >= 12:
                break
    print("checks hold", flush=True)


# --- The table -------------------------------------------------------------------------------------------------------------------

KINDS = ("power", "loss", "hold", "others", "time")
UNITS = {"power": "%", "loss": "W", "hold": "K", "others": "%", "time": "%"}


def moves(a, b, g):
    """The largest difference of each kind, and where. Temperatures: in K at hold; in other runs in % of what pad or batteries are above
    the outside, since a heater on for ever makes hundreds of kelvins."""
    worst = {}
    for (run, quantity, place, at_h), (value, unit) in a.items():
        if unit == "mm" or (run, quantity, place, at_h) not in b:
            continue
        other = b[run, quantity, place, at_h][0]
        d = 0.0 if value == other else abs(value - other)
        kind = quantity
        if unit == "C":
            kind = "hold" if run == "hold" else "others"
            if run != "hold":
                d *= 100 / (max(a[run, "warmest", "pad", at_h][0], COOL_FROM_C) - g.out_c)
        elif kind in ("power", "time") and d:
            d *= 100 / abs(value)
        if d > worst.get(kind, (-1.0,))[0]:
            worst[kind] = (d, f"{run} {quantity} {place}" + ("" if at_h is None else f" {at_h:g} h"))
    return worst


def tell(kind, d):
    return f"{kind} {d:.3f} {UNITS[kind]}"


def write(tables, notes):
    head = [
        "Temperatures and powers of the installations in sideways/, by the three-dimensional model of sideways_reference.py.",
        f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}.",
        "Surface: what the case has under a channel of the file. Coldest: of all of a battery, with corners; coldest_x, _y, _z: where.",
        "Without time: steady (hold, full, off), or at the moment that the run is named after. Time inf: never.",
        "The pad channel's surface is the mean of the plate over the pad.",
        "Where several points are equally cold, one of them is named.",
        "Cells, and the largest move of each kind of output from a grid twice coarser, and (on that grid) from steps halved. About a third",
        "of the move is what is left. hold: temperatures of that run; others: those of the other runs, in % of what pad or batteries are",
        "above the outside; time: in % of it. The moves are largest at the pad's edges, beside the terminals' patches, and in the first hour.",
        *(notes[name] for name in sorted(notes)),
    ]
    with open(TARGET, "w", newline="") as file:
        for line in head:
            file.write(f"# {line}\n")
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["installation", "run", "quantity", "place", "time_h", "value", "unit"])
        for name, table in sorted(tables.items()):
            for (run, quantity, place, at_h), (value, unit) in table.items():
                digits = 1 if unit == "mm" else 4
                rows.writerow([name, run, quantity, place, "" if at_h is None else f"{at_h:g}", f"{value:.{digits}f}", unit])


def glance(name, table):
    """Surface less coldest point of all batteries, for each cell channel."""
    channels = [c["name"] for c in load(name).channels if c["role"] == "cell"]
    for run in ("hold", "release", "soaked", "inhibit"):
        cold = [v for (r, q, p, _), (v, _) in table.items() if r == run and q == "coldest" and p.startswith("battery")]
        if not cold:
            print(f"{name:15} {run:8} never")
            continue
        above = "  ".join(f"{c} {table[run, 'surface', c, None][0] - min(cold):6.2f} K" for c in channels)
        print(f"{name:15} {run:8} {above}")


def kept(names):
    """What the table already has of other installations than these: their rows and their notes."""
    tables, notes = {}, {}
    if not TARGET.exists():
        return tables, notes
    lines = TARGET.read_text().splitlines()
    there = {p.stem for p in FOLDER.glob("*.toml")} - set(names)
    for line in lines:
        name = line[2:].split(" ")[0]
        if line.startswith("# ") and name in there and " cells: " in line:
            notes[name] = line[2:]
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        if row["installation"] in notes:
            key = (row["run"], row["quantity"], row["place"], float(row["time_h"]) if row["time_h"] else None)
            tables.setdefault(row["installation"], {})[key] = (float(row["value"]), row["unit"])
    return tables, notes


def main():
    check()
    asked = sys.argv[1:] or sorted(p.stem for p in FOLDER.glob("*.toml"))
    tables, notes = kept(asked)
    for name in asked:
        began = time.monotonic()
        g = load(name)
        coarse, _ = results(g, 0)
        halved, _ = results(g, 0, finer=2)
        tables[name], model = results(g, 1)
        space, steps_ = moves(tables[name], coarse, g), moves(coarse, halved, g)
        notes[name] = f"{name} {model.n} cells: " + ", ".join(tell(k, space[k][0]) for k in KINDS if k in space)
        notes[name] += "; steps: " + ", ".join(tell(k, steps_[k][0]) for k in ("others", "time") if k in steps_)
        print(notes[name], f"({time.monotonic() - began:.0f} s)", flush=True)
        for kind in space:
            print(f"  {kind}: grid {space[kind][1]}; steps {steps_[kind][1]}", flush=True)
        write(tables, notes)
    for name in ("hut", "four", "cold_hut", "small_pad", "small_pad_thin"):
        if name in tables:
            glance(name, tables[name])


if __name__ == "__main__":
    main()
