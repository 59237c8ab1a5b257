//! Resistances and other numbers as people write them.

/// Ohms, with k, M or G behind the number where that is handy.
pub(crate) fn ohms(text: &str) -> Result<f64, String> {
    let (number, scale) = match text.char_indices().next_back() {
        Some((at, 'k')) => (&text[..at], 1e3),
        Some((at, 'M')) => (&text[..at], 1e6),
        Some((at, 'G')) => (&text[..at], 1e9),
        _ => (text, 1.0),
    };
    number
        .parse::<f64>()
        .map(|number| number * scale)
        .map_err(|_| "write ohms as in 200000, 200e3, 200k or 0.2M".to_owned())
}

/// A number, with a point.
pub(crate) fn number(text: &str) -> Result<f64, String> {
    text.parse()
        .map_err(|_| "write a number with a point and without a unit, as in 400.5".to_owned())
}

#[cfg(test)]
mod tests {
    use super::{number, ohms};

    #[test]
    fn a_number_has_a_point() {
        assert_eq!(number("400.5"), Ok(400.5));
        for text in ["400,5", "400 V", ""] {
            let told = number(text).expect_err(text);
            assert!(told.contains("with a point"), "{told}");
        }
    }

    #[test]
    fn ohms_take_a_prefix_and_nothing_that_could_mean_two_things() {
        for (text, ohm) in [
            ("200k", 200e3),
            ("0.2M", 200e3),
            ("200e3", 200e3),
            ("1G", 1e9),
        ] {
            assert_eq!(ohms(text), Ok(ohm), "{text}");
        }
        for text in ["200m", "200K", "k", "", "200 k", "200kohm", "4k7"] {
            assert!(ohms(text).is_err(), "{text}");
        }
    }
}
