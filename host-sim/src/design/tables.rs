//! A proposal as the tables of a network document.

use std::fmt::Write as _;

use super::candidate::Candidate;
use super::channel::ChannelChoice;
use super::emit::{judged_word, number};
use super::sheet::Sheet;
use crate::network::DriveKind;

impl Candidate {
    /// The tables of the network document, below `prefix`. The simulated plant
    /// has no input filter: its readings lag by nothing.
    #[must_use]
    pub fn tables(&self, sheet: &Sheet, prefix: &str, with_lag: bool) -> String {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "[{prefix}pack]\nworking_voltage_V = {:?}",
            sheet.working_v()
        );
        if let Some(cells) = sheet.pack.cells_in_series {
            let _ = writeln!(text, "cells_in_series = {cells}");
        }
        text += &self.drive_table(sheet, prefix);
        let front_end = sheet.converter.front_end;
        let _ = writeln!(
            text,
            "\n[{prefix}front_end]\nkind = \"{}\"",
            front_end.word()
        );
        for (name, channel) in front_end
            .channels()
            .into_iter()
            .zip([self.chassis, self.pack])
        {
            text += &channel_table(sheet, &channel, &format!("{prefix}front_end.{name}"));
        }
        text += &self.timing_table(sheet, prefix, with_lag);
        let limits = &sheet.limits;
        let _ = writeln!(
            text,
            "\n[{prefix}limits]\njudged = \"{}\"\nalarm_ohm_per_V = {:?}\n\
             warning_ohm_per_V = {:?}\nhysteresis_percent = {:?}\nconfirmations = {}",
            judged_word(limits.judged),
            limits.alarm_ohm_per_v,
            limits.warning_ohm_per_v,
            limits.hysteresis_percent,
            limits.confirmations,
        );
        text
    }

    fn drive_table(&self, sheet: &Sheet, prefix: &str) -> String {
        let kind = self.drive.kind;
        let ohm = self.chain.ohm();
        let volts = self.drive.volts;
        let parts = match kind {
            DriveKind::SwitchedResistors => {
                format!("positive_resistance_ohm = {ohm:?}\nnegative_resistance_ohm = {ohm:?}")
            }
            DriveKind::LogicSource => {
                format!("low_V = 0.0\nhigh_V = {volts:?}\nseries_resistance_ohm = {ohm:?}")
            }
            DriveKind::SourceToNegative | DriveKind::SourceToBothRails => {
                format!("amplitude_V = {volts:?}\nseries_resistance_ohm = {ohm:?}")
            }
        };
        let amplitude = match kind {
            DriveKind::SwitchedResistors => String::new(),
            _ => format!(
                "amplitude_tolerance_percent = {:?}\n",
                sheet.drive.source_tolerance_percent
            ),
        };
        let tolerance = sheet.resistor.tolerance_percent;
        let check = self.check.map_or_else(String::new, |check| {
            format!(
                "\n[{prefix}drive.check_resistor]\nto = \"{}\"\nresistance_ohm = {:?} # {} in series\n\
                 tolerance_percent = {tolerance:?}\n",
                check.rail.word(),
                check.chain.ohm(),
                check.chain.words(),
            )
        });
        format!(
            "\n[{prefix}drive]\nkind = \"{}\"\n{parts} # {} in series\n{amplitude}\
             resistance_tolerance_percent = {tolerance:?}\n{check}",
            kind.word(),
            self.chain.words(),
        )
    }

    fn timing_table(&self, sheet: &Sheet, prefix: &str, with_lag: bool) -> String {
        let timing = &self.timing;
        let lag = if with_lag {
            format!(
                "reading_lag_us = {:.1} # the input filter\nreading_lag_tolerance_us = {:.1}\n",
                self.filter.lag_s * 1e6,
                self.filter.lag_tolerance_s(sheet) * 1e6,
            )
        } else {
            String::new()
        };
        format!(
            "\n[{prefix}timing]\nblock_ms = {:?}\ndwell_min_s = {:?}\ndwell_max_s = {:?}\n{lag}\
             capacitance_max_uF = {:?}\ncheck = \"{}\"\n",
            timing.block_ms,
            timing.dwell_min_s,
            timing.dwell_max_s,
            sheet.pack.capacitance_max_uf,
            if self.check.is_some() {
                &sheet.drive.check
            } else {
                "never"
            },
        )
    }
}

fn channel_table(sheet: &Sheet, channel: &ChannelChoice, path: &str) -> String {
    let converter = &sheet.converter;
    format!(
        "[{path}]\ndivider_top_ohm = {:?} # {} in series\ndivider_bottom_ohm = {:?}\n\
         converter_bits = {}\nconverter_full_scale_V = {:?}\n\
         zero_code = {} # the bottom of the divider stands at {} V\n\
         gain_tolerance_percent = {:.4}\noffset_tolerance_V = {:.6}\n",
        channel.top.ohm(),
        channel.top.words(),
        channel.bottom_ohm,
        converter.bits,
        converter.full_scale_v,
        channel.zero_code,
        number(channel.zero_v),
        channel.gain_percent(sheet),
        channel.offset_v(sheet),
    )
}
