//! The panels of waveform and position.

use plotters::prelude::*;

use super::style::{
    Area, DEEP_BLUE, Drawn, Key, OCHRE, builder, marker_size, mesh, steps, with_keys,
};
use super::{Point, TruePoint};
use crate::output::trace::{Bin, Trace};

/// v and Vb over time.
pub(super) fn waveform(area: &Area<'_>, trace: &Trace) -> Drawn {
    let body = with_keys(
        area,
        &[
            (Key::Line(DEEP_BLUE, 1), "chassis to negative rail, v"),
            (Key::Line(OCHRE, 2), "pack, Vb"),
        ],
    )?;
    let [low, high] = trace.range_v();
    let room = (high - low) * 0.06;
    let [start, end] = trace.span_s();
    let mut chart = builder(&body).build_cartesian_2d(start..end, low - room..high + room)?;
    mesh(&mut chart, "voltage", &|volts| format!("{volts} V"))?;
    for stretch in trace.stretches() {
        // Each bin from its lowest to its highest value.
        let band = |pick: fn(&Bin) -> [f64; 2]| {
            stretch.iter().flat_map(move |bin| {
                let [low, high] = pick(bin);
                [(bin.middle_s(), low), (bin.middle_s(), high)]
            })
        };
        chart.draw_series(LineSeries::new(
            band(|bin| bin.pack_v),
            OCHRE.stroke_width(2),
        ))?;
        chart.draw_series(LineSeries::new(
            band(|bin| bin.chassis_v),
            DEEP_BLUE.stroke_width(1),
        ))?;
    }
    Ok(())
}

/// The position with its interval, and the truth.
pub(super) fn position(
    area: &Area<'_>,
    [start, end]: [f64; 2],
    points: &[Point],
    truth: &[TruePoint],
) -> Drawn {
    let body = with_keys(
        area,
        &[(Key::Round(DEEP_BLUE), "position x of the leak in the stack")],
    )?;
    let mut chart = builder(&body).build_cartesian_2d(start..end, -0.05..1.05)?;
    mesh(&mut chart, "position", &|x| match *x {
        0.0 => "negative rail 0".to_owned(),
        1.0 => "positive rail 1".to_owned(),
        x => format!("{x:.1}"),
    })?;
    let known: Vec<(f64, f64)> = truth
        .iter()
        .map(|point| (point.from_s, point.position.unwrap_or(f64::INFINITY)))
        .collect();
    steps(&mut chart, &known, end, [0.0, 1.0])?;
    for point in points {
        let Ok(Some([x, u])) = point.answer.map(|figures| figures.position) else {
            continue;
        };
        let (low, high) = ((x - 2.0 * u).max(-0.05), (x + 2.0 * u).min(1.05));
        let bar = [(point.time_s, low), (point.time_s, high)];
        chart.draw_series([PathElement::new(bar, DEEP_BLUE.stroke_width(1))])?;
        let size = marker_size(points.len());
        chart.draw_series([Circle::new(
            (point.time_s, x),
            size,
            DEEP_BLUE.stroke_width(2),
        )])?;
    }
    Ok(())
}
