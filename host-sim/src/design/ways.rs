//! What would work when no proposal does all that is wanted.

use rayon::prelude::*;

use super::candidate::Candidate;
use super::rank::{Rated, WANTED};
use super::sheet::Sheet;

/// One of these proposals does all that is wanted.
fn possible(sheet: &Sheet, candidates: &[Candidate]) -> bool {
    candidates.into_par_iter().any(|candidate| {
        Rated::but_time(sheet, *candidate)
            .filter(Rated::works)
            .is_some_and(|mut rated| {
                rated.time(sheet, sheet.wanted.answer_within_s);
                rated.works()
            })
    })
}

/// By how much a field is relaxed when that changes the whole calculation.
const RELAXED: [f64; 9] = [1.25, 1.5, 2.0, 3.0, 5.0, 10.0, 30.0, 100.0, 300.0];

/// Changes of the sheet, each enough for a design to be possible, as they are
/// written there.
#[must_use]
pub(super) fn ways_out(sheet: &Sheet, rated: &[Rated]) -> Vec<String> {
    let mut ways = at_once(sheet, rated);
    ways.extend(by_trying(sheet, rated));
    if ways.is_empty() {
        // A smaller drive resistance asks for both.
        let most = |one: &&Rated| one.uses[2].max(one.uses[3]);
        let pair = rated.iter().filter(|one| meets_all(one, &[2, 3]));
        let best = pair.min_by(|a, b| most(a).total_cmp(&most(b)));
        ways.extend(best.map(|one| {
            let [more, less] = [2, 3].map(|n| one.uses[n].max(1.0));
            format!(
                "{} together with {}",
                current(sheet, more),
                burden(sheet, less)
            )
        }));
    }
    ways
}

/// All requirements but these are met.
fn meets_all(one: &Rated, but: &[usize]) -> bool {
    (0..WANTED.len()).all(|n| but.contains(&n) || one.uses[n] <= 1.0)
}

fn current(sheet: &Sheet, used: f64) -> String {
    format!(
        "wanted.current_max_mA = {}",
        up(sheet.wanted.current_max_ma * used)
    )
}

fn burden(sheet: &Sheet, used: f64) -> String {
    format!(
        "wanted.burden_min_ohm_per_V = {}",
        (sheet.burden_min() / used).floor()
    )
}

/// Requirements that change nothing else: the proposals tell by how much they are missed.
fn at_once(sheet: &Sheet, rated: &[Rated]) -> Vec<String> {
    let alone = |n: usize| {
        let met = rated.iter().filter(|one| meets_all(one, &[n]));
        met.map(|one| one.uses[n]).min_by(f64::total_cmp)
    };
    let mut ways = Vec::new();
    ways.extend(alone(2).map(|used| current(sheet, used)));
    ways.extend(alone(3).map(|used| burden(sheet, used)));
    ways.extend(alone(4).map(|used| {
        let volts = down(sheet.wanted.swing_min_v / used);
        format!("wanted.swing_min_V = {volts}")
    }));
    ways
}

/// Fields that change the whole calculation.
fn by_trying(sheet: &Sheet, rated: &[Rated]) -> Vec<String> {
    // What fails by something else is not helped by more time or less accuracy.
    let but = |fields: &[usize]| -> Vec<Candidate> {
        let met = rated.iter().filter(|one| meets_all(one, fields));
        met.map(|one| one.candidate).collect()
    };
    let [slow, inaccurate] = [but(&[1]), but(&[0, 1])];
    let mut ways = Vec::new();
    ways.extend(relaxed(
        sheet,
        &slow,
        "wanted.answer_within_s",
        |sheet, by| {
            let field = &mut sheet.wanted.answer_within_s;
            *field = up(*field * by);
            *field
        },
    ));
    ways.extend(relaxed(
        sheet,
        &inaccurate,
        "wanted.accuracy_percent",
        |sheet, by| {
            let field = &mut sheet.wanted.accuracy_percent;
            *field = up(*field * by).min(50.0);
            *field
        },
    ));
    ways.extend(relaxed(
        sheet,
        &slow,
        "pack.capacitance_max_uF",
        |sheet, by| {
            let field = &mut sheet.pack.capacitance_max_uf;
            *field = down(*field / by);
            *field
        },
    ));
    ways
}

/// The first value of a field on the way to a milder one with which one of
/// these proposals does all that is wanted.
fn relaxed(
    sheet: &Sheet,
    candidates: &[Candidate],
    name: &str,
    relax: impl Fn(&mut Sheet, f64) -> f64,
) -> Option<String> {
    RELAXED.into_iter().find_map(|by| {
        let mut changed = sheet.clone();
        let value = relax(&mut changed, by);
        possible(&changed, candidates).then(|| format!("{name} = {value}"))
    })
}

/// Two significant digits, upwards.
fn up(value: f64) -> f64 {
    two_digits(value, |scaled| (scaled - 1e-9).ceil())
}

/// Two significant digits, downwards.
fn down(value: f64) -> f64 {
    two_digits(value, |scaled| (scaled + 1e-9).floor())
}

fn two_digits(value: f64, round: impl Fn(f64) -> f64) -> f64 {
    match value.log10().floor() as i32 - 1 {
        down if down < 0 => {
            let scale = 10f64.powi(-down);
            round(value * scale) / scale
        }
        up => {
            let scale = 10f64.powi(up);
            round(value / scale) * scale
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_digits_go_the_safe_way() {
        assert_eq!([up(0.1234), up(2.0), up(1510.0)], [0.13, 2.0, 1600.0]);
        assert_eq!([down(0.1299), down(2.0), down(1590.0)], [0.12, 2.0, 1500.0]);
    }
}
