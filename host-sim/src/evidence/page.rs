//! The page: verdict first, then what it rests on.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use ohmsplit::config::Judged;
use ohmsplit::{Kind, Verdict};

use super::ruler::ruler;
use super::timeline::{self, Course, hatches, timeline};
use super::{Evidence, circuit, figures, findings, origin, palette, settling};
use crate::output::{
    Figures, LimitFigures, explain, interval, resistance, si, verdict_sentence, verdict_word,
};

const STYLE: &str = include_str!("page.css");

/// Sections after the verdict: anchor and heading.
const SECTIONS: [(&str, &str); 8] = [
    ("estimates", "Estimates"),
    ("network", "Network"),
    ("timeline-of-run", "Timeline"),
    ("settling", "Settling and residuals"),
    ("findings", "Findings"),
    ("budget", "Error budget"),
    ("limits", "Limits and sources"),
    ("origin", "Origin"),
];

/// The report as an HTML file.
#[must_use]
pub fn page(evidence: &Evidence<'_>) -> String {
    let limits = LimitFigures::of(evidence.config);
    let title = evidence.title;
    let bodies: [Markup; 8] = [
        figures::section(evidence),
        circuit::section(evidence),
        course(evidence, &limits),
        settling::section(evidence.record),
        findings::section(evidence.record),
        circuit::budget(evidence),
        figures::limits(evidence),
        origin::section(evidence),
    ];
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                // Nothing is ever fetched, whatever a name in a file says.
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'";
                title { "Isolation evidence: " (title) }
                style { (PreEscaped(palette::css())) (PreEscaped(timeline::STYLE)) (PreEscaped(STYLE)) }
            }
            body {
                a class="skip" href="#verdict" { "To the verdict" }
                (patterns())
                header {
                    p class="kind" { "Isolation evidence" }
                    h1 { (title) }
                    @if !evidence.description.trim().is_empty() { p class="about" { (evidence.description.trim()) } }
                }
                main {
                    (verdict(evidence, &limits))
                    (cautions())
                    nav aria-label="Sections" {
                        ol { @for (anchor, heading) in SECTIONS { li { a href=(format!("#{anchor}")) { (heading) } } } }
                    }
                    @for ((anchor, heading), body) in SECTIONS.iter().zip(&bodies) {
                        section id=(anchor) {
                            h2 { (heading) }
                            (body)
                        }
                    }
                }
                script { (PreEscaped(timeline::SCRIPT)) }
            }
        }
    };
    page.into_string()
}

/// Hatches that several drawings use.
fn patterns() -> Markup {
    html! {
        svg class="patterns" width="0" height="0" aria-hidden="true" focusable="false" { (hatches()) }
    }
}

fn verdict(evidence: &Evidence<'_>, limits: &LimitFigures) -> Markup {
    let outcome = &evidence.record.outcome;
    let verdict = outcome.verdict();
    let meaning = meaning(verdict);
    html! {
        section id="verdict" class=(format!("verdict-box {}", verdict_word(verdict))) aria-labelledby="verdict-word" {
            div class="badge" {
                (sign(verdict))
                h2 id="verdict-word" { (verdict_word(verdict)) }
            }
            div class="why" {
                p class="meaning" { (meaning) "." }
                @match outcome.answer() {
                    Ok(estimate) => (judged(&Figures::of(estimate), limits)),
                    Err(reason) if verdict == Verdict::Undetermined(reason) => p {
                        "The reason is called " code { (reason.name()) } "; there is no figure at the end. Undetermined is not healthy."
                    },
                    Err(reason) => p { "There is no figure at the end: " (explain(reason)) "." },
                }
                @if let Some(hint) = outcome.hint() { p { strong { "Hint" } ": " (hint) "." } }
            }
        }
    }
}

/// What a verdict means, as a sentence without its end.
fn meaning(verdict: Verdict) -> String {
    let sentence = verdict_sentence(verdict);
    // The word of the verdict, and the name of a reason, come first.
    let parts = match verdict {
        Verdict::Undetermined(_) => 3,
        _ => 2,
    };
    let text = sentence.splitn(parts, ": ").last().unwrap_or(&sentence);
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// The judged figure in words and on the ruler.
fn judged(found: &Figures, limits: &LimitFigures) -> Markup {
    let of = found.judged(limits.judged);
    let name = match (limits.judged, found.kind, found.weakest_is_positive) {
        (Judged::BothInParallel, ..) => "R_iso, both rails in parallel",
        (Judged::WeakestRail, Kind::Open, _) => "the weaker rail",
        (Judged::WeakestRail, _, true) => "the weaker rail, the positive one",
        (Judged::WeakestRail, _, false) => "the weaker rail, the negative one",
    };
    html! {
        p {
            "Judged is " (name) ": " strong { (resistance(found.kind, &of)) } ", 95 % interval " strong { (interval(&of)) }
            ". Its lower end is " strong { (si(of.low / limits.working_v, "Ω/V")) } " at " (si(limits.working_v, "V"))
            " working voltage; warning at " (limits.per_volt[1]) " Ω/V, alarm at " (limits.per_volt[0]) " Ω/V."
        }
        div class="scroll" { (ruler(found.kind, &of, limits)) }
    }
}

/// A sign for each verdict, told apart by its shape.
fn sign(verdict: Verdict) -> Markup {
    html! {
        svg class="sign" viewBox="0 0 48 48" aria-hidden="true" focusable="false" {
            @match verdict {
                Verdict::Healthy => {
                    circle cx="24" cy="24" r="19" {}
                    path d="M14 25l7 7l13 -15" {}
                },
                Verdict::Warning => {
                    path d="M24 4L44 24L24 44L4 24Z" {}
                    path d="M24 14V27M24 33V35" {}
                },
                Verdict::Alarm => {
                    path d="M5 5H43V43H5Z" {}
                    path d="M15 15L33 33M33 15L15 33" {}
                },
                Verdict::Undetermined(_) => {
                    circle class="open" cx="24" cy="24" r="19" {}
                    path d="M17 19a7 7 0 1 1 9 7q-2 1 -2 4M24 35v1.5" {}
                },
            }
        }
    }
}

fn cautions() -> Markup {
    html! {
        section class="cautions" aria-labelledby="cautions-title" {
            h2 id="cautions-title" { "Cautions" }
            ul {
                li { "The voltages of a battery can kill, also when a pack looks dead: a capacitor holds them after the contactors have opened. Treat the pack as live whatever this report says." }
                li { "Work de-energised and locked out wherever possible, with rated and fused equipment; follow the local electrical code, and leave work on live packs to people licensed for it." }
                li { "All figures are estimates from one run. Nothing here is certified, and no conformity with any standard or regulation is claimed." }
            }
        }
    }
}

/// The timeline with its tools.
fn course(evidence: &Evidence<'_>, limits: &LimitFigures) -> Markup {
    let record = evidence.record;
    let bin = record.trace.samples_per_bin();
    let every = record.answers.every();
    let joined = record.verdicts.joined;
    let drawn = Course {
        record,
        truth: &evidence.truth.course,
        limits,
    };
    html! {
        figure id="timeline" aria-describedby="timeline-help" {
            div class="tools" hidden {
                @for (act, words) in [
                    ("nearer", "Zoom in"), ("farther", "Zoom out"), ("earlier", "Earlier"), ("later", "Later"), ("whole", "Whole run"),
                ] { button type="button" data-act=(act) { (words) } }
                span class="shown" role="status" {}
                p id="timeline-help" class="note" {
                    "Keys, with the timeline in focus: + and − zoom, the arrows move, 0 shows all. Or drag over a stretch."
                }
            }
            div class="scroll" { (timeline(drawn)) }
            figcaption {
                "The hatched ground is the alarm zone."
                @if bin > 1 {
                    " Voltages are drawn as the lowest and highest of every " (bin) " samples: no extreme is lost, but what happens within them is not seen."
                }
                @if every > 1 { " Too many answers to draw all: one of " (every) " is drawn." }
                @if joined > 0 { " " (joined) " short stretches of a verdict were joined to a neighbour; the graver of both is shown." }
                @if !evidence.truth.course.is_empty() { " Truth by " (evidence.truth.source) "." }
            }
        }
    }
}
