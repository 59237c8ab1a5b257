//! The sheet as options, for scripts.

use crate::document::FieldFault;
use crate::error::{HostError, Place};
use crate::insitu::{Inserted, Meter, Readings, Sheet, Side, Wiring, number, ohms};

/// The readings; all of them, or none.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Readings for scripts, instead of a sheet")]
pub(super) struct ReadingArgs {
    /// Vb, rail to rail. Voltages are magnitudes.
    #[arg(
        long, value_name = "V", value_parser = number, allow_negative_numbers = true, conflicts_with = "sheet",
        requires_all = [
            "negative", "positive", "with_inserted", "inserted_ohm", "inserted_percent", "working",
            "meter_ohm", "accuracy_percent", "accuracy_digits", "resolution",
        ]
    )]
    pack: Option<f64>,
    /// V1, negative rail to chassis.
    #[arg(
        long,
        value_name = "V", value_parser = number,
        allow_negative_numbers = true,
        requires = "pack"
    )]
    negative: Option<f64>,
    /// V2, positive rail to chassis.
    #[arg(
        long,
        value_name = "V", value_parser = number,
        allow_negative_numbers = true,
        requires = "pack"
    )]
    positive: Option<f64>,
    /// The rail that has Ro, to chassis, with Ro in place.
    #[arg(
        long,
        value_name = "V", value_parser = number,
        allow_negative_numbers = true,
        requires = "pack"
    )]
    with_inserted: Option<f64>,
    /// Vb once more, with Ro in place.
    #[arg(
        long,
        value_name = "V", value_parser = number,
        allow_negative_numbers = true,
        requires = "pack"
    )]
    pack_with_inserted: Option<f64>,
    /// Ro, as in 200e3 or 200k.
    #[arg(long, value_name = "OHM", value_parser = ohms, requires = "pack")]
    inserted_ohm: Option<f64>,
    /// Tolerance of Ro.
    #[arg(long, value_name = "PERCENT", value_parser = number, requires = "pack")]
    inserted_percent: Option<f64>,
    /// The rail that has Ro. Unless given: the one with the higher reading.
    #[arg(long, value_enum, requires = "pack")]
    inserted_side: Option<Side>,
    /// Working voltage of the pack, to which ohms per volt refer.
    #[arg(long, value_name = "V", value_parser = number, requires = "pack")]
    working: Option<f64>,
    /// Two equal meters at both rails all the time, instead of one that is moved.
    #[arg(long, requires = "pack")]
    two_meters: bool,
    /// Input resistance of the meter, as in 10e6 or 10M.
    #[arg(long, value_name = "OHM", value_parser = ohms, requires = "pack")]
    meter_ohm: Option<f64>,
    /// Its tolerance. Unless given 5 % (common practice, no source).
    #[arg(long, value_name = "PERCENT", value_parser = number, requires = "pack")]
    meter_percent: Option<f64>,
    /// Accuracy of the meter, the part of the reading.
    #[arg(long, value_name = "PERCENT", value_parser = number, requires = "pack")]
    accuracy_percent: Option<f64>,
    /// Accuracy of the meter, digits of the last place.
    #[arg(long, value_name = "DIGITS", value_parser = number, requires = "pack")]
    accuracy_digits: Option<f64>,
    /// One digit of the last place.
    #[arg(long, value_name = "V", value_parser = number, requires = "pack")]
    resolution: Option<f64>,
}

/// Fields of a sheet, and the options that give them.
const OPTIONS: [(&str, &str); 14] = [
    ("working_voltage_V", "--working"),
    ("meter.resistance_ohm", "--meter-ohm"),
    ("meter.resistance_tolerance_percent", "--meter-percent"),
    ("meter.accuracy_percent", "--accuracy-percent"),
    ("meter.accuracy_digits", "--accuracy-digits"),
    ("meter.resolution_V", "--resolution"),
    ("inserted.resistance_ohm", "--inserted-ohm"),
    ("inserted.tolerance_percent", "--inserted-percent"),
    ("inserted.side", "--inserted-side"),
    ("readings.pack_V", "--pack"),
    ("readings.negative_V", "--negative"),
    ("readings.positive_V", "--positive"),
    ("readings.with_inserted_V", "--with-inserted"),
    ("readings.pack_with_inserted_V", "--pack-with-inserted"),
];

impl ReadingArgs {
    /// The sheet that the options make; none when none is given.
    pub(super) fn sheet(&self) -> Option<Result<Sheet, HostError>> {
        let readings = Readings {
            pack_v: self.pack?,
            negative_v: self.negative?,
            positive_v: self.positive?,
            with_inserted_v: self.with_inserted?,
            pack_with_inserted_v: self.pack_with_inserted,
        };
        let meter = Meter {
            resistance_ohm: self.meter_ohm?,
            resistance_tolerance_percent: self
                .meter_percent
                .unwrap_or(Meter::RESISTANCE_TOLERANCE_PERCENT),
            accuracy_percent: self.accuracy_percent?,
            accuracy_digits: self.accuracy_digits?,
            resolution_v: self.resolution?,
        };
        let inserted = Inserted {
            resistance_ohm: self.inserted_ohm?,
            tolerance_percent: self.inserted_percent?,
            side: self
                .inserted_side
                .unwrap_or_else(|| Side::higher(readings.negative_v, readings.positive_v)),
        };
        let wiring = if self.two_meters {
            Wiring::TwoMeters
        } else {
            Wiring::OneMeterMoved
        };
        Some(Sheet::new(wiring, self.working?, meter, inserted, readings).map_err(told))
    }
}

/// The fault of a field, told of the option.
fn told(fault: FieldFault) -> HostError {
    let option = OPTIONS.iter().find(|(field, _)| *field == fault.path);
    let path = option.map_or(fault.path.clone(), |(_, option)| (*option).to_owned());
    HostError::input(fault.problem)
        .at(Place::Field {
            path,
            position: None,
        })
        .expected(fault.expected)
        .mend(fault.mend)
}
