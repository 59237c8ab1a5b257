"""Pack voltages made from a third party's measured cell voltage and drive-cycle currents (folder inputs/)."""
import pathlib

from model import ThirdParty

INPUTS = pathlib.Path(__file__).resolve().parent.parent / "inputs"
STEP_S = 0.03  # a load step takes this long


def series(name):
    """{second: value} of a two-column file, comma or blank between, # comments."""
    out = {}
    for line in (INPUTS / name).read_text().splitlines():
        if line and not line.startswith("#"):
            t, value = line.replace(",", " ").split()
            out[int(t)] = float(value)
    return out


def under_load(name, cells, open_circuit_V, cell_ohm, first, last):
    """(s from the start, V): cells in series, each its open-circuit voltage less current times resistance."""
    current = series(name)
    return [(t - first, cells * (open_circuit_V - cell_ohm * current[t])) for t in range(first, last + 1)]


def us06_steps():
    """The hardest minute: the current of each second holds until the next, so the voltage steps."""
    first, last, cells, ocv, ohm = 297, 357, 96, 3.75, 0.045
    pts = under_load("US06.csv", cells, ocv, ohm, first, last)
    steps = [(0.0, round(pts[0][1], 6))]
    for (t, v), (_, before) in zip(pts[1:], pts):
        steps += [(float(t), round(before, 6)), (t + STEP_S, round(v, 6))]
    recipe = f"{cells} cells in series, each {ocv} V - {ohm} ohm * current; each value held for its second, steps of {STEP_S} s"
    return {"pack_points": tuple(steps), "inputs": (ThirdParty("US06.csv", first, last, recipe),)}


def udds_ramps():
    """The hundred seconds with the most movement, straight lines from second to second."""
    first, last, cells, ocv, ohm = 168, 268, 108, 3.70, 0.035
    pts = under_load("UDDS.csv", cells, ocv, ohm, first, last)
    recipe = f"{cells} cells in series, each {ocv} V - {ohm} ohm * current; straight lines between the seconds"
    return {
        "pack_points": tuple((float(t), round(v, 6)) for t, v in pts),
        "inputs": (ThirdParty("UDDS.csv", first, last, recipe),),
    }


def discharge():
    """The first two minutes, where the voltage falls fastest after the load comes on."""
    first, last, cells = 0, 120, 96
    cell = series("1C_discharge_U.txt")
    recipe = f"measured cell voltage times {cells} cells in series; straight lines between the seconds"
    return {
        "pack_points": tuple((float(t - first), round(cells * cell[t], 6)) for t in range(first, last + 1)),
        "inputs": (ThirdParty("1C_discharge_U.txt", first, last, recipe),),
    }
