//! Each of the three proofs at its edge, and what the dwell before leaves in doubt.

use super::fit_tests::{Data, record, run};
use super::tests::{config, course, dwell, judge, step_u};
use super::{Lead, Reason};
use crate::config::Drive;
use crate::num::ONE;

/// Seen: the best slow fit is worse by 16 variances of the noise. Without the dwell before nothing else proves it.
#[test]
fn a_transient_is_seen_at_four_standard_deviations() {
    let config = config(24, 5);
    let (sigma, mut seen, mut unseen) = (0.01, 0, 0);
    for seed in 0..400 {
        let amplitude = 0.02 + 0.0003 * seed as f64;
        let data = course(20, |i| 150.0 - amplitude * (-i / 2.0).exp(), sigma, seed);
        let fitted = run(&data, 1e-3);
        let noise = fitted.noise as f64;
        let due = fitted
            .slow_excess
            .is_some_and(|excess| excess as f64 >= 16.0 * noise * noise);
        let told = judge(&config, &dwell(&data, sigma), None);
        assert_eq!(told.is_ok(), due, "{seed}");
        if due {
            seen += 1;
        } else {
            unseen += 1;
        }
    }
    assert!(seen > 100 && unseen > 20, "{seen} {unseen}");
}

/// The dwell before, whose last slots are so far apart, ended at so many volts and at this Vb.
fn lead(v: f64, apart: f64, pack: f64) -> Option<Lead> {
    let mut data: Data = std::vec![Some([v - apart, pack]); 11];
    data.push(Some([v, pack]));
    let mut before = record(&data);
    before.drive = Drive::Lower;
    Lead::after(&before)
}

/// A jump of six steps proves it; what v still moved before the switch, and what Vb did across it, is not of it.
#[test]
fn what_moved_before_and_with_the_pack_is_no_jump() {
    let (step, data) = (step_u(16), course(20, |_| 100.0, 0.0, 1));
    let settled = |jump: f64, apart: f64, pack: f64| {
        let lead = lead(100.0 - jump * step, apart * step, 400.0 + pack * step);
        judge(&config(16, 900), &dwell(&data, 0.0), lead).is_ok()
    };
    for sign in [1.0, -1.0] {
        assert!(settled(sign * 6.3, 0.0, 0.0) && !settled(sign * 5.7, 0.0, 0.0));
        for other in [1.0, -1.0] {
            assert!(
                !settled(sign * 8.7, other * 3.0, 0.0) && settled(sign * 9.3, other * 3.0, 0.0)
            );
            assert!(
                !settled(sign * 9.7, 0.0, other * 4.0) && settled(sign * 10.3, 0.0, other * 4.0)
            );
        }
    }
}

#[test]
fn a_dwell_without_its_last_two_slots_leads_nowhere() {
    let whole: Data = std::vec![Some([100.0, 400.0]); 12];
    assert!(Lead::after(&record(&whole)).is_some());
    let mut gap = whole;
    gap[10] = None;
    assert!(Lead::after(&record(&gap)).is_none());
    assert!(Lead::after(&record(&std::vec![Some([100.0, 400.0]); 1])).is_none());
}

/// A movement that stands out of the noise and is best described as slow is slow, whatever else speaks for it.
#[test]
fn a_slow_movement_is_slow_whatever_jumped() {
    let config = config(24, 1);
    let slow = |size: f64| {
        let data = course(20, |i| 150.0 - size * (-i / 20.0).exp(), 0.001, 3);
        judge(&config, &dwell(&data, 0.001), lead(20.0, 0.0, 400.0)).err()
    };
    assert_eq!(slow(0.1), Some(Reason::NotSettled));
    assert_eq!(slow(0.0), None);
}

/// The residuals of a dozen slots may show half of the noise by chance: a movement by four times what they show is slow
/// where samples scatter no more, and noise where these scatter by twice as much. What scatters by more than that is
/// hum, which the means of slots are free of.
#[test]
fn what_is_slow_stands_out_of_the_noise_of_the_samples() {
    let config = config(24, 1);
    let data = |slope: f64| course(12, |i| 150.0 + slope * i, 0.01, 3);
    let shown = run(&data(0.0), 1e-3).noise as f64 / ONE as f64;
    let least = |scatter: f64| {
        let slow = |slope: f64| {
            let dwell = dwell(&data(slope), scatter * shown);
            judge(&config, &dwell, lead(20.0, 0.0, 400.0)).err() == Some(Reason::NotSettled)
        };
        (1..200)
            .map(|k| f64::from(k) * 5e-4)
            .find(|&slope| slow(slope))
    };
    let [alike, twice, more] = [1.0, 2.0, 5.0].map(|scatter| least(scatter).expect("slow"));
    assert!((twice / alike - 2.0).abs() < 0.5, "{alike} {twice}");
    assert_eq!(twice, more);
}
