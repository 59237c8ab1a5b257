"""From solver points to the rows of a capture: sampling, jitter, lost rows, converter noise, averaging, quantisation.

Noise is drawn here and not by the solver: ngspice 39 ignores a seed for its noise sources, two runs differ.
"""
import gzip
import io
import random


class Points:
    """The solver's points, looked up by a time that only grows."""

    def __init__(self, t, a, b):
        self.t, self.series, self.at = t, (a, b), 0

    def near(self, t):
        """Both voltages at t, interpolated between neighbours; at a solver's stop that is the point itself."""
        last = len(self.t) - 2
        while self.at < last and self.t[self.at + 1] < t:
            self.at += 1
        i = self.at
        f = (t - self.t[i]) / (self.t[i + 1] - self.t[i])
        if not 0.0 <= f <= 1.0:
            raise ValueError(f"no solver points around {t} s")
        return [s[i] + (s[i + 1] - s[i]) * f for s in self.series]


def row_times(cap, rng):
    """Instants of the rows: centres of the sample periods, so a drive change falls halfway between two rows."""
    period = 1.0 / cap.rate_Hz
    for k in range(round(cap.duration_s * cap.rate_Hz)):
        centre = (k + 0.5) * period
        # drawn for each row, kept or not, so that one setting does not move the others
        shift, lost = rng.uniform(-cap.jitter, cap.jitter) * period, rng.random() < cap.missing
        if not lost and not any(a <= centre < b for a, b in cap.bursts):
            yield round(centre + shift, 6)


def averaged(cap, points, t, rng):
    """One row: the mean of the oversampled readings, spread evenly over the sample period, each with its noise."""
    step = 1.0 / cap.rate_Hz / cap.oversample
    first = t - 0.5 * step * (cap.oversample - 1)
    seen = [points.near(first + j * step) for j in range(cap.oversample)]
    out = [sum(s[k] for s in seen) / cap.oversample for k in (0, 1)]
    if cap.noise_V:
        for k, channel in enumerate((cap.chassis, cap.pack)):
            noise = sum(rng.gauss(0.0, cap.noise_V) for _ in seen) / cap.oversample
            out[k] += noise / (channel.ratio if cap.in_codes else 1.0)
    return out


def code(channel, pin_V):
    """The converter: calibration undone, rounded to the nearest code. No capture is meant to saturate one."""
    terminal = (pin_V * channel.ratio - channel.calibration_offset_V) / channel.calibration_gain
    steps = terminal / channel.ratio * 2**channel.bits / channel.full_scale_V
    got = round(steps) + channel.zero_code
    if not channel.lowest_valid < got < channel.highest_valid:
        raise ValueError(f"code {got} saturates the {channel.bits}-bit converter: {terminal:.1f} V")
    return got


def columns(cap):
    """Column names for (chassis or negative, pack or positive)."""
    names = ("negative", "positive") if cap.rail_pair else ("chassis", "pack")
    return [f"{n}_{'code' if cap.in_codes else 'V'}" for n in names]


def csv_text(cap, solved):
    rng = random.Random(cap.seed)
    points = Points(*solved)
    out = io.StringIO()
    out.write(f"# {cap.title}\n# ngspice simulation of decks/{cap.stem}.cir, see provenance/{cap.stem}.toml\n")
    out.write(f"time_s,drive,{','.join(columns(cap))}\n")
    for t in row_times(cap, rng):
        c, p = averaged(cap, points, t, rng)
        if cap.in_codes:
            cells = f"{code(cap.chassis, c)},{code(cap.pack, p)}"
        else:
            cells = f"{c:.6f},{p:.6f}"
        out.write(f"{t:.6f},{cap.state_at(t)},{cells}\n")
    return out.getvalue()


def write(path, text):
    """Plain or gzip by the name's end; no time stamp and no name inside, so equal text gives equal bytes."""
    data = text.encode()
    if path.suffix == ".gz":
        buffer = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, compresslevel=9, mtime=0) as z:
            z.write(data)
        data = buffer.getvalue()
    path.write_bytes(data)
    return data
