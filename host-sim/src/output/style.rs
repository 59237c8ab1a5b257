//! What pictures drawn with plotters share: colours and text.

use std::error::Error;

use plotters::coord::Shift;
use plotters::prelude::*;

pub(crate) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
pub(crate) type Drawn = Result<(), Box<dyn Error>>;

/// Dark, medium and light, so that they differ without colour too.
pub(crate) const INK: RGBColor = RGBColor(20, 24, 32);
pub(crate) const DEEP_BLUE: RGBColor = RGBColor(16, 62, 120);
pub(crate) const PALE: RGBColor = RGBColor(188, 204, 196);
pub(crate) const GRID: RGBColor = RGBColor(226, 228, 232);

pub(crate) fn text(size: u32) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&INK)
}
