//! Published formulas, each with where it is published.

/// Isolation by the in-situ procedure of UN R100 Rev.2 (REESS annex,
/// 1.2.3.4): `Ri = Ro·Vb·(1/V1' - 1/V1)`, with Ro on the side of V1, the
/// higher of the two voltages.
#[must_use]
pub fn in_situ_un(ro: f64, vb: f64, v1: f64, v1_with_ro: f64) -> f64 {
    ro * vb * (1.0 / v1_with_ro - 1.0 / v1)
}

/// The form of 49 CFR 571.305 S7.6 (from memory, not verified):
/// `Ri = Ro·(1 + V2/V1)·((V1 - V1')/V1')`.
#[must_use]
pub fn in_situ_us(ro: f64, v1: f64, v2: f64, v1_with_ro: f64) -> f64 {
    ro * (1.0 + v2 / v1) * ((v1 - v1_with_ro) / v1_with_ro)
}

/// With two voltmeters of resistance `r` on both rails at once, the in-situ
/// figure is the rail in parallel with r (GB 18384-2020, 6.2.1; from memory,
/// not verified; the algebra is exact).
#[must_use]
pub fn without_meter(ri: f64, r: f64) -> f64 {
    1.0 / (1.0 / ri - 1.0 / r)
}

/// Two readings, one at a time through the same meter resistance, no inserted
/// resistor (textbook insulation test with power on): (R+, R-).
#[must_use]
pub fn two_readings(rm: f64, vb: f64, v_positive: f64, v_negative: f64) -> (f64, f64) {
    let rest = vb - v_positive - v_negative;
    (rm * rest / v_negative, rm * rest / v_positive)
}

/// Alternate grounding through equal resistors, reading currents
/// (JPH0384475A, 1991): `R(+) = E/I2 - (1 + I1/I2)·R` and its mirror.
#[must_use]
pub fn alternate_grounding(e: f64, r: f64, i1: f64, i2: f64) -> (f64, f64) {
    (e / i2 - (1.0 + i1 / i2) * r, e / i1 - (1.0 + i2 / i1) * r)
}

/// Window of the test resistor in the monitor test of FMVSS 305 S8 (from
/// memory, not verified): the total lands between 95 and 100 Ω/V.
#[must_use]
pub fn monitor_test_window(working_voltage: f64, ri: f64) -> (f64, f64) {
    let parallel_to = |ohm_per_volt: f64| 1.0 / (1.0 / (ohm_per_volt * working_voltage) - 1.0 / ri);
    (parallel_to(95.0), parallel_to(100.0))
}

/// Settled value and time constant from three equally spaced values of one
/// exponential (Aitken's Δ²; three-sample prediction is the idea of Du, Zheng,
/// Yan et al., Appl. Sci. 9(13) 2607, 2019).
#[must_use]
pub fn three_points(y: [f64; 3], spacing: f64) -> (f64, f64) {
    let [y0, y1, y2] = y;
    let end = (y0 * y2 - y1 * y1) / (y0 + y2 - 2.0 * y1);
    (end, spacing / ((y1 - y0) / (y2 - y1)).ln())
}

/// Time constants until a share `left` of a step is left.
#[must_use]
pub fn time_constants_until(left: f64) -> f64 {
    -left.ln()
}

/// Energy in a capacitor, E = C·V²/2.
#[must_use]
pub fn energy(farad: f64, volt: f64) -> f64 {
    0.5 * farad * volt * volt
}
