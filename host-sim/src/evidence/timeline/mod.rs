//! The timeline: voltages, resistance with limits and truth, position,
//! verdicts and refusals over one axis of time, drawn once. A small script
//! zooms it; it reads without the script. Told apart by line style, marker,
//! hatch and words, so that it needs no colours.

mod panels;

use maud::{Markup, PreEscaped, html};

use super::axis::{Scale, ticks};
use super::palette;
use super::record::Record;
use crate::output::{LimitFigures, TruePoint};

/// Zooms the timeline.
pub(super) const SCRIPT: &str = include_str!("zoom.js");
/// How it is drawn.
pub(super) const STYLE: &str = include_str!("../drawing.css");

/// Width of the drawing and of what stands to the left and right of the panels.
pub(super) const WIDTH: f64 = 960.0;
pub(super) const LEFT: f64 = 132.0;
const RIGHT: f64 = 20.0;
/// Width of a panel.
pub(super) const PLOT: f64 = WIDTH - LEFT - RIGHT;
/// Height of the heading of a picture.
const TITLE: f64 = 34.0;
/// Height of the line of keys above a panel.
const KEYS: f64 = 30.0;

/// Time to the right.
#[derive(Debug, Clone, Copy)]
pub(super) struct Time {
    pub(super) span_s: [f64; 2],
    scale: Scale,
}

impl Time {
    pub(super) fn new([from, to]: [f64; 2]) -> Self {
        let to = if to > from { to } else { from + 1.0 };
        Self {
            span_s: [from, to],
            scale: Scale::linear([from, to], [0.0, PLOT]),
        }
    }

    pub(super) fn x(&self, time_s: f64) -> f64 {
        self.scale.at(time_s)
    }

    fn ticks(&self) -> Vec<(f64, String)> {
        let (values, decimals) = ticks(self.span_s, 10.0);
        let tick = |value: f64| (self.x(value), format!("{value:.decimals$} s"));
        values.into_iter().map(tick).collect()
    }
}

/// A panel: name, keys and marks of the upright axis around what it shows.
pub(super) struct Panel {
    pub(super) name: &'static str,
    pub(super) height: f64,
    pub(super) keys: Markup,
    /// Height and words of each mark.
    pub(super) marks: Vec<(f64, String)>,
    pub(super) body: Markup,
}

impl Panel {
    /// The panel below `top`, with lines at the ticks of time.
    fn draw(&self, top: f64, time: &Time) -> Markup {
        let Self { name, height, .. } = self;
        html! {
            g transform=(format!("translate({LEFT} {top})")) {
                text class="name" x="0" y="-10" { (name) }
                g class="keys" transform="translate(150 -10)" { (self.keys) }
                rect class="ground" width=(PLOT) height=(height) {}
                @for (y, words) in &self.marks {
                    line class="grid" x1="0" x2=(PLOT) y1=(n(*y)) y2=(n(*y)) {}
                    text class="mark" x="-8" y=(n(*y + 4.0)) { (words) }
                }
                svg width=(PLOT) height=(height) {
                    g class="uprights" data-height=(height) {
                        @for (x, _) in time.ticks() {
                            line class="grid" x1=(n(x)) x2=(n(x)) y1="0" y2=(height) {}
                        }
                    }
                    (self.body)
                }
                rect class="frame" width=(PLOT) height=(height) {}
            }
        }
    }
}

/// What is drawn of a run.
#[derive(Clone, Copy)]
pub(super) struct Course<'a> {
    pub(super) record: &'a Record,
    pub(super) truth: &'a [TruePoint],
    pub(super) limits: &'a LimitFigures,
}

/// The timeline in a page.
pub(super) fn timeline(course: Course<'_>) -> Markup {
    let time = Time::new(course.record.trace.span_s());
    let [from, to] = time.span_s;
    let (height, panels) = panels_of(course, &time);
    html! {
        svg class="plot" viewBox=(format!("0 0 {WIDTH} {height}")) role="img"
            aria-labelledby="timeline-title timeline-desc"
            data-from=(from) data-to=(to) data-left=(LEFT) data-plot=(PLOT) {
            title id="timeline-title" { "Timeline of the run" }
            desc id="timeline-desc" { (described(&time)) " The same figures stand in the tables of this report." }
            (panels)
        }
    }
}

/// The timeline as an SVG file of its own, on light ground.
pub(super) fn picture(title: &str, course: Course<'_>) -> String {
    let time = Time::new(course.record.trace.span_s());
    let (height, panels) = panels_of(course, &time);
    let (width, height) = (WIDTH, height + TITLE);
    let svg = html! {
        svg class="plot" xmlns="http://www.w3.org/2000/svg" width=(width) height=(height)
            viewBox=(format!("0 0 {width} {height}")) role="img" {
            title { (title) }
            desc { (described(&time)) }
            style { (PreEscaped(palette::in_place(STYLE))) }
            (hatches())
            rect class="paper" width=(width) height=(height) {}
            text class="heading" x="20" y="26" { (title) }
            g transform=(format!("translate(0 {TITLE})")) { (panels) }
        }
    };
    svg.into_string()
}

fn described(time: &Time) -> String {
    let [from, to] = time.span_s;
    format!(
        "From the top: voltages, resistances with limits, position of the leak, verdicts and refusals, \
         all from {from:.2} s to {to:.2} s."
    )
}

/// All panels with the axis of time, and their height.
fn panels_of(course: Course<'_>, time: &Time) -> (f64, Markup) {
    let panels = [
        panels::voltages(course.record, time),
        panels::resistance(course, time),
        panels::position(course.record, course.truth, time),
        panels::verdicts(course.record, time),
    ];
    let mut tops = Vec::new();
    let mut bottom = 0.0;
    for panel in &panels {
        tops.push(bottom + KEYS);
        bottom += KEYS + panel.height + 8.0;
    }
    let drawn = html! {
        @for (panel, top) in panels.iter().zip(&tops) { (panel.draw(*top, time)) }
        g class="times" transform=(format!("translate({LEFT} {})", bottom + 10.0)) {
            @for (x, words) in time.ticks() { text class="time" x=(n(x)) { (words) } }
        }
    };
    (bottom + 26.0, drawn)
}

/// Hatches for what must be told apart without colours.
pub(super) fn hatches() -> Markup {
    html! {
        defs {
            pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                path class="hatch-line" d="M0 0V7" {}
            }
            pattern id="dots" width="9" height="9" patternUnits="userSpaceOnUse" {
                circle class="hatch-dot" cx="2" cy="2" r="1.3" {}
                circle class="hatch-dot" cx="6.5" cy="6.5" r="1.3" {}
            }
        }
    }
}

/// What stays as it is while the axis of time is stretched, at a place on it.
pub(super) fn pin(x: f64, body: &Markup) -> Markup {
    let x = n(x);
    html! { g class="pin" data-x=(x) transform=(format!("translate({x} 0)")) { (body) } }
}

/// A coordinate, to a hundredth.
pub(super) fn n(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_of_its_own_needs_no_style_sheet_and_escapes_its_title() {
        let config = crate::test_car::config();
        // Nothing happened, which must not stop the drawing.
        let course = Course {
            record: &Record::new(&config),
            truth: &[],
            limits: &LimitFigures::of(&config),
        };
        let svg = picture("a<b> & \"c\"", course);
        assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>"));
        assert!(
            !svg.contains("var(") && !svg.contains("NaN") && !svg.contains("inf"),
            "{svg}"
        );
        assert!(svg.contains("a&lt;b&gt; &amp;") && !svg.contains("a<b>"));
        for words in [
            "warning limit 200.0 kΩ",
            "alarm limit 40.00 kΩ",
            "chassis to negative rail",
        ] {
            assert!(svg.contains(words), "{words}");
        }
    }
}
