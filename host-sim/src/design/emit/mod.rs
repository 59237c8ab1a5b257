//! What a design leaves: documents and configurations, all or nothing.

mod c;
mod evidence;
mod note;
mod plot;
mod rust;

use std::io::Write as _;
use std::path::Path;

use super::Proposal;
use super::trial::{Stage, scenario};
use crate::error::HostError;
use crate::interrupt::Draft;
use crate::network::{FORMAT, JudgedWord};
use crate::output::AtomicFile;
pub use crate::output::si;

/// The files of a design.
pub const FILES: [&str; 6] = [
    "design.md",
    "design.svg",
    "network.toml",
    "ohmsplit_config.c",
    "ohmsplit_config.rs",
    "scenario.toml",
];

/// A number without superfluous digits.
#[must_use]
pub fn number(value: f64) -> String {
    format!("{value}")
}

/// A resistance in full: a nominal value is exact.
#[must_use]
pub fn ohm(value: f64) -> String {
    let (scale, unit) = match value {
        mega if mega >= 1e6 => (1e6, "MΩ"),
        kilo if kilo >= 1e3 => (1e3, "kΩ"),
        _ => (1.0, "Ω"),
    };
    format!("{} {unit}", (value / scale * 1e6).round() / 1e6)
}

/// The word for the judged figure in documents.
#[must_use]
pub const fn judged_word(judged: JudgedWord) -> &'static str {
    match judged {
        JudgedWord::WeakestRail => "weakest_rail",
        JudgedWord::BothInParallel => "both_in_parallel",
    }
}

/// The content of [`FILES`], in their order; `command` remakes them.
///
/// # Errors
/// When the plot cannot be drawn or a document of ours is not accepted by us: a defect.
pub fn content(proposal: &Proposal, command: &str) -> Result<[String; 6], HostError> {
    let network = network(proposal, command);
    let plot = plot::svg(proposal)
        .map_err(|error| HostError::input(format!("the plot cannot be drawn: {error}")))?;
    Ok([
        note::note(proposal, command),
        plot,
        network,
        c::settings(proposal),
        rust::config(proposal)?,
        first_scenario(proposal),
    ])
}

/// The network document, with where it came from.
fn network(proposal: &Proposal, command: &str) -> String {
    let candidate = &proposal.best().candidate;
    format!(
        "# The monitor's own circuit. Made by: {command}\nformat = \"{FORMAT}\"\nname = {}\n\
         description = \"proposed by ohmsplit design; design.md says why\"\n\n{}",
        toml::Value::from(proposal.sheet.name.as_str()),
        candidate.tables(&proposal.sheet, "", true),
    )
}

/// A run to see the design at work: healthy, then between the limits, then an alarm.
fn first_scenario(proposal: &Proposal) -> String {
    let sheet = &proposal.sheet;
    let [warning, alarm] = super::rank::limits_ohm(sheet);
    let stage_s = (4.0 * sheet.wanted.answer_within_s)
        .max(6.0 * proposal.best().candidate.timing.dwell_min_s)
        .max(10.0);
    // Rails unlike, so that position and weaker rail can be seen.
    let leak = |from: f64, weaker: f64| -> Stage { (from, weaker.round(), (3.0 * weaker).round()) };
    let between = (warning * alarm).sqrt();
    let leaks = [
        leak(0.0, 10.0 * warning),
        leak(stage_s, between),
        leak(2.0 * stage_s, 0.5 * alarm),
    ];
    let description = format!(
        "The proposed monitor on {}: {} to the positive rail at first, {} from {} s, {} from {} s. \
         To see: healthy, warning, alarm. The plant has no input filter, so readings do not lag.",
        sheet.name,
        si(leaks[0].1, "ohm"),
        si(leaks[1].1, "ohm"),
        leaks[1].0,
        si(leaks[2].1, "ohm"),
        leaks[2].0,
    );
    scenario(
        sheet,
        &proposal.best().candidate,
        [&sheet.name, &description],
        (3.0 * stage_s, proposal.seed, sheet.working_v()),
        &leaks,
    )
}

/// Refuses a folder that holds something, unless an earlier design is to be
/// written over. Asked before the work, too.
///
/// # Errors
/// When it is not free, or cannot be read.
pub fn free(folder: &Path, replace: bool) -> Result<(), HostError> {
    if folder.exists() && !folder.is_dir() {
        return Err(HostError::input("this is a file")
            .in_file(folder.display().to_string())
            .expected("a folder that is new or empty")
            .mend("name another folder"));
    }
    if folder.exists() && !replace && !is_empty(folder)? {
        return Err(HostError::input("the folder is not empty")
            .in_file(folder.display().to_string())
            .expected("a folder that is new or empty")
            .mend("name another folder, or add --replace to write over an earlier design"));
    }
    Ok(())
}

/// Writes a design into a folder that is new or empty; with `replace` over an
/// earlier design. Either all files appear or none.
///
/// # Errors
/// When the folder holds something else, or the system refuses.
pub fn write(folder: &Path, replace: bool, content: &[String; 6]) -> Result<(), HostError> {
    free(folder, replace)?;
    let name = folder.display().to_string();
    let refused = |error: &std::io::Error| HostError::system(&*name, "cannot be written", error);
    let existing = folder.exists();
    if existing {
        // Every draft is complete before the first gets its name.
        let mut drafts = Vec::new();
        for (file, text) in FILES.iter().zip(content) {
            let mut draft = AtomicFile::create(&folder.join(file))?;
            draft
                .write_all(text.as_bytes())
                .map_err(|error| refused(&error))?;
            drafts.push(draft);
        }
        return drafts.into_iter().try_for_each(AtomicFile::commit);
    }
    let parent = match folder.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let draft = tempfile::Builder::new()
        .prefix(".ohmsplit-")
        .tempdir_in(parent)
        .map_err(|error| refused(&error))?;
    let _listed = Draft::at(draft.path());
    for (file, text) in FILES.iter().zip(content) {
        std::fs::write(draft.path().join(file), text).map_err(|error| refused(&error))?;
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // A temporary folder is the owner's alone; this one is to be shared like any other.
        let shared = std::fs::Permissions::from_mode(0o755);
        std::fs::set_permissions(draft.path(), shared).map_err(|error| refused(&error))?;
    }
    std::fs::rename(draft.path(), folder).map_err(|error| refused(&error))?;
    // It has its name now: nothing is left to remove.
    let _ = draft.keep();
    Ok(())
}

fn is_empty(folder: &Path) -> Result<bool, HostError> {
    let mut entries = std::fs::read_dir(folder)
        .map_err(|error| HostError::system(folder.display().to_string(), "cannot read", &error))?;
    Ok(entries.next().is_none())
}
