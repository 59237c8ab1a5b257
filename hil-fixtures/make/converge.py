#!/usr/bin/env python3
"""Are the solver's points converged? Compares a deck's readings with a run at half the longest step and a tenth of
the tolerance, and, where the circuit is one capacitor under a steady pack voltage, with the exact exponential.

    python3 make/converge.py
"""
import dataclasses
import math
import sys

import deck
import frontend
import truth
from table import CAPTURES

STEMS = ("source-400v-1m-inside", "source-1500v-10m-inside", "us06-steps-switched")
LARGEST = 5e-5  # of the chassis voltage's span


def readings(cap, solved):
    points = frontend.Points(*solved)
    period = 1.0 / cap.rate_Hz
    times = [(k + 0.5) * period for k in range(round(cap.duration_s * cap.rate_Hz))]
    return times, [points.near(t)[0] * (cap.chassis.ratio if cap.in_codes else 1.0) for t in times]


def exact(cap, leak, times):
    """v at the given times from the settled start on, edge by edge."""
    c = cap.cp_F + cap.cn_F
    edges = cap.edges() + [(math.inf, "")]
    out, v, at = [], None, 0
    levels = {"rest": (leak.gp + truth.own_parts(cap)[0]) * cap.steady_V / (leak.g + sum(truth.own_parts(cap)))}
    gs = {"rest": leak.g + sum(truth.own_parts(cap))}
    for s in ("raise", "lower"):
        levels[s] = truth.settled(cap, leak, s, cap.steady_V)
        gs[s] = leak.g + truth.state(cap, s, cap.steady_V)[0]
    v = levels[edges[0][1]]
    for t in times:
        while t >= edges[at + 1][0]:
            start, s = edges[at]
            v = levels[s] + (v - levels[s]) * math.exp(-(edges[at + 1][0] - start) * gs[s] / c)
            at += 1
        start, s = edges[at]
        # the switches change over half an edge after the nominal instant
        since = max(0.0, t - start - (deck.EDGE_S / 2 if start else 0.0))
        out.append(levels[s] + (v - levels[s]) * math.exp(-since * gs[s] / c))
    return out


def main():
    failed = False
    for cap in (c for c in CAPTURES if c.stem in STEMS):
        netlist = deck.text(cap)
        times, usual = readings(cap, deck.run(netlist, cap.duration_s))
        _, fine = readings(cap, deck.run(deck.text(dataclasses.replace(cap, reltol=cap.reltol / 10), 2), cap.duration_s))
        span = max(usual) - min(usual)
        compared = {"half the step, a tenth of the tolerance": fine}
        if not cap.pack_points:
            compared["the exact exponential"] = exact(cap, truth.leak_of(netlist), times)
        for name, other in compared.items():
            worst = max(abs(a - b) for a, b in zip(usual, other)) / span
            failed |= worst > LARGEST
            print(f"{cap.stem}: {worst:.1e} of the span of {span:.4g} V from {name}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
