"""Writes the TOML files beside a capture: network, expected result, provenance."""
import math

import deck
import truth

MADE_ON = "2026-11-25"
OWN_LICENCE = "MIT OR Apache-2.0"
WHEEL = "pybamm 22.12 (wheel, sha256 507b4e73f0a7d35a66fe9400293cbcf6e03400d8b19f40ce834a3b30673bec73)"


def toml(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, int):
        return str(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return repr(float(f"{value:.10g}"))


def table(name, fields):
    lines = [name] if name else []
    return "\n".join(lines + [f"{k} = {toml(v)}" for k, v in fields.items() if v is not None]) + "\n"


def channel_fields(ch):
    fields = {"divider_top_ohm": ch.top_ohm, "divider_bottom_ohm": ch.bottom_ohm}
    if ch.bits:
        fields |= {
            "converter_bits": ch.bits, "converter_full_scale_V": ch.full_scale_V, "zero_code": ch.zero_code,
            "lowest_valid_code": ch.lowest_valid, "highest_valid_code": ch.highest_valid,
        }
    if ch.calibration_gain != 1.0 or ch.calibration_offset_V:
        fields |= {"calibration_gain": ch.calibration_gain, "calibration_offset_V": ch.calibration_offset_V}
    return fields


def network(cap):
    pack = {"working_voltage_V": cap.working_V, "cells_in_series": cap.cells or None}
    parts = [
        table("", {"format": "ohmsplit-network-1", "name": cap.stem, "description": cap.title}),
        table("[pack]", pack),
        table("[drive]", cap.drive),
    ]
    parts += [table("[[permanent]]", {"to": rail, "resistance_ohm": ohm}) for rail, ohm in cap.permanent]
    kind, names = "chassis_and_pack", ("chassis", "pack")
    if cap.rail_pair:
        kind, names = "rail_pair", ("negative", "positive")
    parts.append(table("[front_end]", {"kind": kind}))
    parts += [table(f"[front_end.{n}]", channel_fields(ch)) for n, ch in zip(names, (cap.chassis, cap.pack))]
    return "\n".join(parts)


def rounded_up(x):
    """Two significant digits, never less than x."""
    step = 10.0 ** (math.floor(math.log10(x)) - 1)
    return float(f"{math.ceil(x / step - 1e-9) * step:.6g}")


def wanted(cap, leak):
    """The [expect] table."""
    expect = {"answer": cap.answer}
    if cap.answer == "figure":
        percent, position = truth.allowance(cap, leak)
        expect["within_percent"] = rounded_up(max(percent, truth.FLOOR_PERCENT))
        expect["position_within"] = rounded_up(max(position, truth.FLOOR_POSITION))
    elif cap.answer == "short":
        expect["position_within"] = truth.FLOOR_POSITION
    elif cap.answer == "refused":
        expect["reason"] = "not_settled"
    return expect | {"verdict": truth.verdict(cap, leak)}


def expected(cap, leak):
    rails = {n: 1.0 / g for n, g in (("p", leak.gp), ("n", leak.gn)) if g > 1e-15}
    truth_fields = {
        "isolation_ohm": leak.isolation if rails else None,
        "position": leak.position if rails else None,
        "positive_ohm": rails.get("p"),
        "negative_ohm": rails.get("n"),
        "capacitance_uF": 1e6 * (cap.cp_F + cap.cn_F + (cap.hum[2] if cap.hum else 0.0)),
    }
    parts = ", ".join(f"R{n}={ohm:.6g} ohm" for n, ohm in rails.items()) or "no leak"
    source = f"netlist resistors of decks/{cap.stem}.cir: {parts}{' (after the step)' if cap.leak_step else ''}"
    return "\n".join([
        table("", {"format": "ohmsplit-expected-1", "capture": cap.file, "source": source}),
        table("[truth]", truth_fields),
        table("[expect]", wanted(cap, leak)),
    ])


def processing(cap):
    """What make/frontend.py did to the solver's points."""
    steps = ["sampled at the centre of each sample period"]
    if cap.noise_V:
        steps.append(f"white Gaussian noise of {cap.noise_V:g} V (at the terminals) added to each reading")
    if cap.oversample > 1:
        steps.append(f"{cap.oversample} readings averaged into each row")
    if cap.jitter:
        steps.append(f"instants shifted by up to {cap.jitter:g} of a sample period (uniform)")
    if cap.missing:
        bursts = ", ".join(f"{a:g}-{b:g} s" for a, b in cap.bursts)
        steps.append(f"{100 * cap.missing:g} % of the rows left out at random, all rows of {bursts}")
    if cap.chassis.calibration_gain != 1.0:
        steps.append("gain and offset error put in, which the network's calibration undoes")
    steps.append(f"rounded to {cap.chassis.bits}-bit codes" if cap.in_codes else "rounded to 1 uV")
    return "; ".join(steps)


def provenance(cap, hashes):
    licence = OWN_LICENCE
    if cap.inputs:
        licence += "; the pack voltage derives from files under BSD-3-Clause, see third_party"
    parts = [table("", {
        "format": "ohmsplit-provenance-1",
        "capture": cap.file,
        "capture_sha256": hashes["capture"],
        "licence": licence,
        "made_on": MADE_ON,
        "made_by": "make/all.py",
        "tool": f"ngspice {deck.version()}",
        "deck": f"decks/{cap.stem}.cir",
        "deck_sha256": hashes["deck"],
        "solver_options": deck.options(cap),
        "switch_on_ohm": deck.SWITCH_ON_OHM,
        "switch_off_ohm": deck.SWITCH_OFF_OHM,
        "processing": processing(cap),
        "seed": cap.seed or None,
    })]
    for source in cap.inputs:
        parts.append(table("[[third_party]]", {
            "file": f"inputs/{source.file}",
            "file_sha256": hashes[source.file],
            "package": WHEEL,
            "licence": "BSD-3-Clause, text in inputs/LICENSE-pybamm.txt",
            "attribution": "Copyright (c) 2018-2022, the PyBaMM team. All rights reserved.",
            "origin": hashes["origins"][source.file],
            "used": f"{source.first_s}..{source.last_s} s",
            "recipe": source.recipe,
        }))
    return "\n".join(parts)
