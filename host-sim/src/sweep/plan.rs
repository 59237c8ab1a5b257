//! The plan of a sweep: a base scenario, axes over its fields, random draws.

use std::path::Path;

use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};
use serde::Deserialize;
use toml::{Table, Value};

use super::axes::{AxisPart, DrawPart, Law, draws, unsound};
use super::fields::set;
use crate::document::{Document, FieldFault, in_range};
use crate::error::HostError;
use crate::scenario::Scenario;

/// The version of the plan document that this program reads.
pub const FORMAT: &str = "ohmsplit-plan-1";

/// Most trials of one sweep.
const TRIALS_MAX: usize = 100_000_000;

/// The document as written.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlanFile {
    /// Held against [`FORMAT`] before all else.
    #[serde(rename = "format")]
    _format: String,
    name: String,
    #[serde(default)]
    description: String,
    scenario: String,
    trials: u32,
    seed: u64,
    /// Fields of the scenario that are other than in its file, by their paths.
    #[serde(default)]
    set: Table,
    #[serde(default)]
    axis: Vec<AxisPart>,
    #[serde(default)]
    draw: Vec<DrawPart>,
}

/// One value of an axis: what it sets.
pub(super) type Settings = Vec<(String, Value)>;

/// A checked plan.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Short name.
    pub name: String,
    /// What it is for.
    pub description: String,
    /// Trials in each cell.
    pub trials: u32,
    /// All random draws follow from it.
    pub seed: u64,
    base: Table,
    axes: Vec<Vec<Settings>>,
    draws: Vec<(String, Law)>,
}

impl Plan {
    /// Reads and checks a plan, and the scenario that it names, relative to it.
    ///
    /// # Errors
    /// One error with file, line and field.
    pub fn read(path: &Path) -> Result<Self, HostError> {
        let document = Document::read(path)?;
        let file: PlanFile = document.parse_as(FORMAT)?;
        let base = path.parent().unwrap_or(Path::new("")).join(&file.scenario);
        let base = Document::read(&base)?;
        // An error of the base is told as that of a scenario.
        Scenario::parse(&base)?;
        let plan = file.plan(base.parse()?);
        plan.map_err(|fault| document.locate(fault))
    }

    /// Trials in one cell, and in all.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.axes.iter().map(Vec::len).product()
    }

    /// All trials.
    #[must_use]
    pub fn all_trials(&self) -> usize {
        self.cells() * self.trials as usize
    }

    /// Names of the fields that differ, axes first, and how many of them are those of axes.
    #[must_use]
    pub fn fields(&self) -> (Vec<String>, usize) {
        let of_axes = self.axes.iter().flat_map(|axis| &axis[0]);
        let mut names: Vec<String> = of_axes.map(|(field, _)| field.clone()).collect();
        let axes = names.len();
        names.extend(self.draws.iter().map(|(field, _)| field.clone()));
        (names, axes)
    }

    /// For every axis, how many fields it sets.
    #[must_use]
    pub fn widths(&self) -> Vec<usize> {
        self.axes.iter().map(|axis| axis[0].len()).collect()
    }

    /// The scenario document of a trial without some fields, and the values of [`Plan::fields`] in it. Trials
    /// are numbered cell by cell.
    ///
    /// # Errors
    /// When a field cannot be set.
    pub fn document(
        &self,
        trial: usize,
        without: &[&str],
    ) -> Result<(Document, Vec<Value>), HostError> {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        random.set_stream(trial as u64);
        let mut settings = self.cell(trial / self.trials as usize);
        let seed = random.next_u64() >> 1;
        for (field, law) in &self.draws {
            settings.push((field.clone(), law.draw(&mut random)));
        }
        let document = with(&self.base, &settings, without, seed)?;
        Ok((
            document,
            settings.into_iter().map(|(_, value)| value).collect(),
        ))
    }

    /// What the axes set in a cell; the last axis runs fastest.
    fn cell(&self, mut cell: usize) -> Settings {
        let mut places = Vec::new();
        for axis in self.axes.iter().rev() {
            places.push(cell % axis.len());
            cell /= axis.len();
        }
        let chosen = self.axes.iter().zip(places.into_iter().rev());
        chosen
            .flat_map(|(axis, place)| axis[place].clone())
            .collect()
    }

    fn check(&self) -> Result<(), FieldFault> {
        let cells: f64 = self.axes.iter().map(|axis| axis.len() as f64).product();
        if cells * f64::from(self.trials) > TRIALS_MAX as f64 {
            return Err(FieldFault::new(
                "trials",
                "more trials than can be numbered",
                format!("at most {TRIALS_MAX} in all"),
            )
            .mend("use fewer values on the axes or fewer trials"));
        }
        let (names, _) = self.fields();
        let twice = names
            .iter()
            .enumerate()
            .find(|(place, name)| names[..*place].contains(name));
        match twice {
            None => Ok(()),
            Some((_, name)) => Err(FieldFault::new(
                "axis",
                format!("{name} is set twice"),
                "each field on one axis or in one draw",
            )
            .mend("take it out of one of them")),
        }
    }

    /// What identifies the sweep: the plan and its scenario as they were read.
    #[must_use]
    pub fn identity(&self) -> u64 {
        use sha2::{Digest, Sha256};
        let text = format!(
            "{:?}|{:?}|{:?}|{}|{}",
            self.base, self.axes, self.draws, self.trials, self.seed
        );
        let digest = Sha256::digest(text.as_bytes());
        digest
            .iter()
            .take(8)
            .fold(0, |sum, &byte| sum << 8 | u64::from(byte))
    }
}

/// The scenario of a trial's document.
///
/// # Errors
/// When its values do not go together.
pub(super) fn scenario(document: &Document) -> Result<Scenario, HostError> {
    Scenario::parse(document).map_err(|error| {
        error.mend(
            "narrow the axes and draws of the plan, so that every combination is a sound scenario",
        )
    })
}

/// The scenario document of a table with fields set, and some taken out.
fn with(
    base: &Table,
    settings: &[(String, Value)],
    without: &[&str],
    seed: u64,
) -> Result<Document, HostError> {
    let mut table = base.clone();
    for (field, value) in settings {
        set(&mut table, field, value.clone()).map_err(|fault| {
            HostError::input(fault.problem)
                .expected(fault.expected)
                .mend(fault.mend)
        })?;
    }
    table.retain(|field, _| !without.contains(&field));
    let seed = i64::try_from(seed).unwrap_or(i64::MAX);
    table.insert("seed".to_owned(), Value::Integer(seed));
    let told: Vec<String> = settings
        .iter()
        .map(|(field, value)| format!("{field} = {value}"))
        .collect();
    let text = toml::to_string(&table).map_err(|error| HostError::input(error.to_string()))?;
    Ok(Document::embedded(
        &format!("the scenario with {}", told.join(", ")),
        &text,
    ))
}

/// That the scenario of a table is sound with fields set.
pub(super) fn check_with(base: &Table, settings: &[(String, Value)]) -> Result<(), HostError> {
    Scenario::parse(&with(base, settings, &[], 1)?).map(drop)
}

impl PlanFile {
    fn plan(self, mut base: Table) -> Result<Plan, FieldFault> {
        in_range(
            "trials",
            f64::from(self.trials),
            1.0..=1e7,
            "trials in each cell",
        )?;
        let fixed: Settings = self.set.into_iter().collect();
        check_with(&base, &fixed).map_err(|error| unsound("set", "these fields give", &error))?;
        for (field, value) in fixed {
            set(&mut base, &field, value)?;
        }
        let mut axes = Vec::new();
        for (place, axis) in self.axis.iter().enumerate() {
            axes.push(axis.settings(&base, &format!("axis[{place}]"))?);
        }
        let plan = Plan {
            name: self.name,
            description: self.description,
            trials: self.trials,
            seed: self.seed,
            draws: draws(&self.draw, &base)?,
            base,
            axes,
        };
        plan.check()?;
        Ok(plan)
    }
}
