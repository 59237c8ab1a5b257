//! The design calculation: from what is known of a pack to drive, dividers,
//! filter and timing of parts that can be bought, with the error budget, the
//! margins against published limits, and configurations that compile.
//!
//! A proposal is a drive and its resistance, a divider, and what follows from
//! them. All proposals are tried; each is held against five requirements:
//!
//! | requirement | what is held against it |
//! |---|---|
//! | accuracy | 95 % half-width of the judged figure at the warning and the alarm limit, from the limits of error of all parts |
//! | time to answer | when the Cramér-Rao bound of the record since power-up leaves noise no more than the parts leave room for |
//! | current | the most that the monitor pushes into the chassis, a rail at the chassis, highest pack voltage |
//! | burden | what the monitor itself loads the isolation to |
//! | swing | the least move of the chassis at the alarm limit, against what does not average away |
//!
//! The proposal that uses the smallest part of the requirement that it uses
//! most comes first.

pub mod answer;
pub mod budget;
pub mod candidate;
pub mod chain;
pub mod channel;
pub mod check;
pub mod circuit;
pub mod emit;
pub mod margin;
pub mod rank;
pub mod series;
pub mod sheet;
mod tables;
pub mod trial;
mod ways;

use crate::document::Document;
use crate::error::{HostError, Place};
use budget::{Spread, monte_carlo};
use rank::{Rated, WANTED, sweep};
use sheet::Sheet;
use trial::{Run, noticed_s, trial};
use ways::ways_out;

/// Trials of the Monte Carlo.
pub const TRIALS: u32 = 20_000;

/// What a design comes to.
#[derive(Debug, Clone)]
pub struct Proposal {
    /// The data sheet.
    pub sheet: Sheet,
    /// All proposals, best first.
    pub ranking: Vec<Rated>,
    /// Place of the chosen one.
    pub chosen: usize,
    /// Monte Carlo of its warning budget.
    pub spread: Spread,
    /// Runs of the core in the plant, at the warning and at the alarm limit.
    pub runs: [Vec<Run>; 2],
    /// Seconds from a leak of half of the warning limit to the warning, in the plant.
    pub noticed_s: f64,
    /// All random draws follow from it.
    pub seed: u64,
}

impl Proposal {
    /// Designs the monitor for a data sheet; `pick` is the place in the ranking
    /// to take, from 1.
    ///
    /// # Errors
    /// When the sheet is wrong, when no design can do what it wants, which
    /// comes with the nearest that would, or when there is no such place.
    pub fn new(document: &Document, pick: usize, seed: u64) -> Result<Self, HostError> {
        let sheet = Sheet::parse(document)?;
        let ranking = sweep(&sheet);
        let working = ranking.iter().take_while(|one| one.works()).count();
        if working == 0 {
            return Err(impossible(&sheet, &ranking).in_file(document.name()));
        }
        if pick == 0 || pick > working {
            return Err(HostError::input(format!("there is no proposal number {pick}"))
                .at(Place::Field {
                    path: "--pick".to_owned(),
                    position: None,
                })
                .expected(format!("1 to {working}: so many proposals do all that is wanted"))
                .mend("look at the table of the design note, and give the number in its first column"));
        }
        let chosen = &ranking[pick - 1];
        let spread = monte_carlo(
            &sheet,
            &chosen.candidate,
            &chosen.monitor,
            &chosen.warning,
            TRIALS,
            seed,
        );
        let [at_warning, at_alarm] =
            [&chosen.warning, &chosen.alarm].map(|budget| trial(&sheet, chosen, budget, seed));
        let runs = [at_warning?, at_alarm?];
        let noticed_s = noticed_s(&sheet, chosen, seed)?;
        Ok(Self {
            sheet,
            chosen: pick - 1,
            spread,
            runs,
            noticed_s,
            seed,
            ranking,
        })
    }

    /// The chosen one.
    ///
    /// # Panics
    /// Never: the place was checked.
    #[must_use]
    pub fn best(&self) -> &Rated {
        &self.ranking[self.chosen]
    }
}

/// No design does all that is wanted.
fn impossible(sheet: &Sheet, ranking: &[Rated]) -> HostError {
    let at = |error: HostError| {
        error.at(Place::Field {
            path: "wanted".to_owned(),
            position: None,
        })
    };
    let Some(nearest) = ranking.first() else {
        return at(HostError::input("no design can be built of these parts"))
            .expected("a converter that can show the voltages, and resistors that stand them")
            .mend(
                "give resistors of a larger size, a larger largest_ohm, or another kind of drive",
            );
    };
    let failed: Vec<String> = (0..WANTED.len())
        .filter(|&n| nearest.uses[n] > 1.0)
        .map(|n| missed(sheet, nearest, n))
        .collect();
    let ways = ways_out(sheet, ranking);
    let mend = if ways.is_empty() {
        "no change of one field alone is enough: take tighter parts, or permit other kinds of drive"
            .to_owned()
    } else {
        format!("any one of these is enough: {}", ways.join(", or "))
    };
    at(HostError::input(format!(
        "no design does all that is wanted; the nearest, {} through {}, {}",
        nearest.candidate.drive.words(),
        nearest.candidate.chain.words(),
        failed.join(", and "),
    )))
    .expected(format!(
        "±{} % at both limits within {} s, at most {} mA into the chassis, a burden of at least {} ohm/V, \
         a swing of {} V, at {} uF",
        sheet.wanted.accuracy_percent,
        sheet.wanted.answer_within_s,
        sheet.wanted.current_max_ma,
        sheet.burden_min(),
        sheet.wanted.swing_min_v,
        sheet.pack.capacitance_max_uf,
    ))
    .mend(mend)
}

/// What a proposal misses, in words.
fn missed(sheet: &Sheet, one: &Rated, requirement: usize) -> String {
    match requirement {
        0 => format!("is accurate to ±{:.1} %", one.accuracy_percent()),
        1 if one.answer_s.is_finite() => format!("takes {:.1} s", one.answer_s),
        1 => "does not come to an answer in eight times the time wanted".to_owned(),
        2 => format!("pushes {:.3} mA", one.current_a * 1e3),
        3 => format!(
            "loads the isolation to {:.0} ohm/V",
            one.burden_ohm / sheet.working_v()
        ),
        _ => format!(
            "moves the chassis by {:.3} V at the alarm limit",
            one.swing_v
        ),
    }
}
