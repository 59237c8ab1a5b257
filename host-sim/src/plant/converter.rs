//! Volts at the terminals to converter codes: the inverse of what a channel
//! declares, with the errors of the real parts, rounded to the nearest code
//! and held at the end codes.

use ohmsplit::config::Channel;

use super::parts::ChannelOffBy;

/// One measuring channel as built.
#[derive(Debug, Clone, Copy)]
pub(super) struct Converter {
    codes_per_volt: f64,
    code_at_zero: f64,
    lowest: f64,
    span: f64,
    lowest_code: i64,
}

impl Converter {
    pub(super) fn new(channel: &Channel, off_by: ChannelOffBy) -> Self {
        let codes = 2f64.powi(i32::from(channel.bits));
        let per_volt = codes / channel.span.get().to_num::<f64>();
        let offset = off_by.offset - channel.offset.get().to_num::<f64>();
        // Codes are two's complement when the channel allows negative ones.
        let lowest = if channel.lowest < 0 {
            -codes / 2.0
        } else {
            0.0
        };
        Self {
            codes_per_volt: per_volt * (1.0 + off_by.gain),
            code_at_zero: f64::from(channel.zero_code) + offset * per_volt,
            lowest,
            span: codes - 1.0,
            lowest_code: lowest as i64,
        }
    }

    /// The code that the converter gives for a voltage at the terminals.
    pub(super) fn code(&self, volts: f64) -> i32 {
        let exact = volts * self.codes_per_volt + self.code_at_zero;
        let above = (exact - self.lowest).clamp(0.0, self.span);
        // Not negative, so that cutting after adding one half rounds to nearest.
        ((above + 0.5) as i64 + self.lowest_code) as i32
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmsplit::config::Divider;
    use ohmsplit::units::{Ohms, Volts};

    fn sixteen_bits() -> Channel {
        Channel::bipolar(16, Volts::from_int(20))
            .behind(Divider {
                top: Ohms::from_int(9_900_000),
                bottom: Ohms::from_int(100_000),
            })
            .expect("bottom resistor")
    }

    #[test]
    fn nearest_code_of_a_bipolar_converter_behind_a_divider() {
        let converter = Converter::new(&sixteen_bits(), ChannelOffBy::default());
        // 2000 V over 65536 codes: 30.5 mV a code, zero at 32768.
        let step = 2000.0 / 65536.0;
        assert_eq!(converter.code(0.0), 32768);
        assert_eq!(converter.code(100.4 * step), 32868);
        assert_eq!(converter.code(100.6 * step), 32869);
        assert_eq!(converter.code(-100.6 * step), 32667);
    }

    #[test]
    fn held_at_the_end_codes() {
        let converter = Converter::new(&sixteen_bits(), ChannelOffBy::default());
        assert_eq!(converter.code(5000.0), 65535);
        assert_eq!(converter.code(-5000.0), 0);
        let microvolts = Channel {
            bits: 32,
            zero_code: 0,
            span: Volts::new(fixed::types::I32F32::from_bits(18_446_744_073_709)),
            lowest: i32::MIN,
            highest: i32::MAX,
            ..sixteen_bits()
        };
        let converter = Converter::new(&microvolts, ChannelOffBy::default());
        assert_eq!(converter.code(3000.0), i32::MAX);
        assert_eq!(converter.code(-3000.0), i32::MIN);
        assert_eq!(converter.code(-1.25), -1_250_000);
    }

    #[test]
    fn gain_and_offset_errors_enlarge_the_reading_and_calibration_undoes_the_declared() {
        let mut channel = sixteen_bits();
        channel.offset = Volts::from_int(-3);
        let off_by = ChannelOffBy {
            gain: 0.01,
            offset: 2.0,
        };
        let code = f64::from(Converter::new(&channel, off_by).code(400.0));
        // What the declared channel makes of that code.
        let reading = (code - 32768.0) * 2000.0 / 65536.0 - 3.0;
        assert!((reading - 406.0).abs() < 0.016, "{reading}");
    }
}
