//! Records as a table for people.

use std::fmt::Write;

use ohmsplit::journal::{Event, Figures, Judgement, Record};
use ohmsplit::permit::{Answer, Withheld};
use ohmsplit::{Kind, Verdict};

use super::Image;
use crate::output::{basis_word, explain, si, verdict_word};

/// Scale of the logarithm in a trend's point.
pub(super) const LN_R: f64 = (1u32 << 24) as f64;

/// All records, one a line, and what the image came to.
#[must_use]
pub fn table(image: &Image) -> String {
    let mut text = format!("{:>10} {:>12}  {:<11} what\n", "sequence", "time", "event");
    for record in &image.records {
        let (event, what) = words(record);
        // Writing into a String cannot fail.
        let _ = writeln!(
            text,
            "{:>10} {:>10} s  {event:<11} {what}",
            record.sequence, record.at_s
        );
    }
    let _ = write!(
        text,
        "\n{} records, {} missing in between; {} slots damaged, {} free",
        image.records.len(),
        image.missing(),
        image.damaged,
        image.free
    );
    text
}

fn words(record: &Record) -> (&'static str, String) {
    match &record.event {
        Event::Started => ("start", "nothing measured yet".to_owned()),
        Event::Verdict(judgement) => ("verdict", of_judgement(judgement)),
        Event::Permission(answer) => ("permission", of_answer(answer)),
        Event::Sections(connected) => {
            let bits = connected.bits();
            let connected: Vec<String> = (0..8)
                .filter(|section| bits >> section & 1 == 1)
                .map(|section: u8| section.to_string())
                .collect();
            let what = match connected.as_slice() {
                [] => "none connected: the battery side alone".to_owned(),
                some => format!("connected: {}", some.join(", ")),
            };
            ("sections", what)
        }
        Event::TrendPoint(point) => {
            let ohm = (f64::from(point.ln_r) / LN_R).exp() * 1e6;
            (
                "trend point",
                format!("span {}: {}", point.span, si(ohm, "Ω")),
            )
        }
        Event::Unknown {
            version,
            kind,
            payload,
        } => (
            "unknown",
            format!("version {version}, kind {kind}, payload {payload:02x?}"),
        ),
    }
}

fn of_judgement(judgement: &Judgement) -> String {
    let mut text = verdict_word(judgement.verdict).to_owned();
    if let Verdict::Undetermined(reason) = judgement.verdict {
        let _ = write!(text, ": {}", explain(reason));
    }
    let Some(figures) = &judgement.figures else {
        return text;
    };
    let Figures {
        isolation_ohm,
        weakest_ohm,
        ..
    } = *figures;
    let bound = match figures.kind {
        Kind::Figure | Kind::Open => "",
        Kind::Short => "below ",
    };
    let ohm = |ohm: u32| match ohm {
        u32::MAX => "no leak".to_owned(),
        ohm => format!("{bound}{}", si(f64::from(ohm), "Ω")),
    };
    let _ = write!(
        text,
        "; R_iso {}, weaker rail {}",
        ohm(isolation_ohm),
        ohm(weakest_ohm)
    );
    if let Some(x) = figures.position {
        let _ = write!(text, ", x {:.3}", f64::from(x) / 1e4);
    }
    let pack = f64::from(figures.pack_decivolt) / 10.0;
    let _ = write!(text, ", pack {pack:.1} V ({})", basis_word(judgement.basis));
    text
}

fn of_answer(answer: &Answer) -> String {
    let mut text = match answer.permission {
        Ok(()) => format!("granted on evidence {} s old", answer.age_s),
        Err(Withheld::Undetermined(reason)) => format!("withheld: {}", explain(reason)),
        Err(cause) => format!("withheld: {}", cause.name().replace('_', " ")),
    };
    if answer.latched {
        text.push_str("; an alarm waits to be acknowledged");
    }
    text
}
