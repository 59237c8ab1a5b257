//! Accuracy and time to answer against current, all proposals: shapes tell the
//! drives apart, so that it reads in monochrome too.

use std::error::Error;

use plotters::coord::combinators::IntoLogRange;
use plotters::prelude::*;

use super::super::Proposal;
use super::super::rank::Rated;
use crate::network::DriveKind;
use crate::output::si;
use crate::output::style::{Area, DEEP_BLUE, Drawn, GRID, INK, PALE, text};

const SIZE: (u32, u32) = (980, 860);

/// What one panel shows over the current.
struct Panel {
    title: &'static str,
    unit: &'static str,
    of: fn(&Rated) -> f64,
    wanted: f64,
}

/// The picture.
pub(super) fn svg(proposal: &Proposal) -> Result<String, Box<dyn Error>> {
    let mut out = String::new();
    let root = SVGBackend::with_string(&mut out, SIZE).into_drawing_area();
    root.fill(&WHITE)?;
    fill(&root, proposal)?;
    root.present()?;
    drop(root);
    Ok(out)
}

fn fill(root: &Area<'_>, proposal: &Proposal) -> Drawn {
    let title = format!(
        "{}: proposals with the divider of the chosen one, by their current into the chassis",
        proposal.sheet.name
    );
    root.draw(&Text::new(title, (20, 14), text(17)))?;
    keys(root)?;
    let (_, panels) = root.split_vertically(64);
    let panels = panels.split_evenly((2, 1));
    let wanted = &proposal.sheet.wanted;
    let shown = [
        Panel {
            title: "95 % half-width at the limits, parts alone",
            unit: "%",
            of: Rated::accuracy_percent,
            wanted: wanted.accuracy_percent,
        },
        Panel {
            title: "time to answer at the limits, bound",
            unit: "s",
            of: |one| one.answer_s,
            wanted: wanted.answer_within_s,
        },
    ];
    for (area, panel) in panels.iter().zip(&shown) {
        draw(area, proposal, panel)?;
    }
    Ok(())
}

/// The drives in the order of their shapes.
const DRIVES: [(DriveKind, &str); 4] = [
    (DriveKind::SwitchedResistors, "switched resistors"),
    (DriveKind::SourceToNegative, "source to N"),
    (DriveKind::SourceToBothRails, "source to both rails"),
    (DriveKind::LogicSource, "logic output"),
];

fn keys(root: &Area<'_>) -> Drawn {
    let mut x = 20;
    for (kind, name) in DRIVES {
        for outline in outlines(kind) {
            let mark = PathElement::new(outline.to_vec(), INK.stroke_width(2));
            root.draw(&(EmptyElement::at((x + 8, 47)) + mark))?;
        }
        root.draw(&Text::new(name, (x + 22, 40), text(14)))?;
        x += 42 + 6 * name.len() as i32;
    }
    let rest = "dot: does all that is wanted; ring: chosen; bars: what is wanted";
    root.draw(&Text::new(rest, (x, 40), text(14)))?;
    Ok(())
}

/// The mark of a drive, in pixels around its place.
const fn outlines(kind: DriveKind) -> &'static [&'static [(i32, i32)]] {
    match kind {
        DriveKind::SwitchedResistors => &[&[(-4, -4), (4, -4), (4, 4), (-4, 4), (-4, -4)]],
        DriveKind::SourceToNegative => &[&[(-4, 4), (0, -4), (4, 4), (-4, 4)]],
        DriveKind::SourceToBothRails => &[&[(0, -5), (5, 0), (0, 5), (-5, 0), (0, -5)]],
        DriveKind::LogicSource => &[&[(-4, -4), (4, 4)], &[(-4, 4), (4, -4)]],
    }
}

/// The range of a positive figure with room around it, for a log axis.
fn range(values: impl Iterator<Item = f64>) -> [f64; 2] {
    let [low, high] = values
        .filter(|value| value.is_finite() && *value > 0.0)
        .fold([f64::INFINITY, 0.0], |[low, high], value| {
            [low.min(value), high.max(value)]
        });
    if low.is_finite() {
        [low / 1.3, high * 1.3]
    } else {
        [0.1, 10.0]
    }
}

fn draw(area: &Area<'_>, proposal: &Proposal, panel: &Panel) -> Drawn {
    // Beyond ten times what is wanted, nobody looks.
    let load = |one: &Rated| one.candidate.chassis.load_ohm();
    let near = |one: &&Rated| {
        let value = (panel.of)(one);
        let alike = (load(one) / load(proposal.best()) - 1.0).abs() < 0.2;
        alike && value.is_finite() && value <= 10.0 * panel.wanted
    };
    let shown: Vec<&Rated> = proposal.ranking.iter().filter(near).collect();
    let most = proposal.sheet.wanted.current_max_ma;
    let across = range(shown.iter().map(|one| one.current_a * 1e3).chain([most]));
    let up = range(
        shown
            .iter()
            .map(|one| (panel.of)(one))
            .chain([panel.wanted]),
    );
    let mut chart = ChartBuilder::on(area)
        .caption(panel.title, text(15))
        .x_label_area_size(44)
        .y_label_area_size(84)
        .margin_right(24)
        .build_cartesian_2d(
            (across[0]..across[1]).log_scale(),
            (up[0]..up[1]).log_scale(),
        )?;
    chart
        .configure_mesh()
        .bold_line_style(GRID)
        .light_line_style(TRANSPARENT)
        .axis_style(INK)
        .label_style(text(14))
        .x_desc("most current into the chassis")
        .x_label_formatter(&|milli| si(milli * 1e-3, "A"))
        .y_label_formatter(&|value| format!("{value:.2} {}", panel.unit))
        .draw()?;
    for line in [
        [(across[0], panel.wanted), (across[1], panel.wanted)],
        [(most, up[0]), (most, up[1])],
    ] {
        chart.draw_series(LineSeries::new(line, PALE.stroke_width(4)))?;
    }
    let marks = chart.plotting_area();
    for one in shown.iter().rev() {
        let at = (one.current_a * 1e3, (panel.of)(one));
        for outline in outlines(one.candidate.drive.kind) {
            let mark = PathElement::new(outline.to_vec(), DEEP_BLUE.stroke_width(1));
            marks.draw(&(EmptyElement::at(at) + mark))?;
        }
        if one.works() {
            marks.draw(&Circle::new(at, 3, DEEP_BLUE.filled()))?;
        }
    }
    let best = proposal.best();
    let at = (best.current_a * 1e3, (panel.of)(best));
    marks.draw(&Circle::new(at, 10, INK.stroke_width(2)))?;
    Ok(())
}
