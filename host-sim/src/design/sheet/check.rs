//! Ranges of a data sheet's values, and whether they suit each other.

use std::ops::RangeInclusive;

use super::Sheet;
use crate::document::{FieldFault, in_range};
use crate::network::DriveKind;

impl Sheet {
    pub(super) fn check(&self) -> Result<(), FieldFault> {
        for (path, value, range, unit) in self.ranges() {
            if let Some(value) = value {
                in_range(path, value, range, unit)?;
            }
        }
        self.limits.check()?;
        let [alarm, warning] = [self.limits.alarm_ohm_per_v, self.limits.warning_ohm_per_v];
        if alarm > warning {
            return Err(FieldFault::new(
                "limits.alarm_ohm_per_V",
                format!("the alarm limit, {alarm}, is above the warning limit, {warning}"),
                "at most limits.warning_ohm_per_V",
            ));
        }
        self.check_voltages()?;
        self.drive.check_times()?;
        self.check_drives()
    }

    #[expect(clippy::too_many_lines, reason = "a table, one field an entry")]
    fn ranges(&self) -> Vec<(&'static str, Option<f64>, RangeInclusive<f64>, &'static str)> {
        let (pack, wanted) = (&self.pack, &self.wanted);
        let (converter, resistor) = (&self.converter, &self.resistor);
        vec![
            (
                "pack.voltage_min_V",
                Some(pack.voltage_min_v),
                5.0..=2000.0,
                "V",
            ),
            (
                "pack.voltage_max_V",
                Some(pack.voltage_max_v),
                5.0..=2000.0,
                "V",
            ),
            (
                "pack.working_voltage_V",
                pack.working_voltage_v,
                5.0..=2000.0,
                "V",
            ),
            (
                "pack.cells_in_series",
                pack.cells_in_series.map(f64::from),
                1.0..=10_000.0,
                "",
            ),
            (
                "pack.capacitance_max_uF",
                Some(pack.capacitance_max_uf),
                1e-4..=1000.0,
                "uF (microfarads; 1000 nF are 1 uF)",
            ),
            (
                "wanted.accuracy_percent",
                Some(wanted.accuracy_percent),
                0.1..=50.0,
                "percent",
            ),
            (
                "wanted.answer_within_s",
                Some(wanted.answer_within_s),
                0.1..=10_000.0,
                "s",
            ),
            (
                "wanted.current_max_mA",
                Some(wanted.current_max_ma),
                0.001..=100.0,
                "mA",
            ),
            (
                "wanted.burden_min_ohm_per_V",
                wanted.burden_min_ohm_per_v,
                1.0..=1e5,
                "ohm/V",
            ),
            (
                "wanted.swing_min_V",
                Some(wanted.swing_min_v),
                0.001..=1000.0,
                "V",
            ),
            ("drive.logic_V", self.drive.logic_v, 0.1..=1000.0, "V"),
            (
                "drive.source_tolerance_percent",
                Some(self.drive.source_tolerance_percent),
                0.0..=50.0,
                "percent",
            ),
            (
                "converter.bits",
                Some(f64::from(converter.bits)),
                8.0..=30.0,
                "bits",
            ),
            (
                "converter.full_scale_V",
                Some(converter.full_scale_v),
                0.1..=100.0,
                "V",
            ),
            (
                "converter.sample_rate_Hz",
                Some(converter.sample_rate_hz),
                50.0..=1e5,
                "Hz",
            ),
            (
                "converter.noise_codes",
                Some(converter.noise_codes),
                0.0..=1e6,
                "codes",
            ),
            (
                "converter.gain_tolerance_percent",
                Some(converter.gain_tolerance_percent),
                0.0..=10.0,
                "percent",
            ),
            (
                "converter.offset_tolerance_mV",
                Some(converter.offset_tolerance_mv),
                0.0..=1000.0,
                "mV",
            ),
            (
                "converter.input_leakage_nA",
                Some(converter.input_leakage_na),
                0.0..=1e5,
                "nA",
            ),
            (
                "converter.calibrated_gain_percent",
                converter.calibrated_gain_percent,
                0.0..=10.0,
                "percent",
            ),
            (
                "converter.block_ms",
                Some(converter.block_ms),
                0.1..=10_000.0,
                "ms",
            ),
            (
                "converter.noise_at_terminals_V",
                Some(converter.noise_at_terminals_v),
                0.0..=1000.0,
                "V",
            ),
            (
                "resistor.tolerance_percent",
                Some(resistor.tolerance_percent),
                0.001..=20.0,
                "percent",
            ),
            ("resistor.voltage_V", resistor.voltage_v, 1.0..=1e5, "V"),
            ("resistor.power_W", resistor.power_w, 0.001..=1000.0, "W"),
            (
                "resistor.creepage_mm",
                resistor.creepage_mm,
                0.1..=1000.0,
                "mm",
            ),
            (
                "resistor.voltage_used_percent",
                Some(resistor.voltage_used_percent),
                10.0..=100.0,
                "percent",
            ),
            (
                "resistor.power_used_percent",
                Some(resistor.power_used_percent),
                10.0..=100.0,
                "percent",
            ),
            (
                "resistor.largest_ohm",
                Some(resistor.largest_ohm),
                1e3..=1e9,
                "ohm",
            ),
        ]
    }

    fn check_voltages(&self) -> Result<(), FieldFault> {
        let pack = &self.pack;
        let [low, high] = [pack.voltage_min_v, pack.voltage_max_v];
        if low > high {
            return Err(FieldFault::new(
                "pack.voltage_min_V",
                format!("the lowest voltage, {low} V, is above the highest, {high} V"),
                "at most pack.voltage_max_V",
            )
            .mend("exchange the two, or correct one"));
        }
        if self.working_v() > high {
            return Err(FieldFault::new(
                "pack.working_voltage_V",
                format!("{} V is above voltage_max_V, {high} V", self.working_v()),
                "at most pack.voltage_max_V",
            ));
        }
        let blocks = self.converter.block_ms * 1e-3 * self.converter.sample_rate_hz;
        if blocks < 1.0 {
            return Err(FieldFault::new(
                "converter.block_ms",
                format!("a block of {} ms holds no reading", self.converter.block_ms),
                format!(
                    "at least {} ms, one reading",
                    1e3 / self.converter.sample_rate_hz
                ),
            ));
        }
        Ok(())
    }

    /// A kind without what it is made of is refused.
    fn check_drives(&self) -> Result<(), FieldFault> {
        let drive = &self.drive;
        if drive.kinds.is_empty() {
            return Err(FieldFault::new(
                "drive.kinds",
                "no kind of drive is permitted",
                "one or more of \"switched_resistors\", \"source_to_negative\", \
                 \"source_to_both_rails\", \"logic_source\"",
            ));
        }
        for (place, &volts) in drive.source_v.iter().enumerate() {
            in_range(
                &format!("drive.source_V[{place}]"),
                volts,
                0.1..=1000.0,
                "V",
            )?;
        }
        for (place, kind) in drive.kinds.iter().enumerate() {
            let (lacks, field) = match kind {
                DriveKind::SwitchedResistors => (false, ""),
                DriveKind::LogicSource => (drive.logic_v.is_none(), "logic_V"),
                DriveKind::SourceToNegative | DriveKind::SourceToBothRails => {
                    (drive.source_v.is_empty(), "source_V")
                }
            };
            if lacks {
                return Err(FieldFault::new(
                    &format!("drive.kinds[{place}]"),
                    format!("{} needs a voltage, and {field} is missing", kind.word()),
                    format!("{field} in the [drive] table"),
                )
                .mend(format!("add {field}, or take the kind out of the list")));
            }
        }
        Ok(())
    }
}
