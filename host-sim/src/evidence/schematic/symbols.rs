//! Symbols of the schematic, centred on (x, y) in an upright wire.

use maud::{Markup, html};

use crate::evidence::timeline::n;

/// Whether a part is declared or estimated; the latter is dashed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Declared,
    Found,
}

/// What is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Symbol {
    Resistor,
    Capacitor,
    /// A contact, drawn open.
    Switch,
    /// A source of either polarity.
    Source,
    /// A source of two levels.
    Levels,
    /// A converter at the tap of a divider.
    Tap,
    /// A reading that draws no current.
    Meter,
}

impl Symbol {
    /// From the middle to where the wire goes on.
    pub(super) const fn half_height(self) -> f64 {
        match self {
            Self::Resistor => 18.0,
            Self::Capacitor => 4.0,
            Self::Switch => 12.0,
            Self::Source | Self::Levels | Self::Meter => 15.0,
            Self::Tap => 0.0,
        }
    }

    /// Where the words beside it begin.
    pub(super) const fn label_at(self) -> f64 {
        match self {
            Self::Resistor => 13.0,
            Self::Capacitor | Self::Source | Self::Levels | Self::Meter => 20.0,
            Self::Switch => 16.0,
            Self::Tap => 22.0,
        }
    }

    pub(super) fn draw(self, x: f64, y: f64, weight: Weight) -> Markup {
        let class = match weight {
            Weight::Declared => "part",
            Weight::Found => "part dashed",
        };
        html! {
            g class=(class) transform=(format!("translate({} {})", n(x), n(y))) {
                @match self {
                    Self::Resistor => rect x="-7" y="-18" width="14" height="36" {},
                    Self::Capacitor => path class="plates" d="M-13 -4H13M-13 4H13" {},
                    Self::Switch => {
                        path d="M0 12L-11 -10" {}
                        circle class="contact" cy="-12" r="2.5" {}
                        circle class="contact" cy="12" r="2.5" {}
                    },
                    Self::Source => {
                        circle r="15" {}
                        path d="M-8 0V-6H0V6H8V0" {}
                    },
                    Self::Levels => {
                        circle r="15" {}
                        path d="M-9 5H-4V-5H4V5H9" {}
                    },
                    Self::Tap => {
                        path d="M0 0H8" {}
                        path d="M8 -7L18 0L8 7Z" {}
                        circle class="joint" r="3" {}
                    },
                    Self::Meter => {
                        circle r="15" {}
                        text class="letter" y="5" text-anchor="middle" { "V" }
                    },
                }
            }
        }
    }
}

/// Cells between the rails.
pub(super) fn pack(x: f64, top: f64, bottom: f64) -> Markup {
    let middle = f64::midpoint(top, bottom);
    html! {
        g class="part" {
            path class="wire" d=(format!("M{x} {top}V{}M{x} {}V{bottom}", middle - 30.0, middle + 30.0)) {}
            @for cell in [-30.0, -6.0, 18.0] {
                path class="plates" d=(format!("M{} {}H{}", x - 16.0, middle + cell, x + 16.0)) {}
                path class="plates short" d=(format!("M{} {}H{}", x - 8.0, middle + cell + 12.0, x + 8.0)) {}
            }
            path class="dots" d=(format!("M{x} {}V{}M{x} {}V{}", middle - 17.0, middle - 7.0, middle + 7.0, middle + 17.0)) {}
            text class="value" x=(x - 24.0) y=(middle - 36.0) { "+" }
        }
    }
}

/// The end of the chassis line.
pub(super) fn chassis(x: f64, y: f64) -> Markup {
    html! {
        path class="wire" d=(format!(
            "M{} {y}h12v14M{} {}h28m-28 0l-6 9m20 -9l-6 9m20 -9l-6 9",
            n(x), n(x - 2.0), n(y + 14.0)
        )) {}
    }
}
