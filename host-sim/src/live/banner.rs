//! Words in letters three rows high, drawn for this view.

/// Columns of a letter with the gap after it.
const ADVANCE: usize = 6;

/// Five rows of five dots, the leftmost dot in the highest of five bits; two
/// rows of dots make one row of text.
const fn dots(letter: char) -> [u8; 6] {
    match letter {
        'A' => [0x0e, 0x11, 0x1f, 0x11, 0x11, 0],
        'D' => [0x1e, 0x11, 0x11, 0x11, 0x1e, 0],
        'E' => [0x1f, 0x10, 0x1e, 0x10, 0x1f, 0],
        'G' => [0x0f, 0x10, 0x13, 0x11, 0x0f, 0],
        'H' => [0x11, 0x11, 0x1f, 0x11, 0x11, 0],
        'I' => [0x1f, 0x04, 0x04, 0x04, 0x1f, 0],
        'L' => [0x10, 0x10, 0x10, 0x10, 0x1f, 0],
        'M' => [0x11, 0x1b, 0x15, 0x11, 0x11, 0],
        'N' => [0x11, 0x19, 0x15, 0x13, 0x11, 0],
        'R' => [0x1e, 0x11, 0x1e, 0x12, 0x11, 0],
        'T' => [0x1f, 0x04, 0x04, 0x04, 0x04, 0],
        'U' => [0x11, 0x11, 0x11, 0x11, 0x0e, 0],
        'W' => [0x11, 0x11, 0x15, 0x1b, 0x11, 0],
        'Y' => [0x11, 0x0a, 0x04, 0x04, 0x04, 0],
        _ => [0; 6],
    }
}

/// A word in capitals as three rows, or none when it is wider than `width`.
pub(super) fn banner(word: &str, width: usize) -> Option<[String; 3]> {
    if word.len() * ADVANCE > width {
        return None;
    }
    Some([0, 1, 2].map(|row| {
        let mut text = String::new();
        for letter in word.chars() {
            let letter = dots(letter);
            let (upper, lower) = (letter[2 * row], letter[2 * row + 1]);
            for bit in (0..5).rev() {
                text.push(match (upper >> bit & 1, lower >> bit & 1) {
                    (0, 0) => ' ',
                    (1, 0) => '▀',
                    (0, _) => '▄',
                    _ => '█',
                });
            }
            text.push(' ');
        }
        text
    }))
}

#[cfg(test)]
mod tests {
    use ohmsplit::{Reason, Verdict};

    use super::*;
    use crate::output::verdict_word;

    #[test]
    fn every_verdict_fits_eighty_columns_and_has_all_its_letters() {
        for verdict in [
            Verdict::Healthy,
            Verdict::Warning,
            Verdict::Alarm,
            Verdict::Undetermined(Reason::NotSettled),
        ] {
            let word = verdict_word(verdict).to_uppercase();
            assert!(word.chars().all(|letter| dots(letter) != [0; 6]), "{word}");
            let rows = banner(&word, 78).expect("wide enough");
            assert!(rows.iter().all(|row| row.chars().count() == 6 * word.len()));
        }
        assert_eq!(banner("UNDETERMINED", 60), None);
    }

    #[test]
    fn letters_look_as_drawn() {
        let rows = banner("HI", 80).expect("wide enough");
        assert_eq!(rows, ["█   █ ▀▀█▀▀ ", "█▀▀▀█   █   ", "▀   ▀ ▀▀▀▀▀ "]);
    }
}
