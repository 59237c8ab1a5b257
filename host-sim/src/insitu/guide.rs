//! The procedure step by step, asking for one reading after the other.

use std::io::{self, BufRead, Write};

use super::sheet::{Inserted, Meter, Readings, Sheet, Side, Wiring};
use crate::error::HostError;

const BEFORE: &str = "\
In-situ isolation check with a voltmeter and a known resistor Ro
(UN R100, REESS annex, 1.2; 49 CFR 571.305 S7.6, from memory, not verified).

THIS IS WORK ON LIVE PARTS. The voltage of a pack can kill, also when it looks dead.
  - Only people licensed for work on live high-voltage systems, never alone, and by the local electrical code.
  - Meter, leads and probes rated for the pack voltage and its category, fused, checked on a known source.
  - Rated gloves, face shield, insulating mat; no jewellery; one hand where it can be done.
  - Ro rated for the full pack voltage and its power, enclosed, on fused and insulated leads.
  - Stop the isolation monitor while you read: it moves the voltages that you measure.
End at any time with Ctrl-C; nothing is written then.
";

const LIVE: &str = "\nCAUTION: live parts. Touch nothing but the insulated probes; keep clear of both rails and the chassis.\n";

const INSERT: &str = "\
\nCAUTION: Ro carries the pack voltage. Place it with the pack disconnected where that can be done;
from then on its leads, its body and the chassis are live. A person is no part of this circuit: do not hold it.\n";

/// Asks on `out`, takes answers from `input`.
struct Dialogue<R, W> {
    input: R,
    out: W,
}

impl<R: BufRead, W: Write> Dialogue<R, W> {
    fn say(&mut self, text: &str) -> Result<(), HostError> {
        write!(self.out, "{text}")
            .and_then(|()| self.out.flush())
            .map_err(|error| HostError::system("terminal", "cannot write", &error))
    }

    fn line(&mut self) -> Result<String, HostError> {
        let mut line = String::new();
        let read = self
            .input
            .read_line(&mut line)
            .map_err(|error: io::Error| HostError::system("terminal", "cannot read", &error))?;
        if read == 0 {
            return Err(HostError::input("the answers ended before the procedure was over")
                .mend("answer every question, or write the readings into a sheet: `ohmsplit in-situ --help`"));
        }
        Ok(line.trim().to_owned())
    }

    /// Asks until the answer is a number in the range.
    fn number(
        &mut self,
        question: &str,
        unit: &str,
        low: f64,
        high: f64,
    ) -> Result<f64, HostError> {
        loop {
            self.say(&format!("{question}, in {unit}: "))?;
            let answer = self.line()?;
            match answer.parse::<f64>() {
                Ok(value) if (low..=high).contains(&value) => return Ok(value),
                _ => self.say(&format!(
                    "  \"{answer}\" is not a number from {low} to {high}; write it with a point and without a unit\n"
                ))?,
            }
        }
    }

    fn meter(&mut self) -> Result<(Wiring, Meter), HostError> {
        self.say("\nInstruments\n")?;
        let meters = self.number(
            "Voltmeters: 1 that you move, or 2 equal ones at both rails all the time",
            "meters (1 or 2)",
            1.0,
            2.0,
        )?;
        let wiring = if meters < 1.5 {
            Wiring::OneMeterMoved
        } else {
            Wiring::TwoMeters
        };
        let meter = Meter {
            resistance_ohm: self.number("Input resistance of the meter", "ohm", 1e5, 1e12)?,
            resistance_tolerance_percent: 5.0,
            accuracy_percent: self.number(
                "Accuracy on DC, part of the reading",
                "percent",
                0.0,
                20.0,
            )?,
            accuracy_digits: self.number(
                "Accuracy on DC, digits of the last place",
                "digits",
                0.0,
                1000.0,
            )?,
            resolution_v: self.number(
                "One digit of the last place on this range",
                "V",
                1e-6,
                10.0,
            )?,
        };
        Ok((wiring, meter))
    }
}

/// Leads through the procedure.
///
/// # Errors
/// When input ends, or the readings contradict each other so that no circuit
/// could yield them.
pub fn guide(input: impl BufRead, out: impl Write) -> Result<Sheet, HostError> {
    let mut ask = Dialogue { input, out };
    ask.say(BEFORE)?;
    let (wiring, meter) = ask.meter()?;
    let working = ask.number("Working voltage of the pack", "V", 1.0, 2000.0)?;

    ask.say(&format!(
        "{LIVE}Step 1: Vb, positive rail to negative rail. Wait until the reading stands still.\n"
    ))?;
    let pack_v = ask.number("Vb", "V", 1.0, 2000.0)?;
    ask.say(&format!("{LIVE}Step 2: V1, negative rail to chassis.\n"))?;
    let negative_v = ask.number("V1, without its sign", "V", 0.0, 2000.0)?;
    ask.say(&format!("{LIVE}Step 3: V2, positive rail to chassis.\n"))?;
    let positive_v = ask.number("V2, without its sign", "V", 0.0, 2000.0)?;

    let side = if negative_v >= positive_v {
        Side::Negative
    } else {
        Side::Positive
    };
    let rail = side.word();
    ask.say(&format!(
        "{INSERT}Step 4: Ro from the {rail} rail to the chassis: that side reads more.\n\
         Suitable: {:.0} to {:.0} ohm (100 to 500 ohm/V).\n",
        100.0 * working,
        500.0 * working
    ))?;
    let inserted = Inserted {
        resistance_ohm: ask.number(
            "Ro as measured or marked",
            "ohm",
            100.0,
            meter.resistance_ohm / 4.0,
        )?,
        tolerance_percent: ask.number("Its tolerance", "percent", 0.0, 20.0)?,
        side,
    };
    ask.say(&format!("{LIVE}Step 5: the {rail} rail to the chassis once more, with Ro in place. Wait until it stands still.\n"))?;
    let with_inserted_v = ask.number("The reading with Ro", "V", 0.0, 2000.0)?;
    ask.say(&format!("{LIVE}Step 6: Vb once more.\n"))?;
    let again = ask.number("Vb with Ro in place", "V", 1.0, 2000.0)?;
    ask.say("\nTake Ro off as it was put on, and see that it is off before the pack is used.\n\n")?;

    let readings = Readings {
        pack_v,
        negative_v,
        positive_v,
        with_inserted_v,
        pack_with_inserted_v: Some(again),
    };
    Sheet::new(wiring, working, meter, inserted, readings).map_err(|fault| {
        HostError::input(format!("{}: {}", fault.path, fault.problem))
            .expected(fault.expected)
            .mend(fault.mend)
    })
}
