"""What a capture is made of. Plain data, no physics.

Nodes: p positive rail, 0 negative rail, e chassis. All volts, ohms, farads and seconds.
"""
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Channel:
    """One measuring channel: divider, converter, calibration (fields as in the network file)."""

    top_ohm: float
    bottom_ohm: float
    bits: int = 0  # 0: the capture is in volts, no converter
    full_scale_V: float = 0.0
    zero_code: int = 0
    calibration_gain: float = 1.0
    calibration_offset_V: float = 0.0

    @property
    def ratio(self):
        """Terminal volts for one volt at the converter's pin."""
        return (self.top_ohm + self.bottom_ohm) / self.bottom_ohm

    @property
    def load_ohm(self):
        return self.top_ohm + self.bottom_ohm

    @property
    def step_V(self):
        """One code, in volts at the terminals."""
        return self.full_scale_V / 2**self.bits * self.ratio if self.bits else 0.0

    @property
    def lowest_valid(self):
        """At or below this code the channel counts as saturated: two codes in are surely clear of the end."""
        return 2

    @property
    def highest_valid(self):
        return 2**self.bits - 3


@dataclass(frozen=True)
class ThirdParty:
    """A stretch of a third party's file that the pack voltage was made from."""

    file: str
    first_s: int
    last_s: int
    recipe: str


@dataclass(frozen=True)
class Capture:
    stem: str
    title: str
    working_V: float
    drive: dict  # as in the network's [drive] table
    leaks: tuple  # (position, ohm), several in parallel; position 0 is N, 1 is P
    cp_F: float
    cn_F: float
    chassis: Channel  # rail pair: the channel from E to N
    pack: Channel  # rail pair: the channel from P to E
    half_period_s: float
    halves: int
    rate_Hz: int
    answer: str = "figure"
    pack_points: tuple = ()  # (s, V) corners of a moving pack voltage; empty: steady at pack_V
    pack_V: float = 0.0  # 0: the working voltage
    cells: int = 0
    rail_pair: bool = False
    permanent: tuple = ()  # (rail, ohm)
    leak_step: tuple = ()  # (s, position, ohm): a leak that closes during the capture
    rest_s: float = 0.0
    jitter: float = 0.0  # largest shift of a sample, in sample periods
    missing: float = 0.0  # share of rows lost singly; bursts come on top
    bursts: tuple = ()  # (from s, to s) stretches without rows
    noise_V: float = 0.0  # standard deviation of one converter reading, at the terminals
    ripple: tuple = ()  # (V, Hz) on the pack
    hum: tuple = ()  # (V, Hz, F): a mains leg coupled to E through a capacitor
    oversample: int = 1  # readings averaged into one row
    seed: int = 0
    reltol: float = 1e-7  # of the solver
    plain: bool = False  # .csv instead of .csv.gz
    inputs: tuple = field(default_factory=tuple)  # ThirdParty

    @property
    def in_codes(self):
        return self.chassis.bits > 0

    @property
    def steady_V(self):
        return self.pack_V or self.working_V

    @property
    def duration_s(self):
        return self.rest_s + self.halves * self.half_period_s

    @property
    def file(self):
        return f"captures/{self.stem}.csv" + ("" if self.plain else ".gz")

    def state_at(self, t):
        """Drive state during the sample at time t."""
        if t < self.rest_s:
            return "rest"
        return ("raise", "lower")[int((t - self.rest_s) / self.half_period_s) % 2]

    def edges(self):
        """(time, state) at each change, the start included."""
        out = [(0.0, "rest")] if self.rest_s else []
        for k in range(self.halves):
            out.append((self.rest_s + k * self.half_period_s, ("raise", "lower")[k % 2]))
        return out
