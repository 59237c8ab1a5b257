//! `ohmsplit regress`

use std::collections::BTreeMap;

use super::End;
use super::args::RegressArgs;
use super::files::keep_apart;
use super::show::{note, say};
use crate::error::HostError;
use crate::regress::{self, Baseline, Case, Checked, Findings, moves};

pub(super) fn run(args: &RegressArgs) -> Result<End, HostError> {
    let folder: Vec<_> = [args.folder.as_path()].to_vec();
    if let Some(record) = &args.record {
        keep_apart(&folder, &[record])?;
    }
    let baseline = args.baseline.as_deref().map(Baseline::read).transpose()?;
    let cases = regress::cases(&args.folder)?;
    let mut bench = Bench::new(baseline, args.allow);
    let mut unsaid = None;
    regress::run(&cases, args.threads, |case, checked| {
        for line in bench.take(case, checked) {
            unsaid = unsaid.take().or(say(&line).err());
        }
    })?;
    for line in bench.gone() {
        say(&line)?;
    }
    say(&bench.summary())?;
    if let Some(error) = unsaid {
        return Err(error);
    }
    let end = bench.end();
    if let Some(path) = &args.record {
        Baseline::new(bench.found).write(path)?;
        note(format_args!("written: {}", path.display()));
    }
    Ok(end)
}

/// Counts what is as expected and what moved.
struct Bench {
    baseline: Option<Baseline>,
    allowed: f64,
    found: BTreeMap<String, Findings>,
    met: usize,
    missed: usize,
    without: usize,
    moved: usize,
    too_far: usize,
}

impl Bench {
    const fn new(baseline: Option<Baseline>, allowed: f64) -> Self {
        Self {
            baseline,
            allowed,
            found: BTreeMap::new(),
            met: 0,
            missed: 0,
            without: 0,
            moved: 0,
            too_far: 0,
        }
    }

    /// What there is to say about a case.
    fn take(&mut self, case: &Case, checked: Checked) -> Vec<String> {
        let Checked {
            findings,
            differences,
        } = checked;
        let mut lines = Vec::new();
        match (differences.is_empty(), case.expected.is_some()) {
            (false, _) => self.missed += 1,
            (true, true) => self.met += 1,
            (true, false) => self.without += 1,
        }
        for difference in differences {
            lines.push(format!("not as expected: {}: {difference}", case.name));
        }
        if let Some(baseline) = &self.baseline {
            match baseline.captures.get(&case.name) {
                None => lines.push(format!("new: {}", case.name)),
                Some(before) => {
                    let expected = case.expected.as_ref();
                    for one in moves(before, &findings, expected, self.allowed) {
                        self.moved += 1;
                        self.too_far += usize::from(one.counts);
                        let word = if one.counts { "moved too far" } else { "moved" };
                        lines.push(format!("{word}: {}: {one}", case.name));
                    }
                }
            }
        }
        self.found.insert(case.name.clone(), findings);
        lines
    }

    /// Captures of the baseline that are no longer there.
    fn gone(&mut self) -> Vec<String> {
        let known = self
            .baseline
            .iter()
            .flat_map(|baseline| baseline.captures.keys());
        let gone = known.filter(|name| !self.found.contains_key(*name));
        let lines: Vec<String> = gone.map(|name| format!("gone: {name}")).collect();
        self.too_far += lines.len();
        lines
    }

    fn summary(&self) -> String {
        let mut text = format!(
            "{} captures: {} as expected, {} not as expected, {} without expected results",
            self.found.len(),
            self.met,
            self.missed,
            self.without
        );
        if let Some(baseline) = &self.baseline {
            text.push_str(&format!(
                "\nsince version {}: {} figures moved; {} by more than {} u, changed or gone",
                baseline.version, self.moved, self.too_far, self.allowed
            ));
        }
        text
    }

    const fn end(&self) -> End {
        if self.missed == 0 && self.too_far == 0 {
            End::Done
        } else {
            End::Differs
        }
    }
}
