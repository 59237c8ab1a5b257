//! The procedure step by step, asking for one reading after the other.

use std::io::{self, BufRead, Write};

use toml::{Table, Value};

use super::ohms::ohms;
use super::sheet::{FORMAT, Inserted, Meter, Readings, Sheet, Side, Wiring, check_rails};
use crate::document::FieldFault;
use crate::error::HostError;
use crate::output::si;

const BEFORE: &str = "\
In-situ isolation check with a voltmeter and a known resistor Ro
(UN R100, REESS annex, 1.2; 49 CFR 571.305 S7.6, from memory, not verified).

THIS IS WORK ON LIVE PARTS. The voltage of a pack can kill, also when it looks dead.
  - Only people licensed for work on live high-voltage systems, never alone, and by the local electrical code.
  - Meter, leads and probes rated for the pack voltage and its category, fused, checked on a known source.
  - Rated gloves, face shield, insulating mat; no jewellery; one hand where it can be done.
  - Ro rated for the full pack voltage and its power, enclosed, on fused and insulated leads.
  - Stop the isolation monitor while you read: it moves the voltages that you measure.
End at any time with Ctrl-D, and with --save what was entered is kept. Ctrl-C ends it and writes nothing.
";

const LIVE: &str = "\nCAUTION: live parts. Touch nothing but the insulated probes; keep clear of both rails and the chassis.\n";

const INSERT: &str = "\
\nCAUTION: Ro carries the pack voltage. Place it with the pack disconnected where that can be done;
from then on its leads, its body and the chassis are live. A person is no part of this circuit: do not hold it.\n";

/// A question whose answer is a number: field of the sheet, words, unit, range.
type Question = (&'static str, &'static str, &'static str, [f64; 2]);

const PACK: Question = ("readings.pack_V", "Vb", "V", [1.0, 2000.0]);
const NEGATIVE: Question = (
    "readings.negative_V",
    "V1, without its sign",
    "V",
    [0.0, 2000.0],
);
const POSITIVE: Question = (
    "readings.positive_V",
    "V2, without its sign",
    "V",
    [0.0, 2000.0],
);
const WITH_INSERTED: Question = (
    "readings.with_inserted_V",
    "The reading with Ro",
    "V",
    [0.0, 2000.0],
);
const PACK_AGAIN: Question = (
    "readings.pack_with_inserted_V",
    "Vb with Ro in place",
    "V",
    [1.0, 2000.0],
);

/// Asks on `out`, takes answers from `input`, keeps them in `entered` as a sheet has them.
struct Dialogue<'a, R, W> {
    input: R,
    out: W,
    entered: &'a mut Table,
}

impl<R: BufRead, W: Write> Dialogue<'_, R, W> {
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

    fn keep(&mut self, path: &str, value: impl Into<Value>) {
        match path.split_once('.') {
            None => {
                self.entered.insert(path.to_owned(), value.into());
            }
            Some((table, field)) => {
                let table = self
                    .entered
                    .entry(table)
                    .or_insert_with(|| Value::Table(Table::new()));
                if let Value::Table(table) = table {
                    table.insert(field.to_owned(), value.into());
                }
            }
        }
    }

    /// Asks until the answer is a number in the range.
    fn number(&mut self, question: Question) -> Result<f64, HostError> {
        let (path, words, unit, [low, high]) = question;
        loop {
            self.say(&format!("{words}, in {unit}: "))?;
            let answer = self.line()?;
            let parsed = match unit {
                "ohm" => ohms(&answer).ok(),
                _ => answer.parse::<f64>().ok(),
            };
            if let Some(value) = parsed.filter(|value| (low..=high).contains(value)) {
                self.keep(path, value);
                return Ok(value);
            }
            self.say(&match unit {
                "ohm" => format!(
                    "  \"{answer}\" is not a resistance from {} to {}; write it as in 200000, 200e3, 200k or 0.2M\n",
                    si(low, "Ω"),
                    si(high, "Ω")
                ),
                _ => format!(
                    "  \"{answer}\" is not a number from {low} to {high}; write it with a point and without a unit\n"
                ),
            })?;
        }
    }

    fn wiring(&mut self) -> Result<Wiring, HostError> {
        loop {
            self.say("Voltmeters, 1 that you move, or 2 equal ones at both rails all the time: ")?;
            let (word, wiring) = match self.line()?.as_str() {
                "1" => ("one_meter_moved", Wiring::OneMeterMoved),
                "2" => ("two_meters", Wiring::TwoMeters),
                _ => {
                    self.say("  write 1 or 2\n")?;
                    continue;
                }
            };
            self.keep("wiring", word);
            return Ok(wiring);
        }
    }

    fn meter(&mut self) -> Result<Meter, HostError> {
        Ok(Meter {
            resistance_ohm: self.number((
                "meter.resistance_ohm",
                "Input resistance of the meter",
                "ohm",
                [1e5, 1e12],
            ))?,
            resistance_tolerance_percent: self.number((
                "meter.resistance_tolerance_percent",
                "Its tolerance (5 is common practice, no source, where the meter's papers give none)",
                "percent",
                [0.0, 50.0],
            ))?,
            accuracy_percent: self.number((
                "meter.accuracy_percent",
                "Accuracy on DC, part of the reading",
                "percent",
                [0.0, 20.0],
            ))?,
            accuracy_digits: self.number((
                "meter.accuracy_digits",
                "Accuracy on DC, digits of the last place",
                "digits",
                [0.0, 1000.0],
            ))?,
            resolution_v: self.number((
                "meter.resolution_V",
                "One digit of the last place on this range",
                "V",
                [1e-6, 10.0],
            ))?,
        })
    }

    /// Steps 1 to 3: Vb, V1, V2.
    fn rails(&mut self, wiring: Wiring, meter: &Meter) -> Result<[f64; 3], HostError> {
        self.say(&format!(
            "{LIVE}Step 1: Vb, positive rail to negative rail. Wait until the reading stands still.\n"
        ))?;
        let mut pack = self.number(PACK)?;
        self.say(&format!("{LIVE}Step 2: V1, negative rail to chassis.\n"))?;
        let mut negative = self.number(NEGATIVE)?;
        self.say(&format!("{LIVE}Step 3: V2, positive rail to chassis.\n"))?;
        let mut positive = self.number(POSITIVE)?;
        // Either of the two may be the wrong one.
        while let Err(fault) = check_rails(wiring, meter, [pack, negative, positive]) {
            self.read_again(&fault)?;
            pack = self.number(PACK)?;
            if fault.path == NEGATIVE.0 {
                negative = self.number(NEGATIVE)?;
            } else {
                positive = self.number(POSITIVE)?;
            }
        }
        Ok([pack, negative, positive])
    }

    /// Step 4: Ro.
    fn inserted(&mut self, side: Side, working: f64, meter: &Meter) -> Result<Inserted, HostError> {
        let rail = side.word();
        self.keep("inserted.side", rail);
        self.say(&format!(
            "{INSERT}Step 4: Ro from the {rail} rail to the chassis: that side reads more.\n\
             Suitable: {:.0} to {:.0} ohm (100 to 500 ohm/V).\n",
            100.0 * working,
            500.0 * working
        ))?;
        Ok(Inserted {
            resistance_ohm: self.number((
                "inserted.resistance_ohm",
                "Ro as measured or marked",
                "ohm",
                [100.0, meter.resistance_ohm / 4.0],
            ))?,
            tolerance_percent: self.number((
                "inserted.tolerance_percent",
                "Its tolerance",
                "percent",
                [0.0, 20.0],
            ))?,
            side,
        })
    }

    /// A reading contradicts the others: says so, before it is asked for again.
    fn read_again(&mut self, fault: &FieldFault) -> Result<(), HostError> {
        self.say(&format!(
            "\nThis cannot be: {}.\n  expected: {}\n  to mend: {}\n{LIVE}Read again:\n",
            fault.problem, fault.expected, fault.mend
        ))
    }
}

/// Leads through the procedure. A reading that no circuit could yield is asked
/// for again. `entered` has the answers so far, also when this fails.
///
/// # Errors
/// When input ends, or the terminal fails.
pub fn guide(
    input: impl BufRead,
    out: impl Write,
    entered: &mut Table,
) -> Result<Sheet, HostError> {
    let mut ask = Dialogue {
        input,
        out,
        entered,
    };
    ask.keep("format", FORMAT);
    ask.say(BEFORE)?;
    ask.say("\nInstruments\n")?;
    let wiring = ask.wiring()?;
    let meter = ask.meter()?;
    let working = ask.number((
        "working_voltage_V",
        "Working voltage of the pack",
        "V",
        [1.0, 2000.0],
    ))?;
    let [pack_v, negative_v, positive_v] = ask.rails(wiring, &meter)?;
    let side = Side::higher(negative_v, positive_v);
    let inserted = ask.inserted(side, working, &meter)?;
    ask.say(&format!(
        "{LIVE}Step 5: the {} rail to the chassis once more, with Ro in place. Wait until it stands still.\n",
        side.word()
    ))?;
    let mut with_inserted_v = ask.number(WITH_INSERTED)?;
    ask.say(&format!("{LIVE}Step 6: Vb once more.\n"))?;
    loop {
        let readings = Readings {
            pack_v,
            negative_v,
            positive_v,
            with_inserted_v,
            pack_with_inserted_v: Some(ask.number(PACK_AGAIN)?),
        };
        // Everything else was checked when it was entered.
        match Sheet::new(wiring, working, meter, inserted, readings) {
            Ok(sheet) => {
                ask.say("\nTake Ro off as it was put on, and see that it is off before the pack is used.\n\n")?;
                return Ok(sheet);
            }
            Err(fault) => ask.read_again(&fault)?,
        }
        with_inserted_v = ask.number(WITH_INSERTED)?;
    }
}
