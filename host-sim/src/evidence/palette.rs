//! The colours of the report, for light and for dark screens. Paper is light.

use std::fmt::Write as _;

/// A colour by its use: light, dark.
pub(super) const COLOURS: [(&str, &str, &str); 15] = [
    ("paper", "#fbfaf6", "#12161c"),
    ("panel", "#f1eee6", "#1b212a"),
    ("ink", "#14181f", "#e9ebef"),
    ("muted", "#474f5c", "#b0b8c4"),
    ("line", "#c4c7cc", "#3a4350"),
    ("strong", "#737b88", "#7c8796"),
    ("blue", "#103e78", "#9cc2f2"),
    ("ochre", "#8a4600", "#efab5e"),
    ("truth", "#bccfc6", "#3b5a50"),
    ("hatch", "#b08a8e", "#8a5a60"),
    ("healthy", "#d6e6f0", "#d6e6f0"),
    ("warning", "#eaa743", "#eaa743"),
    ("alarm", "#6e141e", "#8c1d29"),
    ("badge", "#14181f", "#14181f"),
    ("onalarm", "#ffffff", "#ffffff"),
];

/// The colours as custom properties of CSS.
pub(super) fn css() -> String {
    let block = |pick: fn(&(&str, &str, &str)) -> String| {
        COLOURS.iter().fold(String::new(), |mut text, colour| {
            // Writing to a string cannot fail.
            let _ = write!(text, "--{}:{};", colour.0, pick(colour));
            text
        })
    };
    let light = block(|colour| colour.1.to_owned());
    let dark = block(|colour| colour.2.to_owned());
    format!(
        ":root{{color-scheme:light dark;{light}}}\n\
         @media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    )
}

/// A style sheet for programs that know no custom properties: the light colours in their place.
pub(super) fn in_place(style: &str) -> String {
    COLOURS.iter().fold(style.to_owned(), |text, colour| {
        text.replace(&format!("var(--{})", colour.0), colour.1)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(hex: &str) -> f64 {
        let value = f64::from(u8::from_str_radix(hex, 16).expect("hexadecimal")) / 255.0;
        if value <= 0.04045 {
            value / 12.92
        } else {
            ((value + 0.055) / 1.055).powf(2.4)
        }
    }

    /// Relative luminance and contrast ratio of WCAG 2.1 (definitions of
    /// "relative luminance" and "contrast ratio"; from memory, not verified).
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |colour: &str| {
            0.2126 * channel(&colour[1..3])
                + 0.7152 * channel(&colour[3..5])
                + 0.0722 * channel(&colour[5..7])
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    fn pair(foreground: &str, ground: &str) -> [f64; 2] {
        let find = |name: &str| {
            let found = COLOURS.iter().find(|colour| colour.0 == name);
            *found.expect(name)
        };
        let (one, two) = (find(foreground), find(ground));
        [contrast(one.1, two.1), contrast(one.2, two.2)]
    }

    #[test]
    fn the_ends_of_the_contrast_scale_are_those_of_the_definition() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!((contrast("#777777", "#ffffff") - 4.48).abs() < 0.01);
    }

    #[test]
    fn text_has_the_contrast_of_level_aa_in_both_schemes() {
        // WCAG 2.1, 1.4.3: 4.5 for text; 1.4.11: 3 for what is not text.
        for ground in ["paper", "panel"] {
            for text in ["ink", "muted", "blue", "ochre"] {
                let found = pair(text, ground);
                assert!(
                    found.iter().all(|ratio| *ratio >= 4.5),
                    "{text} on {ground}: {found:?}"
                );
            }
            let lines = pair("strong", ground);
            assert!(
                lines.iter().all(|ratio| *ratio >= 3.0),
                "{ground}: {lines:?}"
            );
        }
        // What lies over the broad line of truth must be seen on it.
        for mark in ["blue", "ochre", "ink"] {
            let found = pair(mark, "truth");
            assert!(found.iter().all(|ratio| *ratio >= 3.0), "{mark}: {found:?}");
        }
        for (text, ground) in [
            ("badge", "healthy"),
            ("badge", "warning"),
            ("onalarm", "alarm"),
        ] {
            let found = pair(text, ground);
            assert!(
                found.iter().all(|ratio| *ratio >= 4.5),
                "{text} on {ground}: {found:?}"
            );
        }
    }
}
