#!/usr/bin/env python3
"""Solves every capture by hand, so to say, and holds the answer against expected/.

Independent of the scripts that made the captures: it reads only the published files, averages the last part of
each half-period, and solves the two circuit equations in floating point. It knows no transient, so it can only
confirm settled captures; of a refused one it confirms that such a reading would indeed have been wrong.
"""
import csv
import gzip
import hashlib
import pathlib
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parent.parent
TAIL = 0.4
USED_HALVES = 4
WRONG_PERCENT = 5.0  # a refused capture's settled reading must be off by more than this
OPEN_OHM = 200e6
SHORT_OHM = 500.0


def volts(channel, cell, in_codes):
    if not in_codes:
        return float(cell)
    if not channel["lowest_valid_code"] < int(cell) < channel["highest_valid_code"]:
        raise ValueError(f"code {cell} is saturated")
    pin = (int(cell) - channel["zero_code"]) * channel["converter_full_scale_V"] / 2 ** channel["converter_bits"]
    raw = pin * (channel["divider_top_ohm"] + channel["divider_bottom_ohm"]) / channel["divider_bottom_ohm"]
    return raw * channel.get("calibration_gain", 1.0) + channel.get("calibration_offset_V", 0.0)


def rows(path, net):
    """(time, state, v, Vb), volts at the terminals."""
    front = net["front_end"]
    pair = front["kind"] == "rail_pair"
    names = ("negative", "positive") if pair else ("chassis", "pack")
    opener = gzip.open if path.suffix == ".gz" else open
    with opener(path, "rt") as lines:
        reader = csv.DictReader(line for line in lines if not line.startswith("#"))
        in_codes = f"{names[0]}_code" in reader.fieldnames
        for row in reader:
            a, b = (volts(front[n], row[f"{n}_{'code' if in_codes else 'V'}"], in_codes) for n in names)
            yield float(row["time_s"]), row["drive"], a, (a + b if pair else b)


def half_periods(samples):
    """Runs of one drive state, rest left out."""
    runs = []
    for sample in samples:
        if not runs or runs[-1][-1][1] != sample[1]:
            runs.append([])
        runs[-1].append(sample)
    return [r for r in runs if r[0][1] != "rest"]


def tail_mean(run):
    start = run[-1][0] - TAIL * (run[-1][0] - run[0][0])
    tail = [s for s in run if s[0] >= start]
    return run[0][1], sum(s[2] for s in tail) / len(tail), sum(s[3] for s in tail) / len(tail)


def monitor(net, state, vb):
    """(g, i): what the monitor's own parts and its drive do at the chassis node."""
    g = i = 0.0
    for part in net.get("permanent", []):
        g += 1 / part["resistance_ohm"]
        i += vb / part["resistance_ohm"] if part["to"] == "positive" else 0.0
    front = net["front_end"]
    for name, share in (("chassis", 0.0), ("negative", 0.0), ("positive", vb)):
        if name in front:
            ohm = front[name]["divider_top_ohm"] + front[name]["divider_bottom_ohm"]
            g, i = g + 1 / ohm, i + share / ohm
    d = net["drive"]
    up = state == "raise"
    match d["kind"]:
        case "source_to_negative":
            return g + 1 / d["series_resistance_ohm"], i + (1 if up else -1) * d["amplitude_V"] / d["series_resistance_ohm"]
        case "source_to_both_rails":
            push = vb + (2 if up else -2) * d["amplitude_V"]
            return g + 2 / d["series_resistance_ohm"], i + push / d["series_resistance_ohm"]
        case "switched_resistors" if up:
            return g + 1 / d["positive_resistance_ohm"], i + vb / d["positive_resistance_ohm"]
        case "switched_resistors":
            return g + 1 / d["negative_resistance_ohm"], i
        case "logic_source":
            return g + 1 / d["series_resistance_ohm"], i + d["high_V" if up else "low_V"] / d["series_resistance_ohm"]


def solve(net, tails):
    """Least squares for (G, Gp) of  v G - Vb Gp = i - g v."""
    saa = sab = sbb = say = sby = 0.0
    for state, v, vb in tails:
        g, i = monitor(net, state, vb)
        y = i - g * v
        saa, sab, sbb = saa + v * v, sab - v * vb, sbb + vb * vb
        say, sby = say + v * y, sby - vb * y
    det = saa * sbb - sab * sab
    return (say * sbb - sby * sab) / det, (saa * sby - sab * say) / det


def judged(net, g, gp):
    per_volt = 1 / max(gp, g - gp, 1e-12) / net["pack"]["working_voltage_V"]
    return "alarm" if per_volt < 100 else "warning" if per_volt < 500 else "healthy"


def short_fault(truth, expect, net, tails):
    """A short holds the chassis where it is: the pushed current hardly moves it, and v / Vb is the position."""
    pushed = [(lambda g, i: i - g * v)(*monitor(net, state, vb)) for state, v, vb in tails[-2:]]
    ohm = abs((tails[-1][1] - tails[-2][1]) / (pushed[-1] - pushed[-2]))
    x = tails[-1][1] / tails[-1][2]
    near = abs(x - truth["position"]) < expect["position_within"]
    return ("" if near and ohm < SHORT_OHM else "no short shows"), f"R below {SHORT_OHM:g} ohm: {ohm:.3g}, x = {x:.5f}"


def answer_fault(want, net, tails):
    """What is wrong, or "" ; and what was found."""
    truth, expect = want["truth"], want["expect"]
    if expect["answer"] == "short":
        return short_fault(truth, expect, net, tails)
    g, gp = solve(net, tails)
    if expect["answer"] == "open":
        return ("" if abs(g) < 1 / OPEN_OHM else "a leak shows"), f"G = {g:.2e} S"
    off = 100 * (1 / g / truth["isolation_ohm"] - 1)
    found = f"R = {1 / g:.6g} ohm ({off:+.3f} %), x = {gp / g:.5f} ({gp / g - truth['position']:+.5f})"
    if expect["answer"] == "refused":
        return ("" if abs(off) > WRONG_PERCENT else "a settled reading would have been right"), found
    if abs(off) > expect["within_percent"]:
        return f"R is off by more than {expect['within_percent']} %", found
    if abs(gp / g - truth["position"]) > expect["position_within"]:
        return "position is off", found
    if judged(net, g, gp) != expect["verdict"]:
        return "verdict differs", found
    return "", found


def check(path):
    want = tomllib.loads(path.read_text())
    capture = ROOT / want["capture"]
    net = tomllib.loads((ROOT / "captures" / f"{path.stem}.toml").read_text())
    origin = tomllib.loads((ROOT / "provenance" / path.name).read_text())
    sums = [(capture, origin["capture_sha256"]), (ROOT / origin["deck"], origin["deck_sha256"])]
    sums += [(ROOT / s["file"], s["file_sha256"]) for s in origin.get("third_party", [])]
    for file, sha256 in sums:
        if hashlib.sha256(file.read_bytes()).hexdigest() != sha256:
            return f"{file.name} is not the file of its provenance", ""
    runs = half_periods(rows(capture, net))
    fault, found = answer_fault(want, net, [tail_mean(r) for r in runs[-USED_HALVES:]])
    allowed = want["expect"].get("within_percent")
    return fault, f"{found}{f', allowed {allowed} %' if allowed else ''}"


def main():
    paths = sorted((ROOT / "expected").glob("*.toml"))
    captures = {p.name.split(".")[0] for p in (ROOT / "captures").glob("*.csv*")}
    failed = captures ^ {p.stem for p in paths}
    for stem in sorted(failed):
        print(f"FAIL {stem}: capture or expected result missing")
    for path in paths:
        fault, found = check(path)
        print(f"{'FAIL' if fault else 'ok  '} {path.stem}: {fault + ': ' if fault else ''}{found}")
        failed |= {path.stem} if fault else set()
    print(f"{len(paths) - len(failed & {p.stem for p in paths})} of {len(paths)} confirmed")
    sys.exit(1 if failed or not paths else 0)


if __name__ == "__main__":
    main()
