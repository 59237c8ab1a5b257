#!/usr/bin/env python3
"""Makes every capture of this folder anew: decks, ngspice runs, captures, network, expected and provenance files.

    python3 make/all.py            all of them
    python3 make/all.py STEM ...   only those
"""
import hashlib
import pathlib
import sys
import time

import catalogue
import deck
import emit
import frontend
import realdata
import truth
from table import CAPTURES

ROOT = pathlib.Path(__file__).resolve().parent.parent
ORIGINS = {
    "US06.csv": "cell current of a vehicle on the drive cycle US06, as the file's own header says; no further origin given",
    "UDDS.csv": "cell current of a vehicle on the drive cycle UDDS with at most 8.1 A, from the battery simulator SLIDE, "
                "as the first line of the file in the package says; that line is left out here",
    "1C_discharge_U.txt": "measured cell voltage of a 1C discharge at beginning of life; the folder's README names "
                          "J. Electrochem. Soc. 167, 013512 (2020), doi 10.1149/2.0122001JES, and "
                          "J. Electrochem. Soc. 163, A1566 (2016)",
}


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def sanity(cap, leak):
    """The table must not ask for what it cannot judge."""
    per_row = cap.half_period_s * cap.rate_Hz
    assert abs(per_row - round(per_row)) < 1e-9, f"{cap.stem}: a drive change must fall between rows"
    assert abs(cap.rest_s * cap.rate_Hz - round(cap.rest_s * cap.rate_Hz)) < 1e-9, cap.stem
    if cap.pack_points:
        assert cap.pack_points[-1][0] >= cap.duration_s - 1e-9, f"{cap.stem}: pack voltage ends early"
    if cap.answer != "figure":
        return
    percent, _ = truth.allowance(cap, leak)
    weakest = 1.0 / max(leak.gp, leak.gn) / cap.working_V
    for limit in (100.0, 500.0):
        room = 100.0 * abs(weakest / limit - 1.0)
        assert room > 12.0 + percent, f"{cap.stem}: {weakest:.0f} ohm/V is too near to {limit:.0f}"
    if not cap.noise_V and cap.chassis.bits in (0, 24) and not cap.pack_points:
        assert percent < truth.FLOOR_PERCENT, f"{cap.stem}: {percent:.3f} %"
    g = {s: truth.state(cap, s, cap.steady_V)[0] for s in ("raise", "lower")}
    if g["raise"] == g["lower"]:
        dv = 1e-4
        law = truth.law_percent(cap, leak, dv)
        at = [(truth.settled(cap, leak, s, cap.steady_V), cap.steady_V) for s in ("raise", "lower")]
        moved = truth.solve(cap, (at[0][0] + dv, at[0][1]), (at[1][0] - dv, at[1][1]))
        direct = 100.0 * abs(moved.isolation / leak.isolation - 1.0)
        assert abs(direct / law - 1.0) < 0.01, f"{cap.stem}: error law {law}, direct {direct}"


def make(cap):
    began = time.time()
    netlist = deck.text(cap)
    leak = truth.leak_of(netlist)
    sanity(cap, leak)
    (ROOT / f"decks/{cap.stem}.cir").write_text(netlist)
    data = frontend.write(ROOT / cap.file, frontend.csv_text(cap, deck.run(netlist, cap.duration_s)))
    hashes = {"capture": sha256(data), "deck": sha256(netlist.encode()), "origins": ORIGINS}
    for source in cap.inputs:
        hashes[source.file] = sha256((realdata.INPUTS / source.file).read_bytes())
    (ROOT / f"captures/{cap.stem}.toml").write_text(emit.network(cap))
    (ROOT / f"expected/{cap.stem}.toml").write_text(emit.expected(cap, leak))
    (ROOT / f"provenance/{cap.stem}.toml").write_text(emit.provenance(cap, hashes))
    print(f"{cap.file}: {len(data)} bytes, {time.time() - began:.1f} s", flush=True)


def main():
    wanted = sys.argv[1:]
    unknown = set(wanted) - {c.stem for c in CAPTURES}
    if unknown:
        sys.exit(f"no such capture in make/table.py: {', '.join(sorted(unknown))}")
    for folder in ("decks", "captures", "expected", "provenance"):
        (ROOT / folder).mkdir(exist_ok=True)
    for cap in CAPTURES:
        if not wanted or cap.stem in wanted:
            make(cap)
    leaks = {c.stem: truth.leak_of(deck.text(c)) for c in CAPTURES}
    lines = [catalogue.line(c, leaks[c.stem], emit.wanted(c, leaks[c.stem])) for c in CAPTURES]
    catalogue.update(ROOT / "README.md", lines)


if __name__ == "__main__":
    main()
