//! A measuring channel and its input filter.

use super::chain::Chain;
use super::series::Series;
use super::sheet::Sheet;

/// Part of the converter's span that stays free at either end.
const HEADROOM: f64 = 0.05;

/// Where 0 V at the terminals may sit, as a power of two below full scale:
/// what a reference and a buffer give without odd values.
const ZEROS: [i32; 4] = [4, 3, 2, 1];

/// Corner of the input filter as a part of the sampling rate.
const CORNER: f64 = 0.2;

/// Limit of error of the filter's capacitor: common practice, no source.
pub const CAPACITOR_PERCENT: f64 = 5.0;

/// A measuring channel as built.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelChoice {
    /// From the terminal to the pin.
    pub top: Chain,
    /// From the pin to the reference terminal, in ohms.
    pub bottom_ohm: f64,
    /// Code at 0 V.
    pub zero_code: i32,
    /// Volts at the pin at 0 V.
    pub zero_v: f64,
}

impl ChannelChoice {
    /// The channel that shows `reach` with the largest swing at the pin, and
    /// its place of 0 V.
    pub(super) fn new(sheet: &Sheet, top: Chain, [low, high]: [f64; 2]) -> Option<Self> {
        let converter = &sheet.converter;
        let room = |zero: f64| {
            let up = (1.0 - HEADROOM - zero) / high;
            let down = if low < 0.0 {
                (zero - HEADROOM) / -low
            } else {
                f64::INFINITY
            };
            up.min(down)
        };
        let (part, ratio) = ZEROS
            .into_iter()
            .map(|power| (power, room(0.5f64.powi(power))))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let ratio = ratio * converter.full_scale_v;
        if ratio <= 0.0 {
            return None;
        }
        // A terminal that the pin could show directly still gets its divider.
        let ratio = ratio.min(0.5);
        let bottom = sheet
            .resistor
            .series
            .at_most(top.ohm() * ratio / (1.0 - ratio));
        Some(Self {
            top,
            bottom_ohm: bottom,
            zero_code: 1 << (i32::from(converter.bits) - part),
            zero_v: converter.full_scale_v * 0.5f64.powi(part),
        })
    }

    /// Volts at the terminals for one at the pin.
    #[must_use]
    pub fn scale(&self) -> f64 {
        (self.top.ohm() + self.bottom_ohm) / self.bottom_ohm
    }

    /// What the circuit sees, in ohms.
    #[must_use]
    pub fn load_ohm(&self) -> f64 {
        self.top.ohm() + self.bottom_ohm
    }

    /// Limit of error of the channel's gain, in percent: both resistors count
    /// with the part of the voltage that the other one carries.
    #[must_use]
    pub fn gain_percent(&self, sheet: &Sheet) -> f64 {
        let converter = &sheet.converter;
        converter.calibrated_gain_percent.unwrap_or_else(|| {
            let top = 1.0 - 1.0 / self.scale();
            converter.gain_tolerance_percent + 2.0 * top * sheet.resistor.tolerance_percent
        })
    }

    /// Limit of error of the offset, at the terminals: that of the pin, and
    /// what its leakage current makes of the top chain.
    #[must_use]
    pub fn offset_v(&self, sheet: &Sheet) -> f64 {
        let converter = &sheet.converter;
        converter.offset_tolerance_mv * 1e-3 * self.scale()
            + converter.input_leakage_na * 1e-9 * self.top.ohm()
    }

    /// Standard deviation of a reading at the terminals; q/√12 for rounding.
    #[must_use]
    pub fn noise_v(&self, sheet: &Sheet) -> f64 {
        let converter = &sheet.converter;
        let codes = (converter.noise_codes.powi(2) + 1.0 / 12.0).sqrt();
        let step = self.span_v(sheet) / 2f64.powi(i32::from(converter.bits));
        (codes * step).hypot(converter.noise_at_terminals_v)
    }

    /// Volts at the terminals that all codes span.
    #[must_use]
    pub fn span_v(&self, sheet: &Sheet) -> f64 {
        sheet.converter.full_scale_v * self.scale()
    }
}

/// The input filter: one capacitor from each pin to its reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filter {
    /// In farads, from E6.
    pub capacitor_f: f64,
    /// Its time constant with the divider, in seconds: the lag of a reading.
    pub lag_s: f64,
}

impl Filter {
    pub(super) fn new(sheet: &Sheet, channel: &ChannelChoice) -> Self {
        let source = channel.top.ohm() * channel.bottom_ohm / channel.load_ohm();
        let wanted =
            1.0 / (std::f64::consts::TAU * CORNER * sheet.converter.sample_rate_hz) / source;
        let capacitor_f = Series::E6.nearest(wanted * 1e12) * 1e-12;
        Self {
            capacitor_f,
            lag_s: capacitor_f * source,
        }
    }

    /// Limit of error of the lag, in seconds: of capacitor and divider, and two
    /// microseconds of converter and switches.
    #[must_use]
    pub fn lag_tolerance_s(&self, sheet: &Sheet) -> f64 {
        self.lag_s * (CAPACITOR_PERCENT + sheet.resistor.tolerance_percent) / 100.0 + 2e-6
    }

    /// Corner frequency in hertz.
    #[must_use]
    pub fn corner_hz(&self) -> f64 {
        1.0 / (std::f64::consts::TAU * self.lag_s)
    }
}
