//! What a record tells of C.

use super::converged_tests::{
    FREEDOM, NOISE, OWN, bits, converged, near, scaled, student, tally, theta, told, told_of,
};
use super::covariance::Covariance;
use super::fit::Converged;
use super::normal::System;
use super::plant::real;
use super::scaled::Scaled;
use super::search::MOST_CAPACITANCE;
use super::theta::{CAPACITANCE, PARAMETERS, START, TOTAL, Theta};

/// That of the hand-made equations, with such a C, µF.
fn theta_of(capacitance: f64) -> Theta {
    Theta {
        capacitance: bits(capacitance),
        ..theta(OWN)
    }
}

/// A fit at the most C that is looked for is one only where v settles within a block of 20 ms even so and G is told to a
/// factor of e²: any C will do then. One at half of the most G and more that is told no better says nothing but that.
#[test]
fn a_fit_at_the_most_capacitance_is_none_unless_c_does_not_matter() {
    let with = |total: f64, capacitance: i64, pack_u: f64, total_u: f64| {
        let mut system = System::NONE;
        for row in 0..PARAMETERS {
            // C is not told.
            system.set(row, row, scaled(NOISE));
        }
        // Its variance is the noise times Student's.
        let information = NOISE * student() / total_u.powi(2);
        system.set(TOTAL, TOTAL, scaled(information));
        system.set(7, 7, scaled(NOISE * FREEDOM as f64));
        let mut converged = converged();
        converged.covariance = Covariance::new(&system, FREEDOM);
        converged
            .covariance
            .add_capacitance(&mut system, Scaled::ZERO);
        converged.pack_u = scaled(pack_u);
        let theta = Theta {
            total: bits(total),
            capacitance,
            ..theta(OWN)
        };
        told_of(&converged, &theta, [0.0; 2]).is_some()
    };
    let at_most = |total, pack_u, total_u| with(total, MOST_CAPACITANCE, pack_u, total_u);
    assert!(at_most(20_100.0, 0.1, 1.0));
    assert!(!at_most(19_900.0, 0.1, 1.0) && !at_most(10.0, 0.1, 1.0));
    assert!(at_most(20_100.0, 0.1, 1.9) && !at_most(20_100.0, 0.1, 2.1));
    // A pack that moves passes for a short.
    assert!(!at_most(20_100.0, 0.0, 1.0));
    for (total_u, told) in [(1.9, true), (2.1, false)] {
        assert_eq!(with(30_000.0, bits(2.0), 0.0, total_u), told);
        assert!(with(29_900.0, bits(2.0), 0.0, total_u));
    }
}

/// What is known of G + gr by a C that is held is none of its own, or of nobody's.
#[test]
fn what_a_held_c_tells_of_g_is_let_go() {
    let information = 900.0;
    for (by, left) in [
        (0.0, 900.0),
        (675.0, 225.0),
        (1000.0, 900.0 / 2f64.powi(18)),
    ] {
        let mut system = System::NONE;
        for row in 0..PARAMETERS {
            system.set(row, row, Scaled::ONE);
        }
        system.set(TOTAL, TOTAL, scaled(information));
        let mut covariance = Covariance::new(&system, FREEDOM);
        covariance.let_go(scaled(by));
        near(real(covariance.total.bits()), 1.0 / left);
    }
}

/// A short that is told by nothing but that v stays where it is may be a large C before the drive has changed twice.
#[test]
fn a_short_that_is_hardly_told_wants_a_second_drive_change() {
    for (span, total_u, capacitance, told) in [
        (1.2, 2.1, 0.1, false),
        (1.3, 2.1, 0.1, true),
        (1.2, 1.9, 0.1, true),
        (1.2, 2.1, 0.12, true),
    ] {
        let mut converged = converged();
        converged.covariance.total = scaled(total_u * total_u / student() / NOISE);
        converged.span = bits(span);
        converged.blocks = (span / 0.02) as i64;
        let fit = told_of(&converged, &theta_of(capacitance), [0.0; 2]);
        assert_eq!(fit.is_some(), told, "{span} {total_u} {capacitance}");
    }
}

/// Nor is C of a slow circuit told where G + gr is not, to a factor of e².
#[test]
fn a_slow_circuit_tells_c_with_g() {
    for (total_u, capacitance, told) in [(1.99, 2.0, true), (2.01, 2.0, false), (2.01, 0.1, true)] {
        let mut converged = converged();
        converged.covariance.total = scaled(total_u * total_u / student() / NOISE);
        let fit = told_of(&converged, &theta_of(capacitance), [0.0; 2]).expect("a fit");
        assert_eq!(fit.capacitance.is_some(), told, "{total_u} {capacitance}");
    }
}

/// C is known where the record tells it to a quarter, whatever else may be in doubt.
#[test]
fn the_record_alone_decides_whether_c_is_known() {
    let with = |information: f64, slip: f64| {
        let mut converged = converged();
        let mut system = System::NONE;
        for row in 0..PARAMETERS {
            system.set(row, row, scaled(information));
        }
        converged
            .covariance
            .add_capacitance(&mut system, Scaled::ZERO);
        converged.slips.capacitance = scaled(slip);
        told(&converged).capacitance.map(|c| real(c.u.to_bits()))
    };
    let edge = 16.0 * NOISE * student();
    assert_eq!(with(0.99 * edge, 0.0), None);
    near(with(1.01 * edge, 0.0).expect("C"), 0.5 / 1.01f64.sqrt());
    near(with(1e6 * edge, 4.0).expect("C"), 4.0);
}

/// C of a circuit that settles within a block, of 20 ms here, is told by the block after a drive change alone; and not at
/// less than twice the 50 µs that the search holds it to, 0.275 nF.
#[test]
fn without_an_onset_a_fast_circuit_tells_no_capacitance() {
    for (onset, capacitance, told) in [
        (true, 0.1, true),
        (false, 0.1, false),
        (true, 0.12, true),
        (false, 0.12, true),
        (true, 0.000275, false),
        (true, 0.00054, false),
        (true, 0.00056, true),
    ] {
        let converged = Converged {
            onset,
            ..converged()
        };
        let fit = told_of(&converged, &theta_of(capacitance), [0.0; 2]).expect("a fit");
        assert_eq!(fit.capacitance.is_some(), told, "{onset} {capacitance}");
    }
}

/// Samples are 1 ms apart, eight time constants of 0.125 ms: the first shows e^-8 of the step by five of its standard
/// uncertainties where C is known to a fifth of an eighth. What settles in more than a block needs no such thing.
#[test]
fn between_two_samples_c_is_told_where_the_first_shows_it() {
    for (tau_ms, edge) in [(0.125, 0.2 / 8.0), (1.0, 0.2), (2.0, 0.4), (25.0, 1e3)] {
        for (u, told) in [(0.97 * edge, true), (1.03 * edge, edge > 1.0)] {
            let mut converged = converged();
            converged.slips.capacitance = scaled(u * u);
            let fit = told_of(&converged, &theta_of(tau_ms * 5.5e-3), [0.0; 2]).expect("a fit");
            assert_eq!(fit.capacitance.is_some(), told, "{tau_ms} {u}");
        }
    }
}

/// The first block shows v at the start and C in one: what is believed of the former tells nothing of the latter.
#[test]
fn the_block_at_the_start_tells_no_c_by_what_is_believed_of_v() {
    // Information of ln C by that block and by all others, of v, and what both have in common.
    let (first, others, start) = (400.0, 0.5, 1e-4f64);
    let common = (first * start).sqrt();
    for held in [0.0, 3e-4, 1.0] {
        let mut system = System::NONE;
        for row in 0..PARAMETERS {
            system.set(row, row, Scaled::ONE);
        }
        system.set(CAPACITANCE, CAPACITANCE, scaled(first + others));
        system.set(CAPACITANCE, START, scaled(common));
        system.set(START, START, scaled(start).plus(scaled(held)));
        system.set(7, 7, scaled(NOISE * FREEDOM as f64));
        let before = system.clone();
        let mut covariance = Covariance::new(&system, FREEDOM);
        covariance.add_capacitance(&mut system, scaled(held));
        let converged = Converged {
            covariance,
            ..converged()
        };
        // The least that rounding leaves is a 2⁻¹⁸ of what was known of v.
        let untold = start + (start + held) / 2f64.powi(18);
        let due = (NOISE * student() / (first + others - common * common / untold)).sqrt();
        let c = told(&converged).capacitance.expect("C");
        let told = real(c.u.to_bits()) / real(c.value.to_bits());
        assert!(
            (told / due - 1.0).abs() < 0.01,
            "{held}: {told} is not {due}"
        );
        assert_eq!(system.at(START, START), before.at(START, START));
    }
}

/// Hum of nine tenths of the noise, and 16 dwells: in C of a circuit that settles within a block, of 20 ms here, it counts
/// 16 times.
#[test]
fn a_wave_is_alike_in_the_blocks_after_drive_changes() {
    let wave = |count, capacitance: f64| {
        let converged = Converged {
            fives: tally(0.1 * NOISE, count),
            ..converged()
        };
        let c = told_of(&converged, &theta_of(capacitance), [0.0; 2])
            .expect("a fit")
            .capacitance;
        let c = c.expect("C");
        real(c.u.to_bits()) / real(c.value.to_bits())
    };
    let few = wave(3, 0.1);
    near(few, wave(3, 0.12));
    let residue = (wave(4, 0.12) / few).powi(2) - 1.0;
    near(
        wave(4, 0.1),
        few * (1.0 + 16.0 * 0.9 / student() + residue).sqrt(),
    );
}

/// So does in any circuit what rows vary by beyond what samples scatter, from three standard deviations of 57 rows on:
/// samples that scatter by 0.64 of the noise variance leave it to chance.
#[test]
fn a_wave_that_samples_do_not_show_counts_in_any_circuit() {
    let relative = |scatter: f64, capacitance: f64| {
        let converged = Converged {
            fives: tally(NOISE, 4),
            scatter: scaled(scatter * NOISE),
            hum: Scaled::ZERO,
            ..converged()
        };
        let fit = told_of(&converged, &theta_of(capacitance), [0.0; 2]).expect("a fit");
        let c = fit.capacitance.expect("C");
        real(c.u.to_bits()) / real(c.value.to_bits())
    };
    let usual = relative(0.645, 0.12);
    near(relative(1.0, 0.12), usual);
    for capacitance in [0.1, 0.12, 1.0] {
        let wave = 16.0 * (1.0 - 0.635) / student();
        near(relative(0.635, capacitance), usual * (1.0 + wave).sqrt());
    }
}
