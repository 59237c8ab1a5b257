//! Axes and draws as a plan writes them.

use rand::RngExt;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use serde::Deserialize;
use toml::{Table, Value};

use super::fields::{get, set};
use super::plan::{Settings, check_with};
use crate::document::FieldFault;
use crate::error::{HostError, Place};

/// Values that a field, or several in step, run over.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AxisPart {
    field: String,
    values: Option<Vec<Value>>,
    from: Option<f64>,
    to: Option<f64>,
    count: Option<usize>,
    #[serde(default)]
    spacing: Spacing,
    /// Fields that go in step with it, each with as many values.
    #[serde(default)]
    also: Vec<AlsoPart>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct AlsoPart {
    field: String,
    values: Vec<Value>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Spacing {
    #[default]
    Linear,
    Log,
}

/// A field drawn anew for each trial.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DrawPart {
    field: String,
    law: LawWord,
    low: Option<f64>,
    high: Option<f64>,
    mean: Option<f64>,
    deviation: Option<f64>,
    values: Option<Vec<Value>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum LawWord {
    Uniform,
    LogUniform,
    Normal,
    Choice,
}

/// What a draw follows.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Law {
    Uniform([f64; 2]),
    LogUniform([f64; 2]),
    Normal(Normal<f64>),
    Choice(Vec<Value>),
}

/// The laws of the fields that are drawn, each tried on the base scenario.
pub(super) fn draws(parts: &[DrawPart], base: &Table) -> Result<Vec<(String, Law)>, FieldFault> {
    let mut draws = Vec::new();
    for (place, draw) in parts.iter().enumerate() {
        let path = format!("draw[{place}]");
        let law = draw.law(&path)?;
        for value in law.extremes() {
            try_value(base, &path, &draw.field, &value)?;
        }
        draws.push((draw.field.clone(), law));
    }
    Ok(draws)
}

/// That the base scenario is sound with one field changed.
fn try_value(base: &Table, path: &str, field: &str, value: &Value) -> Result<(), FieldFault> {
    if get(base, field).is_none() {
        set(&mut base.clone(), field, value.clone()).map_err(|mut fault| {
            fault.path = format!("{path}.field");
            fault
        })?;
    }
    match check_with(base, &[(field.to_owned(), value.clone())]) {
        Ok(()) => Ok(()),
        Err(error) => Err(unsound(
            &format!("{path}.field"),
            &format!("{field} = {value} gives"),
            &error,
        )),
    }
}

/// The fault of a field at `path` of the plan that makes the scenario unsound. Lines are those of a
/// scenario that the user never sees, so they are left out.
pub(super) fn unsound(path: &str, what: &str, error: &HostError) -> FieldFault {
    let place = match &error.place {
        Place::Field { path, .. } => format!("{path}: "),
        _ => String::new(),
    };
    let expected = error.expected.as_deref();
    let mend = error.mend.as_deref();
    FieldFault::new(
        path,
        format!("{what} no sound scenario: {place}{}", error.problem),
        expected.unwrap_or("fields of the scenario document, with values that they take"),
    )
    .mend(mend.unwrap_or("`ohmsplit formats` shows every field of a scenario"))
}

impl AxisPart {
    /// What each value of the axis sets.
    pub(super) fn settings(&self, base: &Table, path: &str) -> Result<Vec<Settings>, FieldFault> {
        let values = self.values(path)?;
        for value in &values {
            // Fields in step may only go together: then all are tried at once.
            if self.also.is_empty() {
                try_value(base, path, &self.field, value)?;
            }
        }
        let mut settings: Vec<Settings> = values
            .into_iter()
            .map(|value| vec![(self.field.clone(), value)])
            .collect();
        for (place, also) in self.also.iter().enumerate() {
            if also.values.len() != settings.len() {
                return Err(FieldFault::new(
                    &format!("{path}.also[{place}].values"),
                    format!("{} values", also.values.len()),
                    format!("as many as {} has: {}", self.field, settings.len()),
                ));
            }
            for (setting, value) in settings.iter_mut().zip(&also.values) {
                setting.push((also.field.clone(), value.clone()));
            }
        }
        for setting in settings.iter().filter(|_| !self.also.is_empty()) {
            check_with(base, setting)
                .map_err(|error| unsound(&format!("{path}.field"), "together they give", &error))?;
        }
        Ok(settings)
    }

    fn values(&self, path: &str) -> Result<Vec<Value>, FieldFault> {
        let fault = |problem: &str| {
            FieldFault::new(
                path,
                problem,
                "either values = [...], or from, to and count",
            )
            .mend("give the values of the axis in one of the two ways")
        };
        let range = (self.from, self.to, self.count);
        match (&self.values, range) {
            (Some(values), (None, None, None)) if !values.is_empty() => Ok(values.clone()),
            (Some(values), _) if values.is_empty() => Err(fault("an axis without values")),
            (Some(_), _) => Err(fault("values and a range")),
            (None, (Some(from), Some(to), Some(count))) if count >= 2 => {
                self.range(path, [from, to], count)
            }
            (None, (Some(_), Some(_), Some(_))) => Err(fault("a range of fewer than two values")),
            (None, _) => Err(fault("neither values nor a whole range")),
        }
    }

    fn range(
        &self,
        path: &str,
        [from, to]: [f64; 2],
        count: usize,
    ) -> Result<Vec<Value>, FieldFault> {
        let part = |place: usize| place as f64 / (count - 1) as f64;
        let at = |place: usize| match self.spacing {
            Spacing::Linear => from + (to - from) * part(place),
            Spacing::Log => from * (to / from).powf(part(place)),
        };
        if self.spacing == Spacing::Log && !(from > 0.0 && to > 0.0) {
            return Err(FieldFault::new(
                &format!("{path}.from"),
                "a logarithmic range through zero",
                "from and to above 0",
            ));
        }
        Ok((0..count).map(|place| Value::Float(at(place))).collect())
    }
}

impl DrawPart {
    fn law(&self, path: &str) -> Result<Law, FieldFault> {
        let need = |value: Option<f64>, name: &str| {
            value.ok_or_else(|| {
                FieldFault::new(
                    path,
                    format!("{name} is missing"),
                    format!("a {name} for this law"),
                )
                .mend(format!("add {name} = ..."))
            })
        };
        match self.law {
            LawWord::Uniform | LawWord::LogUniform => {
                let ends = [need(self.low, "low")?, need(self.high, "high")?];
                let positive = self.law == LawWord::Uniform || ends[0] > 0.0;
                if !(ends[0] < ends[1] && positive) {
                    return Err(FieldFault::new(
                        path,
                        "low and high are no range",
                        "low below high, and above 0 for log_uniform",
                    ));
                }
                Ok(if self.law == LawWord::Uniform {
                    Law::Uniform(ends)
                } else {
                    Law::LogUniform(ends)
                })
            }
            LawWord::Normal => {
                let (mean, deviation) =
                    (need(self.mean, "mean")?, need(self.deviation, "deviation")?);
                Normal::new(mean, deviation)
                    .ok()
                    .filter(|_| deviation >= 0.0)
                    .map(Law::Normal)
                    .ok_or_else(|| {
                        FieldFault::new(
                            &format!("{path}.deviation"),
                            "no deviation",
                            "a number of 0 or more",
                        )
                    })
            }
            LawWord::Choice => match &self.values {
                Some(values) if !values.is_empty() => Ok(Law::Choice(values.clone())),
                _ => Err(FieldFault::new(
                    path,
                    "a choice without values",
                    "values = [...]",
                )),
            },
        }
    }
}

impl Law {
    pub(super) fn draw(&self, random: &mut ChaCha8Rng) -> Value {
        match self {
            Self::Uniform([low, high]) => Value::Float(random.random_range(*low..*high)),
            Self::LogUniform([low, high]) => {
                Value::Float(random.random_range(low.ln()..high.ln()).exp())
            }
            Self::Normal(normal) => Value::Float(normal.sample(random)),
            Self::Choice(values) => values[random.random_range(0..values.len())].clone(),
        }
    }

    /// Values that show whether the field takes what may be drawn.
    fn extremes(&self) -> Vec<Value> {
        match self {
            Self::Uniform(ends) | Self::LogUniform(ends) => ends.map(Value::Float).to_vec(),
            Self::Normal(normal) => vec![Value::Float(normal.mean())],
            Self::Choice(values) => values.clone(),
        }
    }
}
