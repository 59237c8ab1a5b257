//! Where the judged figure lies between the limits, on decades.

use maud::{Markup, html};
use ohmsplit::Kind;

use super::axis::{Scale, decades, powers};
use super::timeline::n;
use crate::output::{LimitFigures, Resistance, si};

const WIDTH: f64 = 760.0;
const EDGE: f64 = 20.0;
/// Top and bottom of the band.
const BAND: [f64; 2] = [34.0, 66.0];

/// The interval of the judged figure over the zones of alarm, warning and healthy.
pub(super) fn ruler(kind: Kind, judged: &Resistance, limits: &LimitFigures) -> Markup {
    let [alarm, warning] = limits.ohm;
    let ends = [judged.low, judged.high.unwrap_or(judged.low)];
    let within = |ohm: f64| ohm.clamp(1.0, 1e9);
    let low = ends
        .iter()
        .chain(&limits.ohm)
        .fold(f64::MAX, |a, b| a.min(within(*b)));
    let high = ends
        .iter()
        .chain(&limits.ohm)
        .fold(1.0, |a: f64, b| a.max(within(*b)));
    let range = decades(low / 1.5, high * 2.0);
    let scale = Scale::log(range, [EDGE, WIDTH - EDGE]);
    let [top, bottom] = BAND;
    let (a, w, end) = (scale.at(alarm), scale.at(warning), WIDTH - EDGE);
    let (from, to) = (
        scale.at(judged.low),
        judged.high.map_or(end, |high| scale.at(high)),
    );
    // A narrow interval is still seen.
    let (from, to) = (from.min(to - 2.0), to.max(from + 2.0));
    let height = bottom - top;
    html! {
        svg class="ruler" viewBox=(format!("0 0 {WIDTH} 118")) role="img" aria-labelledby="ruler-title ruler-desc" {
            title id="ruler-title" { "The judged figure against the limits" }
            desc id="ruler-desc" {
                "Alarm at or below " (si(alarm, "Ω")) ", warning at or below " (si(warning, "Ω"))
                ". The judged interval begins at " (si(judged.low, "Ω")) "."
            }
            @for (x, width, class, word) in [
                (EDGE, a - EDGE, "zone alarm-zone", "alarm"),
                (a, w - a, "zone warning-zone", "warning"),
                (w, end - w, "zone healthy-zone", "healthy"),
            ] {
                rect class=(class) x=(n(x)) y=(top) width=(n(width)) height=(height) {}
                @if width > 60.0 { text class="zone-name" x=(n(x + width / 2.0)) y=(top - 8.0) { (word) } }
            }
            @for (x, ohm) in [(a, alarm), (w, warning)] {
                path class="limit" d=(format!("M{} {}V{}", n(x), top - 6.0, bottom + 6.0)) {}
                text class="mark" x=(n(x)) y=(bottom + 20.0) { (si(ohm, "Ω")) }
            }
            @for ohm in powers(range) {
                path class="grid" d=(format!("M{} {}V{}", n(scale.at(ohm)), bottom, bottom + 26.0)) {}
                text class="decade" x=(n(scale.at(ohm))) y=(bottom + 40.0) { (si(ohm, "Ω").replace(".000", "").replace(".00", "").replace(".0", "")) }
            }
            @let cap = if judged.high.is_some() { "m0 -9v18" } else { "" };
            path class="span" d=(format!("M{} {}v18m0 -9H{}{cap}", n(from), top + 7.0, n(to))) {}
            @if judged.high.is_none() {
                path class="span-end" d=(format!("M{} {}l-12 -7v14z", n(end), top + 16.0)) {}
            }
            @if let (Kind::Figure, Some(value)) = (kind, judged.value) {
                path class="point" d=(format!("M{} {}l7 9l-7 9l-7 -9z", n(scale.at(value)), top + 7.0)) {}
            }
        }
    }
}
