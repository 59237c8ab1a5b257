//! One proposal: drive, dividers, filter and timing, made of parts that can be
//! bought, and the network document that describes it.

use super::chain::Chain;
use super::channel::{ChannelChoice, Filter};
use super::check::CheckChoice;
use super::emit::number;
use super::sheet::Sheet;
use crate::document::{Document, FieldFault};
use crate::network::{DriveKind, FORMAT, FrontEndKind, NetworkFile};

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
    /// The check resistor; none where no check is wanted.
    pub check: Option<CheckChoice>,
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
    /// A proposal with about this drive resistance and this divider, the check
    /// resistor yet to be chosen; none when it cannot be built.
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
            check: None,
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
        let check = self.check.map_or(0, |check| check.chain.count);
        self.drive.chains() * self.chain.count + check + dividers
    }

    /// Most watts in all chains together: the chassis at a rail for ever.
    #[must_use]
    pub fn watts(&self) -> f64 {
        // One drive chain at a time, or both of a source to both rails.
        let chains = match self.drive.kind {
            DriveKind::SourceToBothRails => 2.0,
            _ => 1.0,
        };
        // The check never joins them.
        let check = self.check.map_or(0.0, |check| check.chain.watts());
        let driven = (chains * self.chain.watts()).max(check);
        driven + self.chassis.top.watts() + self.pack.top.watts()
    }

    /// The network document, checked.
    ///
    /// # Errors
    /// The field that the core refuses: a proposal that cannot be used.
    pub fn network(&self, sheet: &Sheet) -> Result<NetworkFile, FieldFault> {
        let text = format!("format = \"{FORMAT}\"\n{}", self.tables(sheet, "", true));
        let document = Document::embedded("the proposal", &text);
        NetworkFile::parse(&document)
            .map_err(|error| FieldFault::new("", error.problem.clone(), "a network document"))
    }
}
