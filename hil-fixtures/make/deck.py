"""Writes the ngspice netlist of a capture and runs it."""
import pathlib
import re
import subprocess
import tempfile

SWITCH_ON_OHM = 0.1
SWITCH_OFF_OHM = 1e15
EDGE_S = 1e-6
# The tick source has a corner every quarter of the reading period, so the solver stops exactly at every
# reading; GRID_JITTER readings per row let jittered instants be interpolated between such stops.
GRID_JITTER = 8
# chgtol is the charge below which the relative tolerance no longer counts; much smaller, and a chassis that starts
# at exactly 0 V lets the solver give up at the first edge.
OPTIONS = "vntol=1e-9 abstol=1e-13 chgtol=1e-9 trtol=1 method=gear maxord=2 gmin=1e-18"


def num(x):
    return f"{x:.12g}"


def wrapped(head, corners):
    """A PWL source on continuation lines, four corners on each."""
    flat = [f"{num(t)} {num(v)}" for t, v in corners]
    lines = [f"+ {'  '.join(flat[i:i + 4])}" for i in range(0, len(flat), 4)]
    return [f"{head} PWL("] + lines + ["+ )"]


def levels(cap, value):
    """Corners of a voltage that is value(state) in each drive state."""
    edges = cap.edges()
    corners = [(0.0, value(edges[0][1]))]
    for t, state in edges:
        v = value(state)
        if t > 0 and v != corners[-1][1]:
            corners += [(t, corners[-1][1]), (t + EDGE_S, v)]
    return corners


def drive_lines(cap):
    d = cap.drive
    kind = d["kind"]
    if kind == "logic_source":
        level = lambda s: d["high_V"] if s == "raise" else d["low_V"]
        return wrapped("Vlogic lg 0", levels(cap, level)) + [f"Rdrive lg e {num(d['series_resistance_ohm'])}"]
    out = wrapped("Vraise craise 0", levels(cap, lambda s: 1.0 if s == "raise" else 0.0))
    out += wrapped("Vlower clower 0", levels(cap, lambda s: 1.0 if s == "lower" else 0.0))
    if kind == "switched_resistors":
        return out + [
            "Sraise p ra craise 0 drivesw",
            f"Rraise ra e {num(d['positive_resistance_ohm'])}",
            "Slower rb 0 clower 0 drivesw",
            f"Rlower e rb {num(d['negative_resistance_ohm'])}",
        ]
    rails = {"source_to_negative": ["0"], "source_to_both_rails": ["0", "p"]}[kind]
    for rail in rails:
        n = "n" if rail == "0" else "p"
        out += [
            f"Vup_{n} up_{n} {rail} DC {num(d['amplitude_V'])}",
            f"Vdown_{n} down_{n} {rail} DC {num(-d['amplitude_V'])}",
            f"Sraise_{n} up_{n} out_{n} craise 0 drivesw",
            f"Slower_{n} down_{n} out_{n} clower 0 drivesw",
            f"Rdrive_{n} out_{n} e {num(d['series_resistance_ohm'])}",
        ]
    return out


def pack_lines(cap):
    top = "pr" if cap.ripple else "p"
    if cap.pack_points:
        out = wrapped(f"Vpack {top} 0", cap.pack_points)
    else:
        out = [f"Vpack {top} 0 DC {num(cap.steady_V)}"]
    if cap.ripple:
        out.append(f"Vripple p pr SIN(0 {num(cap.ripple[0])} {num(cap.ripple[1])})")
    return out


def leak_lines(cap):
    """A leak from inside the stack hangs on a tap that is a fixed fraction of the pack voltage."""
    out = []
    every = [(x, r, "e") for x, r in cap.leaks]
    if cap.leak_step:
        t, x, r = cap.leak_step
        every.append((x, r, "estep"))
        out += [
            f"Vstep cstep 0 PWL(0 0  {num(t)} 0  {num(t + EDGE_S)} 1)",
            "Sstep estep e cstep 0 drivesw",
        ]
    for k, (x, r, to) in enumerate(every, 1):
        node = {0.0: "0", 1.0: "p"}.get(x, f"mid{k}")
        if node.startswith("mid"):
            out.append(f"Emid{k} {node} 0 p 0 {num(x)}")
        out.append(f"Rleak{k} {node} {to} {num(r)}")
    return out


def channel_lines(cap):
    """Dividers with their taps. A rail pair is read against E, a chassis-and-pack front end against N."""
    c, p = cap.chassis, cap.pack
    if cap.rail_pair:
        return [
            f"Rpos_top p tappos {num(p.top_ohm)}", f"Rpos_bottom tappos e {num(p.bottom_ohm)}",
            f"Rneg_top 0 tapneg {num(c.top_ohm)}", f"Rneg_bottom tapneg e {num(c.bottom_ohm)}",
        ]
    return [
        f"Rchassis_top e tapc {num(c.top_ohm)}", f"Rchassis_bottom tapc 0 {num(c.bottom_ohm)}",
        f"Rpack_top p tapp {num(p.top_ohm)}", f"Rpack_bottom tapp 0 {num(p.bottom_ohm)}",
    ]


def vectors(cap):
    """What the two channels see: pins in codes, terminals in volts. (chassis or negative, pack or positive)."""
    if cap.rail_pair:
        return ["v(e)-v(tapneg)", "v(tappos)-v(e)"] if cap.in_codes else ["v(e)", "v(p)-v(e)"]
    return ["v(tapc)", "v(tapp)"] if cap.in_codes else ["v(e)", "v(p)"]


def reading_period(cap):
    return 1.0 / cap.rate_Hz / (GRID_JITTER if cap.jitter else cap.oversample)


def options(cap):
    return f"reltol={num(cap.reltol)} {OPTIONS}"


def text(cap, finer=1):
    """The netlist. `finer` divides the longest solver step, for the convergence check."""
    step = reading_period(cap)
    lines = [
        f"* {cap.stem}: {cap.title}",
        "* Written by make/all.py from make/table.py. Nodes: p positive rail, 0 negative rail, e chassis.",
        f".options {options(cap)}",
        f".model drivesw SW(vt=0.5 vh=0.01 ron={num(SWITCH_ON_OHM)} roff={num(SWITCH_OFF_OHM)})",
        "* pack", *pack_lines(cap),
        "* leak", *leak_lines(cap),
        "* capacitance to the chassis", f"Cp p e {num(cap.cp_F)}", f"Cn e 0 {num(cap.cn_F)}",
    ]
    if cap.hum:
        v, hz, farad = cap.hum
        lines += ["* mains leg", f"Vhum hum 0 SIN(0 {num(v)} {num(hz)})", f"Chum hum e {num(farad)}"]
    if cap.permanent:
        lines.append("* permanent bleeds")
        for k, (rail, ohm) in enumerate(cap.permanent, 1):
            lines.append(f"Rbleed{k} {'p' if rail == 'positive' else '0'} e {num(ohm)}")
    lines += ["* measuring channels", *channel_lines(cap)]
    lines += ["* drive", *drive_lines(cap)]
    q = num(step / 4)
    lines += [
        "* stops the solver at every reading", f"Vtick tick 0 PULSE(0 1 0 {q} {q} {q} {num(step)})",
        ".control", "set wr_singlescale", "set numdgt=14", "set filetype=ascii",
    ]
    lines += [
        f"tran {num(step)} {num(cap.duration_s)} 0 {num(step / 4 / finer)}",
        *[f"let seen{k} = {v}" for k, v in enumerate(vectors(cap))],
        "wrdata out.txt seen0 seen1", "quit", ".endc", ".end",
    ]
    return "\n".join(lines) + "\n"


def run(deck_text, duration_s):
    """Solver points as three lists: time and the two seen voltages. Fails unless the run reached its end."""
    with tempfile.TemporaryDirectory() as folder:
        pathlib.Path(folder, "deck.cir").write_text(deck_text)
        done = subprocess.run(["ngspice", "-b", "-n", "deck.cir"], cwd=folder, capture_output=True, text=True)
        out = pathlib.Path(folder, "out.txt")
        if not out.exists():
            raise RuntimeError(f"ngspice wrote nothing:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
        t, a, b = [], [], []
        with out.open() as rows:
            for row in rows:
                w = row.split()
                t.append(float(w[0]))
                a.append(float(w[1]))
                b.append(float(w[2]))
    if t[-1] < duration_s * (1.0 - 1e-9):
        raise RuntimeError(f"ngspice stopped at {t[-1]} s of {duration_s} s:\n{done.stdout[-2000:]}")
    return t, a, b


def version():
    text = subprocess.run(["ngspice", "--version"], capture_output=True, text=True).stdout
    return re.search(r"ngspice-(\d+)", text).group(1)
