"""Plays a thermostat on a plant with SciPy's LSODA, for the page of benchmarks.

usage: lsoda.py < problem.json > result.json

`sim/benches/page/thermostat.rs` writes the problem: the equations of an installation in each wind, the hours of the
weather, the heater and where it switches. The result says how long the solver took, without reading the problem, how
long the heater was on, how often it came on, and the last temperatures. Without SciPy the result is {"missing": "scipy"}.

The solver stops at each point of the weather, where the slope breaks, and where the thermostat switches, which it finds
by itself. It is given the matrix of the equations as their derivative, which spares it most of its work.
"""

import json
import sys
import time

try:
    import scipy
    import numpy as np
    from scipy.integrate import solve_ivp
except ImportError as missing:
    json.dump({"missing": missing.name.split(".")[0]}, sys.stdout)
    sys.exit()


class Wind:
    """`dT/dt = steady + outside * T_outside + heater * P + matrix @ T` in one wind."""

    def __init__(self, given):
        capacities = np.array(given["capacities_j_per_k"])
        self.matrix = -np.array(given["conductances_w_per_k"]) / capacities[:, None]
        ground = np.array(given["to_ground_w_per_k"]) * given["ground_c"]
        self.steady = (np.array(given["own_heat_w"]) + ground) / capacities
        self.outside = np.array(given["to_outside_w_per_k"]) / capacities
        self.heater = np.array(given["heater"]) / capacities


def play(problem):
    winds = [Wind(given) for given in problem["winds"]]
    cells = problem["cells"]
    state = np.array(problem["start"])
    heats, came_on, heated_s = False, 0, 0.0
    for hour in problem["hours"]:
        wind = winds[hour["wind"]]
        at_s = 0.0
        while at_s < hour["lasts_s"]:
            coldest_c = state[cells].min()
            # At the crossing itself rounding may leave it on either side.
            wanted = coldest_c < problem["stop_c"] - 1e-7 if heats else coldest_c <= problem["start_c"] + 1e-7
            came_on += wanted and not heats
            heats = wanted
            constant = wind.steady + wind.outside * hour["from_c"] + wind.heater * (problem["power_w"] if heats else 0.0)
            climb = wind.outside * hour["slope_k_per_s"]
            threshold_c = problem["stop_c"] if heats else problem["start_c"]

            def crosses(_, temperatures):
                return temperatures[cells].min() - threshold_c

            crosses.terminal = True
            crosses.direction = 1.0 if heats else -1.0
            solved = solve_ivp(
                lambda t, temperatures: wind.matrix @ temperatures + (constant + climb * t),
                (at_s, hour["lasts_s"]),
                state,
                method="LSODA",
                jac=lambda t, temperatures: wind.matrix,
                events=crosses,
                rtol=problem["tolerance"],
                atol=problem["tolerance"],
            )
            if not solved.success:
                raise RuntimeError(solved.message)
            state = solved.y[:, -1]
            heated_s += (solved.t[-1] - at_s) * heats
            at_s = solved.t[-1]
    return {"heated_s": float(heated_s), "came_on": int(came_on), "cells_c": state[cells].tolist()}


problem = json.load(sys.stdin)
start = time.perf_counter()
result = play(problem)
result["seconds"] = time.perf_counter() - start
result["version"] = "SciPy " + scipy.__version__
json.dump(result, sys.stdout)
