//! One proposal: drive, dividers, filter and timing, made of parts that can be
//! bought, and the network document that describes it.

use std::fmt::Write as _;

use super::chain::Chain;
use super::emit::{judged_word, number};
use super::series::Series;
use super::sheet::Sheet;
use crate::document::{Document, FieldFault};
use crate::network::{DriveKind, FORMAT, FrontEndKind, NetworkFile};

/// Part of the converter's span that stays free at either end.
const HEADROOM: f64 = 0.05;

/// Where 0 V at the terminals may sit, as a power of two below full scale:
/// what a reference and a buffer give without odd values.
const ZEROS: [i32; 4] = [4, 3, 2, 1];

/// Corner of the input filter as a part of the sampling rate.
const CORNER: f64 = 0.2;

/// Limit of error of the filter's capacitor: common practice, no source.
pub(super) const CAPACITOR_PERCENT: f64 = 5.0;

/// How the chassis is pushed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveChoice {
    /// Kind.
    pub kind: DriveKind,
    /// Amplitude of a source, or high level of a logic output; 0 without.
    pub volts: f64,
}

impl DriveChoice {
    /// All that a sheet permits.
    #[must_use]
    pub fn permitted(sheet: &Sheet) -> Vec<Self> {
        let drive = &sheet.drive;
        let mut choices = Vec::new();
        for &kind in &drive.kinds {
            let levels = match kind {
                DriveKind::SwitchedResistors => vec![0.0],
                DriveKind::LogicSource => drive.logic_v.into_iter().collect(),
                DriveKind::SourceToNegative | DriveKind::SourceToBothRails => {
                    drive.source_v.clone()
                }
            };
            choices.extend(levels.into_iter().map(|volts| Self { kind, volts }));
        }
        choices
    }

    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self.kind {
            DriveKind::SwitchedResistors => "switched".to_owned(),
            DriveKind::SourceToNegative => format!("±{} V to N", number(self.volts)),
            DriveKind::SourceToBothRails => format!("±{} V to both", number(self.volts)),
            DriveKind::LogicSource => format!("0/{} V logic", number(self.volts)),
        }
    }

    /// Chains that the drive takes.
    #[must_use]
    pub const fn chains(&self) -> u32 {
        match self.kind {
            DriveKind::SwitchedResistors | DriveKind::SourceToBothRails => 2,
            DriveKind::SourceToNegative | DriveKind::LogicSource => 1,
        }
    }

    /// Most volts across a chain: the chassis at the far rail, the source against it.
    #[must_use]
    pub fn volts_across(&self, pack_v: f64) -> f64 {
        pack_v + self.volts
    }

    /// Voltages to which the chassis can be brought, against N.
    fn reach(&self, pack_v: f64) -> [f64; 2] {
        match self.kind {
            DriveKind::SwitchedResistors => [0.0, pack_v],
            DriveKind::SourceToNegative => [-self.volts, pack_v.max(self.volts)],
            DriveKind::SourceToBothRails => [-self.volts, pack_v + self.volts],
            DriveKind::LogicSource => [0.0, pack_v.max(self.volts)],
        }
    }
}

/// A measuring channel as built.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelChoice {
    /// From the terminal to the pin.
    pub top: Chain,
    /// From the pin to the reference terminal, in ohms.
    pub bottom_ohm: f64,
    /// Code at 0 V.
    pub zero_code: i32,
    /// Volts at the pin at 0 V.
    pub zero_v: f64,
}

impl ChannelChoice {
    /// The channel that shows `reach` with the largest swing at the pin, and
    /// its place of 0 V.
    fn new(sheet: &Sheet, top: Chain, [low, high]: [f64; 2]) -> Option<Self> {
        let converter = &sheet.converter;
        let room = |zero: f64| {
            let up = (1.0 - HEADROOM - zero) / high;
            let down = if low < 0.0 {
                (zero - HEADROOM) / -low
            } else {
                f64::INFINITY
            };
            up.min(down)
        };
        let (part, ratio) = ZEROS
            .into_iter()
            .map(|power| (power, room(0.5f64.powi(power))))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let ratio = ratio * converter.full_scale_v;
        if ratio <= 0.0 {
            return None;
        }
        // A terminal that the pin could show directly still gets its divider.
        let ratio = ratio.min(0.5);
        let bottom = sheet
            .resistor
            .series
            .at_most(top.ohm() * ratio / (1.0 - ratio));
        Some(Self {
            top,
            bottom_ohm: bottom,
            zero_code: 1 << (i32::from(converter.bits) - part),
            zero_v: converter.full_scale_v * 0.5f64.powi(part),
        })
    }

    /// Volts at the terminals for one at the pin.
    #[must_use]
    pub fn scale(&self) -> f64 {
        (self.top.ohm() + self.bottom_ohm) / self.bottom_ohm
    }

    /// What the circuit sees, in ohms.
    #[must_use]
    pub fn load_ohm(&self) -> f64 {
        self.top.ohm() + self.bottom_ohm
    }

    /// Limit of error of the channel's gain, in percent: both resistors count
    /// with the part of the voltage that the other one carries.
    #[must_use]
    pub fn gain_percent(&self, sheet: &Sheet) -> f64 {
        let converter = &sheet.converter;
        converter.calibrated_gain_percent.unwrap_or_else(|| {
            let top = 1.0 - 1.0 / self.scale();
            converter.gain_tolerance_percent + 2.0 * top * sheet.resistor.tolerance_percent
        })
    }

    /// Limit of error of the offset, at the terminals: that of the pin, and
    /// what its leakage current makes of the top chain.
    #[must_use]
    pub fn offset_v(&self, sheet: &Sheet) -> f64 {
        let converter = &sheet.converter;
        converter.offset_tolerance_mv * 1e-3 * self.scale()
            + converter.input_leakage_na * 1e-9 * self.top.ohm()
    }

    /// Standard deviation of a reading at the terminals; q/√12 for rounding.
    #[must_use]
    pub fn noise_v(&self, sheet: &Sheet) -> f64 {
        let converter = &sheet.converter;
        let codes = (converter.noise_codes.powi(2) + 1.0 / 12.0).sqrt();
        let step = self.span_v(sheet) / 2f64.powi(i32::from(converter.bits));
        (codes * step).hypot(converter.noise_at_terminals_v)
    }

    /// Volts at the terminals that all codes span.
    #[must_use]
    pub fn span_v(&self, sheet: &Sheet) -> f64 {
        sheet.converter.full_scale_v * self.scale()
    }
}

/// The input filter: one capacitor from each pin to its reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filter {
    /// In farads, from E6.
    pub capacitor_f: f64,
    /// Its time constant with the divider, in seconds: the lag of a reading.
    pub lag_s: f64,
}

impl Filter {
    fn new(sheet: &Sheet, channel: &ChannelChoice) -> Self {
        let source = channel.top.ohm() * channel.bottom_ohm / channel.load_ohm();
        let wanted =
            1.0 / (std::f64::consts::TAU * CORNER * sheet.converter.sample_rate_hz) / source;
        let capacitor_f = Series::E6.nearest(wanted * 1e12) * 1e-12;
        Self {
            capacitor_f,
            lag_s: capacitor_f * source,
        }
    }

    /// Corner frequency in hertz.
    #[must_use]
    pub fn corner_hz(&self) -> f64 {
        1.0 / (std::f64::consts::TAU * self.lag_s)
    }
}

/// Timing of the measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimingChoice {
    /// Averaging block in milliseconds.
    pub block_ms: f64,
    /// Shortest dwell in seconds.
    pub dwell_min_s: f64,
    /// Longest dwell in seconds.
    pub dwell_max_s: f64,
}

/// One proposal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// The drive.
    pub drive: DriveChoice,
    /// Its chain, or each of its two.
    pub chain: Chain,
    /// The channel that measures v (a rail pair: either rail).
    pub chassis: ChannelChoice,
    /// The channel that measures Vb (a rail pair: the other rail).
    pub pack: ChannelChoice,
    /// The input filter.
    pub filter: Filter,
    /// Timing.
    pub timing: TimingChoice,
}

impl Candidate {
    /// A proposal with about this drive resistance and this divider; none when
    /// it cannot be built.
    #[must_use]
    pub fn build(
        sheet: &Sheet,
        drive: DriveChoice,
        drive_ohm: f64,
        divider_ohm: f64,
    ) -> Option<Self> {
        let most = sheet.pack.voltage_max_v;
        let chain = Chain::near(sheet, drive_ohm, drive.volts_across(most))?;
        let reach = drive.reach(most);
        let top = Chain::near(sheet, divider_ohm, reach[1].max(most))?;
        let chassis = ChannelChoice::new(sheet, top, reach)?;
        let pack = match sheet.converter.front_end {
            FrontEndKind::ChassisAndPack => ChannelChoice::new(sheet, top, [0.0, most])?,
            // Vb - v reaches as far as v, from the other end.
            FrontEndKind::RailPair => {
                let [low, high] = reach;
                let other = [(most - high).min(0.0), most - low];
                let both = [low.min(other[0]), high.max(other[1])];
                let one = ChannelChoice::new(sheet, top, both)?;
                return Some(Self::timed(sheet, drive, chain, one, one));
            }
        };
        Some(Self::timed(sheet, drive, chain, chassis, pack))
    }

    fn timed(
        sheet: &Sheet,
        drive: DriveChoice,
        chain: Chain,
        chassis: ChannelChoice,
        pack: ChannelChoice,
    ) -> Self {
        let block_s = sheet.converter.block_ms * 1e-3;
        // Eight blocks are the fewest that prove settling; half a second is the core's default.
        let dwell_min_s = (8.0 * block_s).max(0.5);
        // A healthy pack: C through the drive alone. Eight time constants settle it.
        let slowest = sheet.capacitance_f() * chain.ohm();
        let dwell_max_s = (10.0 * slowest).ceil().clamp(10.0 * dwell_min_s, 2000.0);
        Self {
            drive,
            chain,
            chassis,
            pack,
            filter: Filter::new(sheet, &chassis),
            timing: TimingChoice {
                block_ms: sheet.converter.block_ms,
                dwell_min_s,
                dwell_max_s,
            },
        }
    }

    /// Resistors in all.
    #[must_use]
    pub fn resistors(&self) -> u32 {
        let channels = [self.chassis, self.pack];
        let dividers: u32 = channels.iter().map(|channel| channel.top.count + 1).sum();
        self.drive.chains() * self.chain.count + dividers
    }

    /// Most watts in all chains together: the chassis at a rail for ever.
    #[must_use]
    pub fn watts(&self) -> f64 {
        // One drive chain at a time, or both of a source to both rails.
        let chains = match self.drive.kind {
            DriveKind::SourceToBothRails => 2.0,
            _ => 1.0,
        };
        chains * self.chain.watts() + self.chassis.top.watts() + self.pack.top.watts()
    }

    /// The network document, checked.
    ///
    /// # Errors
    /// The field that the core refuses: a proposal that cannot be used.
    pub fn network(&self, sheet: &Sheet) -> Result<NetworkFile, FieldFault> {
        let text = format!(
            "format = \"{FORMAT}\"\n{}",
            self.tables(sheet, "", Some(self.filter.lag_s))
        );
        let document = Document::embedded("the proposal", &text);
        NetworkFile::parse(&document)
            .map_err(|error| FieldFault::new("", error.problem.clone(), "a network document"))
    }

    /// The tables of the network document, below `prefix`. The simulated plant
    /// has no input filter: its readings lag by nothing.
    #[must_use]
    pub fn tables(&self, sheet: &Sheet, prefix: &str, lag_s: Option<f64>) -> String {
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
        text += &self.timing_table(sheet, prefix, lag_s);
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
        format!(
            "\n[{prefix}drive]\nkind = \"{}\"\n{parts} # {} in series\n{amplitude}\
             resistance_tolerance_percent = {:?}\n",
            kind.word(),
            self.chain.words(),
            sheet.resistor.tolerance_percent,
        )
    }

    fn timing_table(&self, sheet: &Sheet, prefix: &str, lag_s: Option<f64>) -> String {
        let timing = &self.timing;
        let lag = lag_s.map_or_else(String::new, |lag| {
            let micros = lag * 1e6;
            format!(
                "reading_lag_us = {micros:.1} # the input filter\nreading_lag_tolerance_us = {:.1}\n",
                micros * (CAPACITOR_PERCENT + sheet.resistor.tolerance_percent) / 100.0 + 2.0
            )
        });
        format!(
            "\n[{prefix}timing]\nblock_ms = {:?}\ndwell_min_s = {:?}\ndwell_max_s = {:?}\n{lag}\
             capacitance_max_uF = {:?}\n",
            timing.block_ms, timing.dwell_min_s, timing.dwell_max_s, sheet.pack.capacitance_max_uf,
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
