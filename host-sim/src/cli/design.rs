//! `ohmsplit design`

use std::fmt::Write as _;
use std::path::Path;

use super::End;
use super::args::DesignArgs;
use super::show::{note, say};
use crate::design::emit::{FILES, content, write};
use crate::design::rank::WANTED;
use crate::design::sheet::EXAMPLE;
use crate::design::{Proposal, emit};
use crate::document::Document;
use crate::error::HostError;
use crate::output::CAUTION;

pub(super) fn run(args: &DesignArgs) -> Result<End, HostError> {
    let (Some(pack), Some(out)) = (&args.pack, &args.out) else {
        say(EXAMPLE.trim_end())?;
        return Ok(End::Done);
    };
    let document = Document::read(pack)?;
    emit::free(out, args.replace)?;
    note(format_args!("trying proposals for {} ...", pack.display()));
    let proposal = Proposal::new(&document, args.pick, args.seed)?;
    let content = content(&proposal, &command(args, pack, out))?;
    write(out, args.replace, &content)?;
    say(&told(&proposal))?;
    for name in FILES {
        note(format_args!("written: {}", out.join(name).display()));
    }
    Ok(End::Done)
}

/// The command that makes the same design again.
fn command(args: &DesignArgs, pack: &Path, out: &Path) -> String {
    let mut text = format!("ohmsplit design {} --out {}", quoted(pack), quoted(out));
    if args.pick != 1 {
        // Writing to a string cannot fail.
        let _ = write!(text, " --pick {}", args.pick);
    }
    if args.seed != 1 {
        let _ = write!(text, " --seed {}", args.seed);
    }
    text + " --replace"
}

/// A path as a shell takes it.
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-+".contains(c);
    if text.chars().all(plain) {
        text
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

/// What is proposed, in a few lines.
fn told(proposal: &Proposal) -> String {
    let best = proposal.best();
    let candidate = &best.candidate;
    let mut text = format!(
        "Monitor for {}: {}, each chain {}, {}\n\n",
        proposal.sheet.name,
        candidate.drive.words(),
        candidate.chain.words(),
        candidate.check.map_or_else(
            || "no check".to_owned(),
            |check| format!("check resistor {}", check.words())
        ),
    );
    let figures = [
        format!(
            "±{:.2} % at the limits, parts alone",
            best.accuracy_percent()
        ),
        format!("{:.2} s", best.answer_s),
        format!("{:.3} mA into the chassis", best.current_a * 1e3),
        format!("{:.0} ohm/V", best.burden_ohm / proposal.sheet.working_v()),
        format!("{:.2} V at the alarm limit", best.swing_v),
    ];
    for ((name, figure), used) in WANTED.iter().zip(figures).zip(best.uses) {
        let _ = writeln!(
            text,
            "  {name:<15} {figure:<44} {:.0} % of what is permitted",
            used * 100.0
        );
    }
    let working = proposal
        .ranking
        .iter()
        .take_while(|one| one.works())
        .count();
    let _ = write!(
        text,
        "\n{working} of {} proposals do all that is wanted; design.md ranks them.\n{CAUTION}",
        proposal.ranking.len(),
    );
    text
}
