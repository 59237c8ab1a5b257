//! The circuits of a campaign. Every cell is a scenario.

use crate::document::Document;
use crate::error::HostError;
use crate::scenario::Scenario;

/// Length of a record in seconds.
pub const RECORD_S: f64 = 8.0;
/// Length of a half-period, the time in one drive state, in seconds.
pub const HALF_PERIOD_S: f64 = 1.0;
/// Sampling rate in hertz.
pub const RATE_HZ: f64 = 1000.0;
/// Standard deviation of white noise in each reading of v, in volts.
pub const NOISE_V: f64 = 0.05;

/// How the chassis is driven. All through 1 MΩ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Stimulus {
    /// A source of ±3.3 V to the negative rail.
    Source3V3,
    /// A source of ±40 V to the negative rail.
    Source40V,
    /// A resistor switched to either rail.
    Switched,
}

impl Stimulus {
    /// All of them, in the order of the grid.
    pub const ALL: [Self; 3] = [Self::Source3V3, Self::Source40V, Self::Switched];

    /// The word in tables.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Source3V3 => "source_3.3V",
            Self::Source40V => "source_40V",
            Self::Switched => "switched_1M",
        }
    }

    /// The drive table of the network.
    const fn network(self) -> &'static str {
        match self {
            Self::Source3V3 => {
                "kind = \"source_to_negative\"\namplitude_V = 3.3\nseries_resistance_ohm = 1.0e6"
            }
            Self::Source40V => {
                "kind = \"source_to_negative\"\namplitude_V = 40.0\nseries_resistance_ohm = 1.0e6"
            }
            Self::Switched => {
                "kind = \"switched_resistors\"\npositive_resistance_ohm = 1.0e6\n\
                 negative_resistance_ohm = 1.0e6"
            }
        }
    }
}

/// One circuit of the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// The drive.
    pub stimulus: Stimulus,
    /// C in microfarads, half of it to either rail.
    pub capacitance_uf: f64,
    /// R_iso in ohms.
    pub isolation_ohm: f64,
    /// Pack voltage, and working voltage of the limits, in volts.
    pub pack_v: f64,
    /// x of the leak.
    pub position: f64,
}

impl Cell {
    /// The scenario of this cell: its network, leak, capacitance and noise.
    ///
    /// # Errors
    /// None for the cells of a grid.
    pub fn scenario(&self) -> Result<Scenario, HostError> {
        let text = format!(
            "format = \"ohmsplit-scenario-1\"\nname = \"\"\ndescription = \"\"\nseed = 1\n\
             duration_s = {RECORD_S:?}\nsample_rate_Hz = {RATE_HZ:?}\nhalf_period_s = {HALF_PERIOD_S:?}\n\
             [network.pack]\nworking_voltage_V = {:?}\n[network.drive]\n{}\n\
             [network.front_end]\nkind = \"chassis_and_pack\"\n\
             [[leak]]\nfrom_s = 0.0\nresistance_ohm = {:?}\nposition = {:?}\n\
             [capacitance]\npositive_uF = {half:?}\nnegative_uF = {half:?}\n\
             [disturbance]\nnoise_chassis_V = {NOISE_V:?}\n",
            self.pack_v,
            self.stimulus.network(),
            self.isolation_ohm,
            self.position,
            half = self.capacitance_uf / 2.0,
        );
        Scenario::parse(&Document::embedded("the cell's scenario", &text))
    }

    /// A seed of its own for each record of each cell. Depends on the circuit,
    /// not on its place in a grid.
    #[must_use]
    pub fn seed(&self, campaign: u64, record: u32) -> u64 {
        let parts = [
            self.stimulus as u64,
            self.capacitance_uf.to_bits(),
            self.isolation_ohm.to_bits(),
            self.pack_v.to_bits(),
            self.position.to_bits(),
            u64::from(record),
        ];
        parts
            .into_iter()
            .fold(campaign, |seed, part| mix(mix(seed) ^ part))
    }
}

/// The finaliser of the SplitMix64 generator (G. L. Steele et al., Fast
/// splittable pseudorandom number generators, 2014; constants from memory,
/// not verified): neighbouring numbers become unrelated ones.
const fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// The values that a grid runs over; every combination is a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Name in the header of a table.
    pub name: &'static str,
    /// C in microfarads.
    pub capacitances_uf: &'static [f64],
    /// R_iso in ohms.
    pub isolations_ohm: &'static [f64],
    /// Pack voltages.
    pub packs_v: &'static [f64],
    /// Positions.
    pub positions: &'static [f64],
}

impl Grid {
    /// All of it.
    pub const FULL: Self = Self {
        name: "full",
        capacitances_uf: &[0.01, 0.1, 1.0, 5.0, 20.0],
        isolations_ohm: &[1e4, 3e4, 1e5, 3e5, 1e6, 3e6, 1e7],
        packs_v: &[60.0, 400.0, 800.0, 1500.0],
        positions: &[0.0, 0.3, 0.5, 1.0],
    };

    /// All of it, of which cells are tried again.
    pub const AGAIN: Self = Self {
        name: "again",
        ..Self::FULL
    };

    /// A small part of it.
    pub const QUICK: Self = Self {
        name: "quick",
        capacitances_uf: &[0.01, 5.0],
        isolations_ohm: &[1e5, 1e6],
        packs_v: &[400.0],
        positions: &[0.3],
    };

    /// The cells in the order of the table.
    #[must_use]
    pub fn cells(&self) -> Vec<Cell> {
        let mut cells = Vec::new();
        for stimulus in Stimulus::ALL {
            for &capacitance_uf in self.capacitances_uf {
                for &isolation_ohm in self.isolations_ohm {
                    for &pack_v in self.packs_v {
                        cells.extend(self.positions.iter().map(|&position| Cell {
                            stimulus,
                            capacitance_uf,
                            isolation_ohm,
                            pack_v,
                            position,
                        }));
                    }
                }
            }
        }
        cells
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn every_cell_is_a_sound_scenario() {
        let cells = Grid::FULL.cells();
        assert_eq!(cells.len(), 3 * 5 * 7 * 4 * 4);
        for cell in cells {
            let scenario = cell.scenario().expect("a sound scenario");
            assert_eq!(scenario.samples(), 8000);
        }
    }

    #[test]
    fn no_two_records_share_a_seed_and_a_quick_cell_has_those_of_the_full_grid() {
        let mut seen = HashSet::new();
        let cells = Grid::FULL.cells();
        for cell in &cells {
            for record in 0..20 {
                assert!(seen.insert(cell.seed(1, record)));
            }
        }
        for cell in Grid::QUICK.cells() {
            assert!(cells.contains(&cell));
            assert!(seen.contains(&cell.seed(1, 3)));
            assert!(!seen.contains(&cell.seed(2, 3)));
        }
    }
}
