//! Ri, the other rail and both in parallel, with uncertainty.
//!
//! Symbols: V and V' are the readings of the rail that has Ro, without and
//! with Ro; Vb and Vb' the pack voltages that belong to them; r the meter.
//! The conductance from the *opposite* rail to the chassis, the meter that may
//! sit there included, is A, and
//!
//! ```text
//! 1/A = Ro (Vb'/V' - Vb/V)            UN R100 Rev.2, REESS annex, 1.2.3.4
//! ```
//!
//! One meter that is moved stands, for both readings, at the rail that has Ro
//! and cancels: Ri = 1/A. Of two meters one stays at the opposite rail:
//! Ri = 1/(A - 1/r) (the form of GB 18384-2020, 6.2.1, from memory, not
//! verified; the algebra is exact). All conductance at the chassis is A Vb/V,
//! which gives the other rail.
//!
//! Uncertainty: each stated accuracy or tolerance is the half-width of a
//! rectangular distribution (JCGM 100:2008, 4.3.7), readings err
//! independently, and their shares add in squares (5.1.2) in y = Ri || Ro:
//! that, not Ri, follows the readings almost linearly, from a hard short to no
//! leak at all. The 95 % interval is y ± 1.96 u(y), as resistance.

use super::sheet::{Sheet, Side, Wiring};

/// Half-widths of a 95 % interval in standard uncertainties.
const COVERAGE: f64 = 1.96;

/// A resistance and how sure it is, in ohms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounded {
    /// The figure; none when no leak is resolved.
    pub ohm: Option<f64>,
    /// Its standard uncertainty.
    pub u_ohm: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low_ohm: f64,
    /// Upper end; none when there is none.
    pub high_ohm: Option<f64>,
}

/// What the readings tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// The rail that Ri belongs to: the one opposite to Ro.
    pub weak: Side,
    /// Ri, the weaker rail.
    pub weakest: Bounded,
    /// The rail that has Ro.
    pub stronger: Bounded,
    /// Both rails in parallel: RF of IEC 61557-8.
    pub parallel: Bounded,
}

/// What is to be said about the readings besides.
#[derive(Debug, Clone, PartialEq)]
pub struct Findings {
    /// The figures.
    pub answer: Answer,
    /// Ri as 49 CFR 571.305 words it, where the readings tell it from [`Answer::weakest`].
    pub us_form_ohm: Option<f64>,
    /// Warnings, one sentence each.
    pub warnings: Vec<String>,
}

/// The quantities that err.
#[derive(Debug, Clone, Copy)]
struct Inputs {
    pack: f64,
    pack_with: f64,
    v: f64,
    v_with: f64,
    ro: f64,
    meter: f64,
}

/// Which conductance is asked for.
#[derive(Debug, Clone, Copy)]
enum Ask {
    Opposite,
    Same,
    Both,
}

impl Inputs {
    /// Vb' - Vb V'/V: with Ro and V' the ratio Vb'/V' - Vb/V without its poles.
    fn swing(&self) -> f64 {
        self.pack_with - self.pack * self.v_with / self.v
    }

    /// The asked resistance in parallel with `ro`, in ohms.
    fn in_parallel_with(&self, ro: f64, ask: Ask, wiring: Wiring) -> f64 {
        let g = 1.0 / self.meter;
        let opposite = match wiring {
            Wiring::OneMeterMoved => 0.0,
            Wiring::TwoMeters => g,
        };
        let (times_a, meters) = match ask {
            Ask::Opposite => (1.0, opposite),
            Ask::Same => (self.pack / self.v - 1.0, g),
            Ask::Both => (self.pack / self.v, opposite + g),
        };
        let n = self.ro * self.swing();
        n / (self.v_with * times_a + n * (1.0 / ro - meters))
    }

    /// The reading of the opposite rail that belongs to the others, in volts.
    fn opposite_reading(&self, wiring: Wiring) -> f64 {
        let moved = match wiring {
            Wiring::OneMeterMoved => self.v * self.ro * self.swing() / (self.v_with * self.meter),
            Wiring::TwoMeters => 0.0,
        };
        self.pack - self.v - moved
    }
}

/// Each input moved by its half-width: what comes of a function, a share an input.
fn shares(sheet: &Sheet, inputs: &Inputs, of: impl Fn(&Inputs) -> f64) -> Vec<f64> {
    // Small against the half-width: the slope, not the chord.
    const STEP: f64 = 1e-3;
    let meter = &sheet.meter;
    let again = sheet.readings.pack_with_inserted_v.is_some();
    type Move = fn(&mut Inputs, f64);
    let both: Move = |x, by| {
        x.pack += by;
        x.pack_with += by;
    };
    let first: Move = |x, by| x.pack += by;
    let second: Move = |x, by| x.pack_with += by;
    let off = |reading| meter.half_width(reading);
    let mut moves: Vec<(Move, f64)> = vec![
        (|x, by| x.v += by, off(inputs.v)),
        (|x, by| x.v_with += by, off(inputs.v_with)),
        (
            |x, by| x.ro += by,
            inputs.ro * sheet.inserted.tolerance_percent / 100.0,
        ),
        (
            |x, by| x.meter += by,
            inputs.meter * meter.resistance_tolerance_percent / 100.0,
        ),
    ];
    if again {
        moves.push((first, off(inputs.pack)));
        moves.push((second, off(inputs.pack_with)));
    } else {
        moves.push((both, off(inputs.pack)));
    }
    moves
        .into_iter()
        .map(|(by, half_width)| {
            let at = |step: f64| {
                let mut moved = *inputs;
                by(&mut moved, step * half_width);
                of(&moved)
            };
            (at(STEP) - at(-STEP)) / (2.0 * STEP)
        })
        .collect()
}

/// Standard uncertainty of a sum of rectangular shares.
fn standard(shares: &[f64]) -> f64 {
    (shares.iter().map(|share| share * share).sum::<f64>() / 3.0).sqrt()
}

/// R from y = R || Ro: 0 at and below 0, none at and above Ro.
fn without(ro: f64, y: f64) -> Option<f64> {
    if y <= 0.0 {
        return Some(0.0);
    }
    let g = 1.0 / y - 1.0 / ro;
    (g > 0.0).then(|| 1.0 / g)
}

/// Where y = R || Ro lies, as (y, u).
pub(super) fn in_y(ro: f64, of: &Bounded) -> (f64, f64) {
    let y = |ohm: Option<f64>| ohm.map_or(ro, |ohm| ohm * ro / (ohm + ro));
    let (low, high) = (y(Some(of.low_ohm)), y(of.high_ohm));
    let value = of.ohm.map_or(f64::midpoint(low, high), |ohm| y(Some(ohm)));
    (value, (high - low) / (2.0 * COVERAGE))
}

fn bounded(sheet: &Sheet, inputs: &Inputs, ask: Ask) -> Bounded {
    let ro = sheet.inserted.resistance_ohm;
    let y = |x: &Inputs| x.in_parallel_with(ro, ask, sheet.wiring);
    let (value, u) = (y(inputs), standard(&shares(sheet, inputs, y)));
    let ohm = without(ro, value);
    let low = (value - COVERAGE * u).max(0.0);
    Bounded {
        ohm,
        u_ohm: ohm.map(|ohm| u * (1.0 + ohm / ro).powi(2)),
        low_ohm: without(ro, low).unwrap_or(f64::INFINITY),
        high_ohm: without(ro, value + COVERAGE * u),
    }
}

/// Computes the figures of a sheet.
#[must_use]
pub fn compute(sheet: &Sheet) -> Findings {
    let readings = &sheet.readings;
    let side = sheet.inserted.side;
    let v = readings.at(side);
    let inputs = Inputs {
        pack: readings.pack_v,
        pack_with: readings.pack_with_inserted_v.unwrap_or(readings.pack_v),
        v,
        v_with: readings.with_inserted_v,
        ro: sheet.inserted.resistance_ohm,
        meter: sheet.meter.resistance_ohm,
    };
    let answer = if v > 2.0 * sheet.meter.half_width(v) {
        Answer {
            weak: side.other(),
            weakest: bounded(sheet, &inputs, Ask::Opposite),
            stronger: bounded(sheet, &inputs, Ask::Same),
            parallel: bounded(sheet, &inputs, Ask::Both),
        }
    } else {
        nothing_read(sheet, v)
    };
    let mut warnings = conditions(sheet);
    warnings.extend(contradictions(sheet, &inputs));
    Findings {
        answer,
        us_form_ohm: us_form(sheet, &answer, &inputs),
        warnings,
    }
}

/// Ri = Ro (1 + V2/V1)(V1 - V1')/V1', 49 CFR 571.305 S7.6.6 (from memory, not
/// verified), mirrored in S7.6.7. With V1 + V2 = Vb it is the UN form; one meter
/// that is moved makes the sum fall short, and this form low by (V1 + V2)/Vb.
fn us_form(sheet: &Sheet, answer: &Answer, inputs: &Inputs) -> Option<f64> {
    let other = sheet.readings.at(sheet.inserted.side.other());
    let off: f64 = [inputs.pack, inputs.v, other]
        .map(|reading| sheet.meter.half_width(reading))
        .iter()
        .sum();
    let differs = sheet.wiring == Wiring::OneMeterMoved && inputs.pack - inputs.v - other > off;
    let rise = (inputs.v - inputs.v_with) / inputs.v_with;
    let ohm = inputs.ro * (1.0 + other / inputs.v) * rise;
    // Without a figure there is nothing to set it beside; a pack that moved may hide what the meter does.
    let low = answer.weakest.ohm.is_some_and(|ri| ohm < ri);
    (differs && low && ohm > 0.0).then_some(ohm)
}

/// No voltage between either rail and the chassis. One meter that is moved:
/// each rail is at least r (Vb - V1 - V2)/V (the textbook test without a
/// resistor, exact algebra). Two meters share the pack voltage between them
/// whatever leaks, so that readings lost in the error bound nothing.
fn nothing_read(sheet: &Sheet, v: f64) -> Answer {
    let (meter, pack) = (&sheet.meter, sheet.readings.pack_v);
    let most = v + meter.half_width(v);
    let least = meter.resistance_ohm * (1.0 - meter.resistance_tolerance_percent / 100.0);
    let rail = match sheet.wiring {
        Wiring::OneMeterMoved => {
            least * (pack - meter.half_width(pack) - 2.0 * most).max(0.0) / most
        }
        Wiring::TwoMeters => 0.0,
    };
    let above = |low_ohm| Bounded {
        ohm: None,
        u_ohm: None,
        low_ohm,
        high_ohm: None,
    };
    Answer {
        weak: sheet.inserted.side.other(),
        weakest: above(rail),
        stronger: above(rail),
        parallel: above(rail / 2.0),
    }
}

/// Conditions of the procedure that are not met.
fn conditions(sheet: &Sheet) -> Vec<String> {
    let (meter, readings) = (&sheet.meter, &sheet.readings);
    let mut warnings = Vec::new();
    if meter.resistance_ohm < 10e6 {
        warnings.push("the meter has less than the 10 Mohm that the procedure asks for".to_owned());
    }
    if readings.pack_v < sheet.working_voltage_v - meter.half_width(readings.pack_v) {
        warnings.push(format!(
            "the pack voltage, {} V, is below the working voltage, {} V: the procedure asks for at least that",
            readings.pack_v, sheet.working_voltage_v
        ));
    }
    if let Some(with) = readings.pack_with_inserted_v {
        let moved = with - readings.pack_v;
        if moved.abs() > meter.half_width(with) + meter.half_width(readings.pack_v) {
            warnings.push(format!(
                "the pack voltage moved by {moved:.3} V between the readings; it is taken into account, but only readings at rest are sure"
            ));
        }
    }
    let per_volt = sheet.inserted.resistance_ohm / sheet.working_voltage_v;
    if !(80.0..=600.0).contains(&per_volt) {
        warnings.push(format!(
            "Ro is {per_volt:.0} ohm/V; 100 to 500 ohm/V, each within 20 %, resolves the limits well"
        ));
    }
    warnings
}

/// The reading that the formula does not use, held against the others.
fn contradictions(sheet: &Sheet, inputs: &Inputs) -> Option<String> {
    let read = sheet.readings.at(sheet.inserted.side.other());
    let expected = |x: &Inputs| x.opposite_reading(sheet.wiring);
    let wanted = expected(inputs);
    let allowed: f64 = shares(sheet, inputs, expected)
        .iter()
        .map(|share| share.abs())
        .sum();
    let allowed = allowed + sheet.meter.half_width(read);
    // Not finite: without a voltage, or with all of it gone, nothing can be held against it.
    if !wanted.is_finite() || (read - wanted).abs() <= allowed {
        return None;
    }
    Some(format!(
        "the readings contradict each other: from the others the {} rail should read {wanted:.3} V within {allowed:.3} V, and it reads {read} V; \
         check the wiring, the meter's resistance, that nothing else sits on the chassis and that readings stood still",
        sheet.inserted.side.other().word()
    ))
}
