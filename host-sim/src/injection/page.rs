//! The table of a fault campaign in words.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::PERIODS_MAX;
use super::table::{ALL, Group};
use crate::output::CAUTION;
use crate::sweep::Trials;

/// Worst rows shown.
const WORST: usize = 20;

/// The page.
pub(super) fn markdown(trials: &Trials<'_>, groups: &[Group]) -> String {
    let mut text = head(trials);
    let faults: Vec<&Group> = groups
        .iter()
        .filter(|group| group.drive == ALL && group.fault != "none")
        .collect();
    if !faults.is_empty() {
        of_faults(&mut text, &faults);
        worst(&mut text, groups);
    }
    before(&mut text, groups);
    text + "\n" + CAUTION + "\n"
}

fn head(trials: &Trials<'_>) -> String {
    let plan = trials.plan;
    let healthy = if trials.study.without.is_empty() {
        ""
    } else {
        " --healthy"
    };
    format!(
        "# Fault injection: {}\n\n\
         Made by `ohmsplit campaign faults PLAN.toml --out FOLDER{healthy}`, plan {:016x}, seed {}: {} trials.\n",
        plan.name,
        plan.identity(),
        plan.seed,
        trials.rows.len(),
    )
}

fn of_faults(text: &mut String, faults: &[&Group]) {
    let _ = write!(
        text,
        "\n## Faults\n\n\
         Detected: a finding or a refusal withholds the verdict within {PERIODS_MAX} drive periods, and nothing deceives later. Missed:\n\
         an interval misses the truth by more than three half-widths, a verdict is wrong, or healthy stands without a\n\
         measurement. Safe: what is reported stays right. Coverage is detected over detected and missed, with its 95 % interval\n\
         (Wilson 1927); class by ISO 26262-5:2018, table D.1 (from memory, not verified): low from 60 %, medium from 90 %, high from\n\
         99 %. Latency in drive periods, of all runs that were told, in time or not.\n\n\
         | fault | runs | detected | safe | missed | not judged | coverage % | class | latency median, p95, max | told by | missed by |\n\
         |---|---|---|---|---|---|---|---|---|---|---|\n"
    );
    for group in faults {
        let _ = writeln!(text, "{}", line(&group.fault, group));
    }
    let all = faults
        .iter()
        .fold(Group::default(), |sum, group| sum.with(group));
    let _ = writeln!(text, "{}", line("all, each run the same weight", &all));
}

fn line(name: &str, group: &Group) -> String {
    let latency = [50, 95, 100].map(|percent| {
        group
            .latency(percent)
            .map_or_else(|| "-".to_owned(), |periods| format!("{periods:.1}"))
    });
    format!(
        "| {name} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
        group.runs,
        group.detected,
        group.safe,
        group.missed,
        group.not_judged,
        coverage(group),
        group.class().unwrap_or("-"),
        latency.join(", "),
        often(&group.told_by),
        often(&group.missed_by),
    )
}

fn coverage(group: &Group) -> String {
    match (group.coverage(), group.interval()) {
        (Some(share), Some([low, high])) => format!(
            "{:.1} ({:.1} to {:.1})",
            100.0 * share,
            100.0 * low,
            100.0 * high
        ),
        _ => "-".to_owned(),
    }
}

/// Words with their counts, the most frequent first.
fn often(counts: &BTreeMap<String, usize>) -> String {
    let mut sorted: Vec<_> = counts.iter().collect();
    sorted.sort_by_key(|(word, count)| (std::cmp::Reverse(**count), *word));
    let told: Vec<String> = sorted
        .iter()
        .take(3)
        .map(|(word, count)| format!("{word} {count}"))
        .collect();
    told.join(", ")
}

fn worst(text: &mut String, groups: &[Group]) {
    let mut rows: Vec<&Group> = groups
        .iter()
        .filter(|group| group.drive != ALL && group.missed > 0)
        .collect();
    rows.sort_by(|a, b| {
        let share = |group: &Group| group.coverage().unwrap_or(1.0);
        share(a).total_cmp(&share(b)).then(b.missed.cmp(&a.missed))
    });
    let _ = write!(
        text,
        "\n## Worst: fault and drive\n\n\
         | fault | drive | missed | of | coverage % | missed by | told by, else |\n|---|---|---|---|---|---|---|\n"
    );
    for group in rows.into_iter().take(WORST) {
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} | {} |",
            group.fault,
            group.drive,
            group.missed,
            group.runs,
            coverage(group),
            often(&group.missed_by),
            often(&group.told_by),
        );
    }
}

/// The parts of the runs before their faults, by drive.
fn before(text: &mut String, groups: &[Group]) {
    let _ = write!(
        text,
        "\n## Without a fault\n\n\
         Of healthy runs all, of others the time before the fault. Quiet: a verdict came, stood, and nothing deceived. Blind: no verdict yet. Refused: a verdict\n\
         was withdrawn. Found: a finding. Wrong: as missed, above, and here of any figure that is told.\n\n\
         | drive | runs | quiet | blind | refused | found | wrong | by |\n|---|---|---|---|---|---|---|---|\n"
    );
    let mut drives: Vec<&str> = Vec::new();
    for group in groups.iter().filter(|group| group.drive != ALL) {
        if !drives.contains(&group.drive.as_str()) {
            drives.push(&group.drive);
        }
    }
    for drive in drives {
        let of = groups.iter().filter(|group| group.drive == drive);
        let all = of.fold(Group::default(), |sum, group| sum.with(group));
        let counts = ["quiet", "blind", "refused", "found", "wrong"]
            .map(|word| all.before(word).to_string());
        let _ = writeln!(
            text,
            "| {drive} | {} | {} | {} |",
            all.runs,
            counts.join(" | "),
            often(&all.before_by)
        );
    }
}
