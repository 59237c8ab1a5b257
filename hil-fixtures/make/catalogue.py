"""Keeps the table of captures in README.md equal to make/table.py."""
import truth

BEGIN, END = "<!-- table: written by make/all.py -->\n", "<!-- end of table -->\n"
HEAD = "| capture | drive | pack V | leak, x | C, tau / half-period | converter | rows | expected |\n|---|---|---|---|---|---|---|---|\n"


def si(value, unit):
    for factor, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n")):
        if value >= factor * 0.9999:
            return f"{value / factor:.4g} {prefix}{unit}"
    return f"{value:g} {unit}"


def drive(cap):
    d = cap.drive
    match d["kind"]:
        case "switched_resistors":
            return f"{si(d['positive_resistance_ohm'], 'ohm')} to P / {si(d['negative_resistance_ohm'], 'ohm')} to N"
        case "logic_source":
            return f"{d['low_V']:g} / {d['high_V']:g} V, {si(d['series_resistance_ohm'], 'ohm')} to N"
        case kind:
            rails = "N" if kind == "source_to_negative" else "P and N"
            return f"+-{d['amplitude_V']:g} V, {si(d['series_resistance_ohm'], 'ohm')} to {rails}"


def pack(cap):
    if not cap.pack_points:
        return f"{cap.steady_V:g}"
    volts = [v for _, v in cap.pack_points]
    return f"{min(volts):.0f}..{max(volts):.0f}"


def converter(cap):
    if not cap.in_codes:
        return "volts"
    return f"{cap.chassis.bits} bit" + (", rail pair" if cap.rail_pair else "")


def rows(cap):
    notes = [f"{cap.rate_Hz} Hz, {cap.duration_s:g} s"]
    if cap.jitter:
        notes.append("jitter, gaps")
    if cap.noise_V:
        notes.append("noise, ripple, hum")
    return ", ".join(notes)


def line(cap, leak, expect):
    if leak.g == 0:
        what = "none"
    else:
        what = f"{si(leak.isolation, 'ohm')}, {leak.position:.3g}"
    if cap.leak_step:
        what = f"{si(cap.leaks[0][1], 'ohm')}, then {what}"
    c = cap.cp_F + cap.cn_F + (cap.hum[2] if cap.hum else 0.0)
    share = truth.time_constant(cap, leak) / cap.half_period_s
    answer = expect["answer"]
    if answer == "figure":
        answer = f"{expect['within_percent']:g} %"
    cells = (f"`{cap.stem}`", drive(cap), pack(cap), what, f"{si(c, 'F')}, {share:.2g}", converter(cap), rows(cap),
             f"{answer}, {expect['verdict']}")
    return "| " + " | ".join(cells) + " |\n"


def update(readme, lines):
    text = readme.read_text()
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    readme.write_text(before + BEGIN + HEAD + "".join(lines) + END + after)
