//! The chassis node, advanced by the exact solution of its equation.
//!
//! ```text
//! C dv/dt = P Vb + Cp dVb/dt + i - G v
//! ```
//!
//! with G all conductance on the chassis, P the part of it that leads to the
//! positive rail (leak and monitor together), C = Cp + Cn, and i what the
//! monitor's sources push at v = 0 and Vb = 0. With the state u = v - κ Vb,
//! κ = Cp/C, no derivative of Vb remains:
//!
//! ```text
//! C du/dt = i + (P - κ G) Vb - G u
//! ```
//!
//! For Vb linear over a stretch this has a closed solution (variation of
//! constants), so a stretch of any length is advanced without step-size error,
//! and a jump of Vb leaves u alone while v jumps by κ ΔVb.
//!
//! Units are SI throughout the plant: volts, amperes, siemens, farads, seconds.

/// A complex number for sinusoids, real and imaginary part.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Phasor {
    pub(super) re: f64,
    pub(super) im: f64,
}

impl Phasor {
    /// The unit phasor at a phase counted in turns.
    pub(super) fn at_turns(turns: f64) -> Self {
        let (im, re) = (turns.fract() * std::f64::consts::TAU).sin_cos();
        Self { re, im }
    }

    pub(super) fn times(self, other: Self) -> Self {
        Self {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }

    fn over(self, other: Self) -> Self {
        let size = other.re * other.re + other.im * other.im;
        let product = self.times(Self {
            re: other.re,
            im: -other.im,
        });
        Self {
            re: product.re / size,
            im: product.im / size,
        }
    }
}

/// Everything that acts on the chassis while nothing changes but Vb.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Node {
    /// G: all conductance, siemens.
    pub(super) conductance: f64,
    /// P: the part that leads to the positive rail, siemens.
    pub(super) to_positive: f64,
    /// i: source current at v = 0 and Vb = 0, amperes.
    pub(super) current: f64,
    /// C = Cp + Cn, farads.
    pub(super) capacitance: f64,
    /// κ = Cp/C, the capacitive divider; 0 without capacitance.
    pub(super) coupling: f64,
}

impl Node {
    /// The state u at which the chassis stays for a steady Vb. A chassis that
    /// nothing conducts to keeps the charge it started with: none.
    pub(super) fn resting(&self, pack: f64) -> f64 {
        if self.conductance > 0.0 {
            (self.current + self.to_positive * pack) / self.conductance - self.coupling * pack
        } else {
            0.0
        }
    }

    /// Steady response of v to a sinusoid of Vb, (P + jωCp)/(G + jωC).
    pub(super) fn response(&self, hertz: f64) -> Phasor {
        let omega = std::f64::consts::TAU * hertz;
        let through = Phasor {
            re: self.to_positive,
            im: omega * self.coupling * self.capacitance,
        };
        let held = Phasor {
            re: self.conductance,
            im: omega * self.capacitance,
        };
        if held == Phasor::default() {
            return held;
        }
        through.over(held)
    }

    /// The exact step over `seconds`.
    pub(super) fn over(&self, seconds: f64) -> Stretch {
        let pull = self.to_positive - self.coupling * self.conductance;
        // u₁ = decay·u₀ + level·f(0) + slope·(f(T) - f(0)) with the forcing
        // f = i + pull·Vb; level = (T/C) φ₁(z), slope = (T/C) φ₂(z), z = G T/C.
        let (decay, level, slope) = if self.capacitance > 0.0 {
            let z = self.conductance * seconds / self.capacitance;
            let scale = seconds / self.capacitance;
            ((-z).exp(), scale * phi1(z), scale * phi2(z))
        } else {
            let resistance = self.conductance.recip();
            (0.0, resistance, resistance)
        };
        Stretch {
            decay,
            source: level * self.current,
            level: level * pull,
            slope: slope * pull,
        }
    }
}

/// φ₁(z) = (1 - e⁻ᶻ)/z, 1 at z = 0.
fn phi1(z: f64) -> f64 {
    if z == 0.0 { 1.0 } else { -(-z).exp_m1() / z }
}

/// φ₂(z) = (z - 1 + e⁻ᶻ)/z², 1/2 at z = 0.
fn phi2(z: f64) -> f64 {
    if z > 1.0 {
        return (1.0 - phi1(z)) / z;
    }
    // The difference cancels for small z: Taylor's series instead,
    // Σ (-z)ᵏ/(k+2)!; the 18th term is below 10⁻¹⁸ for z ≤ 1.
    let mut term = 0.5;
    let mut sum = 0.0;
    for k in 0..18 {
        sum += term;
        term *= -z / f64::from(k + 3);
    }
    sum
}

/// One stretch of fixed length in one state of the circuit, ready to apply.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Stretch {
    decay: f64,
    source: f64,
    level: f64,
    slope: f64,
}

impl Stretch {
    /// The state u at the end, from the state at the start and Vb at both ends.
    pub(super) fn advance(&self, u: f64, pack_start: f64, pack_end: f64) -> f64 {
        self.decay * u
            + self.source
            + self.level * pack_start
            + self.slope * (pack_end - pack_start)
    }
}
