"""Writes conduction_block.csv, conduction_long_block.csv and conduction_patch.csv: closed forms in two and three dimensions.

Formulas from memory of the named books; nothing is taken from any mesh. Needs mpmath.
"""

import pathlib

from mpmath import cos, cosh, cot, findroot, mp, mpf, pi, sin, sinh, sqrt, tan

mp.dps = 30
HERE = pathlib.Path(__file__).parent


def even_root(n, biot):
    """n-th root of z tan z = Bi, n from 0: in (n pi, n pi + pi/2)."""
    low, high = n * pi, n * pi + pi / 2
    return findroot(lambda z: z * sin(z) - biot * cos(z), (low + mpf(10) ** -20, high), solver="anderson", tol=mpf(10) ** -40)


def odd_root(n, biot):
    """n-th root of z cot z = -Bi, n from 0: in (n pi + pi/2, n pi + pi)."""
    low, high = n * pi + pi / 2, (n + 1) * pi
    return findroot(lambda z: z * cos(z) + biot * sin(z), (low, high), solver="anderson", tol=mpf(10) ** -40)


def wall(biot, fourier, xi):
    """A wall from 1 down to 0 through films on both faces; xi from its middle to a face."""
    total = mpf(0)
    for n in range(40):
        z = even_root(n, biot)
        total += 4 * sin(z) / (2 * z + sin(2 * z)) * mp.exp(-z * z * fourier) * cos(z * xi)
    return total


def write(name, head, header, rows):
    lines = ["# " + line for line in head] + [",".join(header)]
    lines += [",".join(cell if isinstance(cell, str) else mp.nstr(cell, 12) for cell in row) for row in rows]
    (HERE / name).write_text("\n".join(lines) + "\n")


def block():
    """Bi of each half measure (x, y) and of the height (z, foot insulated), Fo alike; corner = all faces."""
    rows = []
    for biots in [(mpf("0.1"), mpf("0.3"), mpf("0.2")), (mpf(1), mpf(2), mpf("0.5")), (mpf(10), mpf(5), mpf(3))]:
        for fourier in [mpf("0.1"), mpf("0.3"), mpf(1)]:
            middle = [wall(biot, fourier, 0) for biot in biots]
            face = [wall(biot, fourier, 1) for biot in biots]
            pick = lambda out: mp.fprod(face[axis] if out[axis] else middle[axis] for axis in range(3))
            places = [(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1), (1, 1, 1)]
            rows.append([*biots, fourier, *(pick(place) for place in places)])
    write(
        "conduction_block.csv",
        [
            "source: computed by conduction_blocks.py (mpmath, 30 digits, 40 terms an axis)",
            "block of half length, half width and height L with films on all faces but its foot (z = 0, insulated), from 1 down to 0: product of",
            "three walls; Carslaw & Jaeger, Conduction of Heat in Solids (2nd ed.), section 1.15, and Incropera & DeWitt, section 5.8 (from memory)",
            "Fo = alpha t / L^2 is the same along each axis; a name says which faces the place lies on",
        ],
        ["biot_x", "biot_y", "biot_z", "fourier", "core", "x", "y", "z", "xy", "xz", "yz", "xyz"],
        rows,
    )


def long_block():
    """Half width b, height a, conductivities ky, kz; unit flux into the foot; film h on sides and top; steady."""
    rows = []
    for b, a, ky, kz, h in [("0.086", "0.215", "0.8", "15", "7.7"), ("0.086", "0.215", "0.8", "0.8", "7.7"), ("0.15", "0.1", "2", "5", "20")]:
        b, a, ky, kz, h = map(mpf, (b, a, ky, kz, h))
        modes = []
        for n in range(200):
            z = even_root(n, h * b / ky)
            c = 4 * sin(z) / (2 * z + sin(2 * z))
            mu = z / b * sqrt(ky / kz)
            # kz Z'' = ky (z/b)^2 Z, -kz Z'(0) = c, -kz Z'(a) = h Z(a); written with decaying exponentials.
            r = (kz * mu - h) / (kz * mu + h) * mp.exp(-2 * mu * a)
            modes.append((z, c / (kz * mu * (1 - r)), mu, r))

        def at(y, up):
            return mp.fsum(q * (mp.exp(-mu * up) + r * mp.exp(mu * up)) * cos(z * y / b) for z, q, mu, r in modes)

        rows.append([b, a, ky, kz, h, *(at(y * b, up * a) for y in (0, 1) for up in (mpf("0.5"), mpf(1))), at(0, 0)])
    write(
        "conduction_long_block.csv",
        [
            "source: computed by conduction_blocks.py (mpmath, 30 digits, 200 terms); Carslaw & Jaeger (2nd ed.), section 5.3 (from memory)",
            "long block, steady, 1 W/m2 into its foot, film on both sides and the top to 0: rise (K) at the middle and at a side, half way up and on top; and at the middle of the foot",
        ],
        ["half_width_m", "height_m", "k_across", "k_up", "film", "middle_half", "middle_top", "side_half", "side_top", "middle_foot"],
        rows,
    )


def patch():
    """Square plate of half side a, thickness t, films h on top and edges; flux 1 W/m2 into a square patch of half side s about (c, d)."""
    a, t, k, h, s = mpf("0.15"), mpf("0.003"), mpf(160), mpf(8), mpf("0.05")
    biot = h * a / k
    modes = []
    for n in range(60):
        z = even_root(n, biot)
        modes.append((z, cos, lambda u: sin(u), (1 + sin(2 * z) / (2 * z))))
        z = odd_root(n, biot)
        modes.append((z, sin, lambda u: -cos(u), (1 - sin(2 * z) / (2 * z))))

    def weight(mode, middle):
        z, _, primitive, norm = mode
        return (primitive(z * (middle + s) / a) - primitive(z * (middle - s) / a)) / z / norm

    rows = []
    for c, d in [("0", "0"), ("0.06", "-0.04")]:
        c, d = mpf(c), mpf(d)
        across, along = [[weight(mode, middle) for mode in modes] for middle in (c, d)]

        def at(x, y):
            fx = [mode[1](mode[0] * x / a) for mode in modes]
            fy = [mode[1](mode[0] * y / a) for mode in modes]
            total = mpf(0)
            for m, wx, ex in zip(modes, across, fx):
                if wx == 0:
                    continue
                for n, wy, ey in zip(modes, along, fy):
                    total += wx * wy * ex * ey / (k * t * (m[0] ** 2 + n[0] ** 2) / a**2 + h)
            return total

        for x, y in [(c, d), (c + s / 2, d), (mpf("-0.1"), mpf("0.1")), (mpf("0.12"), mpf("0.01")), (mpf("-0.13"), mpf("-0.13"))]:
            rows.append([c, d, x, y, at(x, y)])
    write(
        "conduction_patch.csv",
        [
            "source: computed by conduction_blocks.py (mpmath, 30 digits, 120 terms an axis); double series of eigenfunctions of a plate whose edges lose",
            "heat through a film, Carslaw & Jaeger (2nd ed.), sections 1.15 and 5.6 (from memory)",
            "plate of 0.3 x 0.3 x 0.003 m, 160 W/(m K), 8 W/(m2 K) on top and edges to 0, insulated below; 1 W/m2 into a square of 0.1 m about (c, d): rise (K) at (x, y), from the plate's middle",
        ],
        ["c_m", "d_m", "x_m", "y_m", "rise_k"],
        rows,
    )


block()
long_block()
patch()
