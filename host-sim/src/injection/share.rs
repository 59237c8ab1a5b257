//! A share with its interval.

/// Quantile of the standard normal distribution for 95 %, two-sided.
const Z: f64 = 1.959_964;

/// The 95 % interval of a binomial share: E. B. Wilson, Probable inference, the
/// law of succession, and statistical inference, J. Am. Stat. Assoc. 22 (1927)
/// 209. None of nothing.
pub(super) fn wilson(hits: usize, all: usize) -> Option<[f64; 2]> {
    let (k, n) = (hits as f64, all as f64);
    let p = k / n;
    let centre = (p + Z * Z / (2.0 * n)) / (1.0 + Z * Z / n);
    let half = Z / (1.0 + Z * Z / n) * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
    (all > 0).then(|| [(centre - half).max(0.0), (centre + half).min(1.0)])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R. G. Newcombe, Two-sided confidence intervals for the single proportion,
    /// Statistics in Medicine 17 (1998) 857, table I, method 3 (from memory, not verified).
    #[test]
    fn intervals_are_those_of_the_literature() {
        for (hits, all, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let [l, h] = wilson(hits, all).expect("an interval");
            assert!(
                (l - low).abs() < 6e-5 && (h - high).abs() < 6e-5,
                "{hits} of {all}: {l} {h}"
            );
        }
        assert_eq!(wilson(0, 0), None);
    }

    /// The defining property: at either end, the share lies Z standard deviations of that end away.
    #[test]
    fn the_ends_solve_the_score_equation() {
        for (hits, all) in [(3usize, 10usize), (384, 390), (1, 1000)] {
            let p = hits as f64 / all as f64;
            for end in wilson(hits, all).expect("an interval") {
                let score = (p - end).abs() / (end * (1.0 - end) / all as f64).sqrt();
                assert!((score - Z).abs() < 1e-9, "{hits} of {all}: {score}");
            }
        }
    }
}
