//! `ohmsplit in-situ`

use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

use ohmsplit::{Reason, Verdict};

use super::End;
use super::files::keep_apart;
use super::show::say;
use crate::document::Document;
use crate::error::HostError;
use crate::insitu::{self, Bounded, Claim, Figure, Sheet};
use crate::output::AtomicFile;

const AFTER: &str = "\
A sheet:
  format = \"ohmsplit-in-situ-1\"
  wiring = \"one_meter_moved\"         # or \"two_meters\": equal ones, at both rails all the time
  working_voltage_V = 400.0
  [meter]
  resistance_ohm = 10e6
  resistance_tolerance_percent = 5.0 # optional
  accuracy_percent = 0.5             # of the reading, plus
  accuracy_digits = 2.0              # so many digits
  resolution_V = 0.1                 # of this size
  [inserted]
  resistance_ohm = 200e3
  tolerance_percent = 1.0
  side = \"negative\"                  # the rail with the higher reading
  [readings]                         # magnitudes
  pack_V = 400.0
  negative_V = 214.3
  positive_V = 142.9
  with_inserted_V = 33.7             # the rail that has Ro
  pack_with_inserted_V = 400.0       # optional: Vb once more

Exit codes are those of `ohmsplit --help`, judged on Ri at 100 and 500 ohm/V; 40 when monitor and check disagree.
This is work on live parts: licensed people only, by the local electrical code.";

#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(super) struct InSituArgs {
    /// The readings as a sheet; without it the procedure is led step by step.
    #[arg(value_name = "SHEET.toml")]
    sheet: Option<PathBuf>,
    /// Write the readings that were asked for into this sheet.
    #[arg(long, value_name = "FILE.toml", conflicts_with = "sheet")]
    save: Option<PathBuf>,
    /// Compare with the last figures in this file of JSON lines, as `replay --show lines` prints them.
    #[arg(long, value_name = "FILE", conflicts_with = "monitor_ohm")]
    monitor: Option<PathBuf>,
    /// Compare with this figure of the monitor.
    #[arg(long, value_name = "OHM")]
    monitor_ohm: Option<f64>,
    /// Half-width of its 95 % interval.
    #[arg(
        long,
        value_name = "PERCENT",
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
}

pub(super) fn run(args: &InSituArgs) -> Result<End, HostError> {
    let written: Vec<&Path> = args.save.iter().map(PathBuf::as_path).collect();
    let read: Vec<&Path> = args.monitor.iter().map(PathBuf::as_path).collect();
    keep_apart(&read, &written)?;
    let claim = claim(args)?;
    let sheet = match &args.sheet {
        Some(path) => Sheet::parse(&Document::read(path)?)?,
        None => led(args.save.as_deref())?,
    };
    let findings = insitu::compute(&sheet);
    let compared =
        claim.map(|claim| insitu::compare(&findings.answer, claim, sheet.inserted.resistance_ohm));
    say(insitu::text(&sheet, &findings, compared.as_ref()).trim_end())?;
    if compared.is_some_and(|compared| !compared.agrees) {
        return Ok(End::Differs);
    }
    Ok(End::Judged(verdict(&sheet, &findings.answer.weakest)))
}

fn led(save: Option<&Path>) -> Result<Sheet, HostError> {
    if !io::stdin().is_terminal() {
        return Err(
            HostError::input("there is no terminal to lead the procedure on")
                .expected("a sheet with the readings, or a terminal")
                .mend("name a sheet; `ohmsplit in-situ --help` shows one"),
        );
    }
    let sheet = insitu::guide(io::stdin().lock(), io::stdout().lock())?;
    if let Some(path) = save {
        let text = toml::to_string(&sheet)
            .map_err(|error| HostError::input(format!("the sheet cannot be written: {error}")))?;
        AtomicFile::write(path, &text)?;
    }
    Ok(sheet)
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

fn claim(args: &InSituArgs) -> Result<Option<Claim>, HostError> {
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
    Ok(Some(Claim {
        figure: args.monitor_figure,
        resistance: Bounded {
            ohm: Some(ohm),
            u_ohm: Some(half / 1.96),
            low_ohm: ohm - half,
            high_ohm: Some(ohm + half),
        },
    }))
}

/// The last figures in JSON lines.
fn said(path: &Path) -> Result<Claim, HostError> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .map_err(|error| HostError::system(&*name, "cannot read", &error))?;
    text.lines()
        .rev()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .find_map(|object| {
            let number = |field: &str| object.get(field).and_then(serde_json::Value::as_f64);
            let (ohm, high_ohm) = (number("weakest_ohm"), number("weakest_high_ohm"));
            let low_ohm = number("weakest_low_ohm").unwrap_or(0.0);
            let u = |high: f64| (high - low_ohm) / (2.0 * 1.96);
            (ohm.or(high_ohm).is_some() || low_ohm > 0.0).then(|| Claim {
                figure: Figure::WeakestRail,
                resistance: Bounded {
                    ohm,
                    u_ohm: ohm.and(high_ohm).map(u),
                    low_ohm,
                    high_ohm,
                },
            })
        })
        .ok_or_else(|| {
            HostError::input("no line has a figure of the weaker rail")
                .in_file(name)
                .expected("JSON lines with weakest_ohm and its interval")
                .mend("write the file with `ohmsplit replay CAPTURE --show lines`")
        })
}
