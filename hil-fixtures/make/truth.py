"""What a capture must yield: the leak from the netlist's own resistors, and how closely it can be told.

Symbols as in the design: leak conductances Gp (P to E) and Gn (N to E), G = Gp + Gn; in drive state k the
monitor hangs g_k on E and pushes in i_k. Settled: v_k (G + g_k) = Gp Vb_k + i_k.
"""
import math
import re
from dataclasses import dataclass

TAIL = 0.4  # share of a half-period, at its end, that a settled reading may average
USED_HALVES = 4  # a figure rests on at least the last four half-periods
SIGMAS = 3.0
FLOOR_PERCENT = 0.2
FLOOR_POSITION = 0.002
SOLVER = 1e-6  # relative error granted to the solver


@dataclass(frozen=True)
class Leak:
    gp: float
    gn: float

    @property
    def g(self):
        return self.gp + self.gn

    @property
    def isolation(self):
        return 1.0 / self.g

    @property
    def position(self):
        return self.gp / self.g


def leak_of(deck_text):
    """Leak at the end of the capture, from the deck's Rleak and Emid lines (a leak that steps in counts)."""
    tap = {"0": 0.0, "p": 1.0}
    for name, x in re.findall(r"^Emid\d+ (\w+) 0 p 0 (\S+)$", deck_text, re.M):
        tap[name] = float(x)
    gp = gn = 0.0
    for node, ohm in re.findall(r"^Rleak\d+ (\w+) \w+ (\S+)$", deck_text, re.M):
        x = tap[node]
        gp += x / float(ohm)
        gn += (1.0 - x) / float(ohm)
    return Leak(gp, gn)


def own_parts(cap):
    """Conductances that stay on E besides the drive: (to P, to N)."""
    to_p = sum(1.0 / r for rail, r in cap.permanent if rail == "positive")
    to_n = sum(1.0 / r for rail, r in cap.permanent if rail == "negative")
    to_n += 1.0 / cap.chassis.load_ohm
    if cap.rail_pair:
        to_p += 1.0 / cap.pack.load_ohm
    return to_p, to_n


def state(cap, which, vb):
    """(g_k, i_k) of a drive state: the rows of the design's table of drives."""
    d, (to_p, to_n) = cap.drive, own_parts(cap)
    g, i = to_p + to_n, to_p * vb
    sign = 1.0 if which == "raise" else -1.0
    kind = d["kind"]
    if kind == "source_to_negative":
        return g + 1.0 / d["series_resistance_ohm"], i + sign * d["amplitude_V"] / d["series_resistance_ohm"]
    if kind == "source_to_both_rails":
        rc = d["series_resistance_ohm"]
        return g + 2.0 / rc, i + (vb + 2.0 * sign * d["amplitude_V"]) / rc
    if kind == "switched_resistors":
        if which == "raise":
            return g + 1.0 / d["positive_resistance_ohm"], i + vb / d["positive_resistance_ohm"]
        return g + 1.0 / d["negative_resistance_ohm"], i
    level = d["high_V"] if which == "raise" else d["low_V"]
    return g + 1.0 / d["series_resistance_ohm"], i + level / d["series_resistance_ohm"]


def settled(cap, leak, which, vb):
    g, i = state(cap, which, vb)
    return (leak.gp * vb + i) / (leak.g + g)


def solve(cap, raised, lowered):
    """Leak from two settled readings (v, Vb): the 2x2 system in G and Gp."""
    rows = []
    for which, (v, vb) in (("raise", raised), ("lower", lowered)):
        g, i = state(cap, which, vb)
        rows.append((v, -vb, i - g * v))
    (a, b, c), (d, e, f) = rows
    det = a * e - b * d
    g, gp = (c * e - b * f) / det, (a * f - c * d) / det
    return Leak(gp, g - gp)


def time_constant(cap, leak):
    """The slower of the two drive states'."""
    c = cap.cp_F + cap.cn_F + (cap.hum[2] if cap.hum else 0.0)
    return max(c / (leak.g + state(cap, s, cap.steady_V)[0]) for s in ("raise", "lower"))


def pack_at(cap, t):
    pts = cap.pack_points
    if not pts:
        return cap.steady_V
    for (t0, v0), (t1, v1) in zip(pts, pts[1:]):
        if t <= t1:
            return v0 + (v1 - v0) * (t - t0) / (t1 - t0)
    return pts[-1][1]


def lag(cap, leak):
    """Error of a settled reading by a moving pack voltage, volts.

    v follows Vb through the capacitors with the share kap = Cp/C and settles to the share xe. Averaging
    C dv/dt = ... over a tail of length T leaves (kap - xe) tau (Vb(end) - Vb(start)) / T. Tails of
    different half-periods are independent, so SIGMAS times their rms, averaged over the tails used.
    """
    if not cap.pack_points:
        return 0.0
    tau, length = time_constant(cap, leak), TAIL * cap.half_period_s
    kap = cap.cp_F / (cap.cp_F + cap.cn_F)
    g, i = state(cap, "lower", 1.0)
    xe = (leak.gp + own_parts(cap)[0]) / (leak.g + g)
    ends = [cap.rest_s + (k + 1) * cap.half_period_s for k in range(cap.halves)]
    moves = [pack_at(cap, e) - pack_at(cap, e - length) for e in ends]
    rms = math.sqrt(sum(m * m for m in moves) / len(moves))
    return SIGMAS * abs(kap - xe) * tau * rms / length / math.sqrt(USED_HALVES / 2)


def reading_error(cap, channel, size_V):
    """Largest error of a settled level, volts: half a code (dithered when the noise covers it), rounding of
    volts in the file, the noise's mean over the tails used, the solver."""
    tail_rows = TAIL * cap.half_period_s * cap.rate_Hz * (1.0 - cap.missing)
    n = tail_rows * USED_HALVES / 2
    sigma = cap.noise_V / math.sqrt(cap.oversample)
    code = channel.step_V
    if cap.noise_V >= code / 2 and code:
        fine = SIGMAS * math.hypot(sigma, code / math.sqrt(12)) / math.sqrt(n)
    else:
        fine = code / 2 + SIGMAS * sigma / math.sqrt(n)
    if not code:
        fine += 0.5e-6
    if cap.ripple or cap.hum:
        fine += wave_error(cap)
    return fine + SOLVER * abs(size_V)


def wave_error(cap):
    """What is left of hum and ripple when a tail averages them: at most amplitude / (pi f T). The ripple is
    averaged by the oversampling first, of which as much again is granted for the alias."""
    length, left = TAIL * cap.half_period_s, 0.0
    if cap.hum:
        v, hz, farad = cap.hum
        left += v * farad / (cap.cp_F + cap.cn_F + farad) / (math.pi * hz * length)
    if cap.ripple:
        v, hz = cap.ripple
        left += 2.0 * v / (math.pi * hz * length)
    return left


def allowance(cap, leak):
    """(percent of R, position): worst-case linear propagation of the readings' errors through solve().

    For equal g_k this is dR/R = (1 + R g) * (dv_raise + dv_lower) / swing, the law of the error budget;
    all.py asserts that the two agree.
    """
    vb = cap.steady_V if not cap.pack_points else cap.pack_points[-1][1]
    at = [[settled(cap, leak, s, vb), vb] for s in ("raise", "lower")]
    drift = math.exp(-(1.0 - TAIL) * cap.half_period_s / time_constant(cap, leak))
    unsettled = abs(at[0][0] - at[1][0]) * drift
    base = solve(cap, *at)
    d_r = d_x = 0.0
    for s in (0, 1):
        for col, channel in ((0, cap.chassis), (1, cap.pack)):
            error = reading_error(cap, channel, at[s][col])
            if col == 0:
                error += lag(cap, leak) + unsettled
            if cap.rail_pair and col == 1:  # Vb is the sum of both channels
                error += reading_error(cap, cap.chassis, at[s][0])
            moved = [list(a) for a in at]
            moved[s][col] += error
            other = solve(cap, *moved)
            d_r += abs(other.isolation / base.isolation - 1.0)
            d_x += abs(other.position - base.position)
    return 100.0 * d_r, d_x


def law_percent(cap, leak, dv):
    """100 (1 + R g) * 2 dv / swing, for drives whose g is the same in both states."""
    vb = cap.steady_V
    g = state(cap, "raise", vb)[0]
    swing = settled(cap, leak, "raise", vb) - settled(cap, leak, "lower", vb)
    return 100.0 * (1.0 + leak.isolation * g) * 2.0 * dv / swing


def verdict(cap, leak):
    """Default limits: weakest rail against 100 and 500 ohm per volt of working voltage."""
    if cap.answer == "refused":
        return "undetermined"
    if cap.answer == "open":
        return "healthy"
    weakest = 1.0 / max(leak.gp, leak.gn)
    per_volt = weakest / cap.working_V
    return "alarm" if per_volt < 100 else "warning" if per_volt < 500 else "healthy"
