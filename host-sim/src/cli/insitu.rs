//! `ohmsplit in-situ`

mod monitor;
mod readings;

use std::io::{self, BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

use ohmsplit::{Reason, Verdict};

use super::End;
use super::files::keep_apart;
use super::show::{note, say};
use crate::document::Document;
use crate::error::HostError;
use crate::insitu::{self, Bounded, Claim, Figure, Held, Sheet, number, ohms};
use crate::output::AtomicFile;
use monitor::{Said, said};
use readings::ReadingArgs;

const AFTER: &str = concat!(
    "A sheet:\n\n",
    include_str!("../insitu/example.toml"),
    "
Exit codes are those of `ohmsplit --help`, judged on Ri at 100 and 500 ohm/V; 40 when monitor and check disagree,
30 also when the monitor was to be compared and gives no figure.
This is work on live parts: licensed people only, by the local electrical code."
);

#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(super) struct InSituArgs {
    /// The readings as a sheet; without it, and without options for them, the procedure is led step by step.
    #[arg(value_name = "SHEET.toml")]
    sheet: Option<PathBuf>,
    /// Write the readings that were asked for, or given as options, into this sheet.
    #[arg(long, value_name = "FILE.toml", conflicts_with = "sheet")]
    save: Option<PathBuf>,
    /// Compare with what the monitor says at the end of this file: a capture with its network
    /// beside it, or JSON lines as `replay --show lines` prints them.
    #[arg(long, value_name = "FILE", conflicts_with = "monitor_ohm")]
    monitor: Option<PathBuf>,
    /// Compare with this figure of the monitor, as in 1.2e6 or 1.2M.
    #[arg(long, value_name = "OHM", value_parser = ohms)]
    monitor_ohm: Option<f64>,
    /// Half-width of its 95 % interval. 15 % is the relative uncertainty that IEC 61557-8 allows
    /// (from memory, not verified), taken as such; better is what the monitor itself states.
    #[arg(
        long,
        value_name = "PERCENT",
        value_parser = number,
        default_value_t = 15.0,
        requires = "monitor_ohm"
    )]
    monitor_percent: f64,
    /// Which resistance that figure is.
    #[arg(
        long,
        value_enum,
        default_value = "weakest-rail",
        requires = "monitor_ohm"
    )]
    monitor_figure: Figure,
    #[command(flatten)]
    readings: ReadingArgs,
}

pub(super) fn run(args: &InSituArgs) -> Result<End, HostError> {
    let written: Vec<&Path> = args.save.iter().map(PathBuf::as_path).collect();
    let read: Vec<&Path> = args.monitor.iter().map(PathBuf::as_path).collect();
    keep_apart(&read, &written)?;
    let said = monitor(args)?;
    let sheet = match (&args.sheet, args.readings.sheet()) {
        (Some(path), _) => Sheet::parse(&Document::read(path)?)?,
        (None, Some(sheet)) => kept(sheet?, args.save.as_deref())?,
        (None, None) => on_terminal(args.save.as_deref())?,
    };
    let findings = insitu::compute(&sheet);
    let held = said.map(|said| match said {
        Ok(claim) => Held::Against(insitu::compare(
            &findings.answer,
            claim,
            sheet.inserted.resistance_ohm,
        )),
        Err(reason) => Held::NoFigure(reason),
    });
    say(insitu::text(&sheet, &findings, held.as_ref()).trim_end())?;
    Ok(match held {
        Some(Held::Against(compared)) if !compared.agrees => End::Differs,
        Some(Held::NoFigure(reason)) => End::Judged(Verdict::Undetermined(reason)),
        _ => End::Judged(verdict(&sheet, &findings.answer.weakest)),
    })
}

fn on_terminal(save: Option<&Path>) -> Result<Sheet, HostError> {
    if !io::stdin().is_terminal() {
        return Err(
            HostError::input("there is no terminal to lead the procedure on")
                .expected("a sheet with the readings, options with them, or a terminal")
                .mend("name a sheet; `ohmsplit in-situ --help` shows one"),
        );
    }
    led(io::stdin().lock(), io::stdout().lock(), save)
}

/// Leads through the procedure. What was entered is kept, also when it ends early.
fn led(input: impl BufRead, out: impl Write, save: Option<&Path>) -> Result<Sheet, HostError> {
    let mut entered = toml::Table::new();
    match insitu::guide(input, out, &mut entered) {
        Ok(sheet) => kept(sheet, save),
        Err(error) => {
            if let Some(path) = save {
                write(path, &entered)?;
                note(format_args!("what was entered: {}", path.display()));
            }
            Err(error)
        }
    }
}

fn kept(sheet: Sheet, save: Option<&Path>) -> Result<Sheet, HostError> {
    if let Some(path) = save {
        write(path, &sheet)?;
    }
    Ok(sheet)
}

fn write(path: &Path, sheet: &impl serde::Serialize) -> Result<(), HostError> {
    let text = toml::to_string(sheet)
        .map_err(|error| HostError::input(format!("the sheet cannot be written: {error}")))?;
    AtomicFile::write(path, &text)
}

/// The interval is judged, not the point, as the core does.
fn verdict(sheet: &Sheet, weakest: &Bounded) -> Verdict {
    let [alarm, warning] = [100.0, 500.0].map(|limit| limit * sheet.working_voltage_v);
    match weakest.low_ohm {
        low if low > warning => Verdict::Healthy,
        low if low > alarm => Verdict::Warning,
        _ if weakest.high_ohm.is_some_and(|high| high <= warning) => Verdict::Alarm,
        _ => Verdict::Undetermined(Reason::TooUncertain),
    }
}

/// What the monitor said, when it is to be compared.
fn monitor(args: &InSituArgs) -> Result<Option<Said>, HostError> {
    if let Some(path) = &args.monitor {
        return said(path).map(Some);
    }
    let Some(ohm) = args.monitor_ohm else {
        return Ok(None);
    };
    let usable = ohm > 0.0 && ohm.is_finite() && (0.0..100.0).contains(&args.monitor_percent);
    if !usable {
        return Err(HostError::input("the monitor's figure cannot be used")
            .expected("--monitor-ohm above 0, --monitor-percent from 0 to below 100")
            .mend("give ohms, not kilohms"));
    }
    let half = ohm * args.monitor_percent / 100.0;
    Ok(Some(Ok(Claim {
        figure: args.monitor_figure,
        resistance: Bounded {
            ohm: Some(ohm),
            u_ohm: Some(half / 1.96),
            low_ohm: ohm - half,
            high_ohm: Some(ohm + half),
        },
    })))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_entered_is_kept_when_the_answers_end_early() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("kept.toml");
        let answers = "1\n10e6\n5\n0.5\n2\n0.1\n400\n400\n300\n";
        assert!(led(answers.as_bytes(), Vec::new(), Some(&path)).is_err());
        let text = std::fs::read_to_string(&path).expect("written");
        let kept: toml::Table = toml::from_str(&text).expect("TOML");
        assert_eq!(kept["meter"]["resistance_ohm"].as_float(), Some(10e6));
        assert_eq!(kept["readings"]["negative_V"].as_float(), Some(300.0));
        assert_eq!(kept["wiring"].as_str(), Some("one_meter_moved"));
        // With the rest by hand it is a sheet, the same as that of a whole dialogue.
        let rest = "\npositive_V = 100.0\nwith_inserted_V = 218.2\npack_with_inserted_V = 400.0\n\
                    [inserted]\nresistance_ohm = 200e3\ntolerance_percent = 1.0\nside = \"negative\"\n";
        assert!(text.contains("[readings]") && text.find("[meter]") < text.find("[readings]"));
        let sheet = Sheet::parse(&Document::embedded("kept", &(text + rest))).expect("a sheet");
        let all = format!("{answers}100\n200e3\n1\n218.2\n400\n");
        let whole = led(all.as_bytes(), Vec::new(), Some(&path)).expect("a sheet");
        assert_eq!(sheet, whole);
        let saved = Sheet::parse(&Document::read(&path).expect("written"));
        assert_eq!(saved.expect("a sheet"), whole);
    }
}
