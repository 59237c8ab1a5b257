use super::*;
use crate::Verdict;
use crate::test_reports::{estimate, report};
use proptest::prelude::*;

fn told(sections: &mut Sections, at_s: u32, bits: u8, estimate: Estimate) {
    sections.switched(Connected::from_bits(bits));
    sections.take(at_s, &report(at_s, Verdict::Healthy, Ok(estimate)));
}

fn number(g: Microsiemens) -> f64 {
    g.get().to_num::<f64>() * 1000.0
}

#[test]
fn a_leak_is_found_in_the_section_that_brings_it() {
    let mut sections = Sections::new(Connected::NONE, 600);
    told(&mut sections, 0, 0b00, estimate([100.0, 200.0], [2.0, 2.0]));
    told(
        &mut sections,
        10,
        0b01,
        estimate([110.0, 220.0], [2.0, 2.0]),
    );
    told(
        &mut sections,
        20,
        0b11,
        estimate([1010.0, 320.0], [9.0, 4.0]),
    );
    let battery = sections.battery().expect("measured alone");
    assert!((number(battery.conductance.value) - 300.0).abs() < 0.01);
    let second = sections.share(Connected::NONE.with(1)).expect("a share");
    assert!((number(second.conductance.value) - 1000.0).abs() < 0.01);
    let x = second.position.expect("a place");
    assert!((x.value.get().to_num::<f64>() - 0.9).abs() < 1e-6);
    let load = sections.share(Connected::from_bits(0b11)).expect("a share");
    assert!((number(load.conductance.value) - 1030.0).abs() < 0.01);
    assert_eq!(load.apart_s, 20);
    assert_eq!(
        sections.share(Connected::from_bits(0b100)),
        Err(Reason::NotYetMeasured)
    );
}

#[test]
fn no_difference_is_open_and_a_negative_one_a_contradiction() {
    let mut sections = Sections::new(Connected::NONE, 600);
    told(&mut sections, 0, 0, estimate([100.0, 200.0], [2.0; 2]));
    told(&mut sections, 5, 1, estimate([101.0, 199.0], [2.0; 2]));
    let share = sections.share(Connected::from_bits(1)).expect("a share");
    assert_eq!((share.kind, share.position), (Kind::Open, None));
    assert_eq!(share.isolation_interval.high, Ohms::MAX);
    told(&mut sections, 6, 1, estimate([50.0, 100.0], [2.0; 2]));
    assert_eq!(
        sections.share(Connected::from_bits(1)),
        Err(Reason::CircuitChanged)
    );
}

#[test]
fn a_short_is_bounded_and_hides_what_lies_behind_it() {
    let mut short = estimate([9e6, 1e6], [1.0; 2]);
    short.kind = Kind::Short;
    let mut sections = Sections::new(Connected::NONE, 600);
    told(&mut sections, 0, 0, estimate([100.0, 200.0], [2.0; 2]));
    told(&mut sections, 1, 1, short);
    let share = sections.share(Connected::from_bits(1)).expect("a share");
    assert_eq!(share.kind, Kind::Short);
    assert_eq!(share.isolation_interval.low, Ohms::of(Microsiemens::MAX));
    assert!(share.isolation_interval.high < Ohms::from_int(200));
    told(&mut sections, 2, 3, short);
    assert_eq!(
        sections.share(Connected::from_bits(2)),
        Err(Reason::TooUncertain)
    );
}

#[test]
fn what_was_measured_too_long_ago_is_not_compared_and_the_oldest_makes_room() {
    let mut sections = Sections::new(Connected::NONE, 60);
    told(&mut sections, 0, 0, estimate([1.0; 2], [0.1; 2]));
    told(&mut sections, 61, 1, estimate([2.0; 2], [0.1; 2]));
    assert_eq!(
        sections.share(Connected::from_bits(1)),
        Err(Reason::NotYetMeasured)
    );
    for (at_s, bits) in (62..).zip([2, 3, 4, 5, 6]) {
        told(&mut sections, at_s, bits, estimate([2.0; 2], [0.1; 2]));
    }
    assert_eq!(sections.battery(), Err(Reason::NotYetMeasured));
    assert!(sections.share(Connected::from_bits(4)).is_ok());
}

#[test]
fn a_set_of_sections_is_its_bits() {
    let both = Connected::NONE.with(0).with(7);
    assert_eq!((both.bits(), both.with(7)), (0b1000_0001, both));
    // There are eight.
    assert_eq!(both.with(8), both);
    assert_eq!(Connected::from_bits(0b1000_0001), both);
}

#[test]
fn the_battery_and_a_share_state_both_rails_and_their_95_percent() {
    let mut sections = Sections::new(Connected::NONE, 600);
    told(&mut sections, 0, 0, estimate([100.0, 200.0], [3.0, 4.0]));
    told(&mut sections, 1, 1, estimate([1100.0, 700.0], [4.0, 3.0]));
    let [battery, share] = [0, 1].map(|bits| {
        let share = sections.share(Connected::from_bits(bits));
        share.expect("a share")
    });
    let u = 50f64.sqrt();
    for (share, rails, u) in [(battery, [100.0, 200.0], 5.0), (share, [1000.0, 500.0], u)] {
        assert_eq!(share.kind, Kind::Figure);
        let told = [share.positive_conductance, share.negative_conductance];
        for (told, due) in told.into_iter().zip(rails) {
            assert!((number(told.value) - due).abs() < 0.01);
        }
        let total: f64 = rails.iter().sum();
        // Nanosiemens to ohms: the interval is that of G, two standard uncertainties either way.
        for (ohms, due) in [
            (share.isolation, 1e9 / total),
            (share.isolation_interval.low, 1e9 / (total + 2.0 * u)),
            (share.isolation_interval.high, 1e9 / (total - 2.0 * u)),
        ] {
            let ohms = ohms.get().to_num::<f64>();
            assert!((ohms / due - 1.0).abs() < 1e-5, "{ohms} {due}");
        }
    }
}

#[test]
fn chance_is_told_from_a_leak_and_from_a_contradiction() {
    // Two totals with u = 5 each, of which the second is more by so much: u of that is 7.07.
    let more = |by: f64| {
        let mut sections = Sections::new(Connected::NONE, 600);
        told(&mut sections, 0, 0, estimate([500.0, 500.0], [3.0, 4.0]));
        told(
            &mut sections,
            1,
            1,
            estimate([500.0, 500.0 + by], [3.0, 4.0]),
        );
        sections
            .share(Connected::from_bits(1))
            .map(|share| share.kind)
    };
    assert_eq!(more(14.2), Ok(Kind::Figure));
    assert_eq!(more(14.0), Ok(Kind::Open));
    assert_eq!(more(-28.2), Ok(Kind::Open));
    assert_eq!(more(-28.4), Err(Reason::CircuitChanged));
}

#[test]
fn whether_a_share_is_resolved_follows_from_the_difference() {
    // Neither figure can be told from none (5 ± 3 nS), yet they are apart by 10 ± 4.2.
    let mut sections = Sections::new(Connected::NONE, 600);
    told(&mut sections, 0, 0, estimate([-5.0, 0.0], [3.0, 0.0]));
    told(&mut sections, 1, 1, estimate([5.0, 0.0], [3.0, 0.0]));
    assert_eq!(sections.battery().map(|share| share.kind), Ok(Kind::Open));
    let share = sections.share(Connected::from_bits(1));
    assert_eq!(share.map(|share| share.kind), Ok(Kind::Figure));
}

#[test]
fn only_sets_that_differ_by_just_these_sections_are_compared() {
    let mut sections = Sections::new(Connected::NONE, 60);
    told(&mut sections, 0, 0b01, estimate([100.0, 200.0], [2.0; 2]));
    told(&mut sections, 1, 0b11, estimate([200.0, 400.0], [2.0; 2]));
    let both = sections.share(Connected::from_bits(0b11));
    assert_eq!(both, Err(Reason::NotYetMeasured));
    let second = sections.share(Connected::from_bits(0b10)).expect("a share");
    assert_eq!(second.apart_s, 1);
    // A minute apart is near enough, and the newest pair counts.
    told(&mut sections, 100, 0b00, estimate([50.0, 50.0], [2.0; 2]));
    told(&mut sections, 160, 0b10, estimate([950.0, 50.0], [2.0; 2]));
    let second = sections.share(Connected::from_bits(0b10)).expect("a share");
    assert!((number(second.conductance.value) - 900.0).abs() < 0.01);
    assert_eq!(second.apart_s, 60);
}

#[test]
fn a_sudden_leaks_first_figure_does_not_count() {
    let mut sections = Sections::new(Connected::NONE, 60);
    let mut sudden = report(0, Verdict::Alarm, Ok(estimate([9.0; 2], [1.0; 2])));
    sudden.basis = Basis::Sudden;
    sections.take(0, &sudden);
    assert_eq!(sections.battery(), Err(Reason::NotYetMeasured));
    sudden.basis = Basis::Transient;
    sections.take(0, &sudden);
    assert!(sections.battery().is_ok());
}

#[test]
fn a_short_is_known_to_be_what_it_is_beyond_what_was_there() {
    let mut short = estimate([9e5, 1e5], [0.0; 2]);
    short.kind = Kind::Short;
    let mut sections = Sections::new(Connected::NONE, 600);
    told(&mut sections, 0, 0, estimate([1e5, 2e5], [3e3, 4e3]));
    told(&mut sections, 1, 1, short);
    let share = sections.share(Connected::from_bits(1)).expect("a share");
    // 1 mS less 0.3 mS and two of its standard uncertainties, 5 µS.
    assert!((number(share.conductance.value) - 6.9e5).abs() < 1.0);
}

proptest! {
    /// The uncertainty of x against the law of propagation worked out with
    /// derivatives by difference, in floating point, for correlated rails.
    #[test]
    fn uncertainty_of_the_place_agrees_with_derivatives_by_difference(
        gp in 50.0f64..5000.0, gn in 50.0f64..5000.0,
        up in 0.1f64..8.0, un in 0.1f64..8.0, correlation in -0.95f64..0.95,
    ) {
        let mut with = estimate([gp + 10.0, gn + 20.0], [up, un]);
        let cov = correlation * up * un;
        with.conductance.u = crate::test_reports::nano((up * up + un * un + 2.0 * cov).sqrt());
        let mut sections = Sections::new(Connected::NONE, 60);
        told(&mut sections, 0, 0, estimate([10.0, 20.0], [0.0; 2]));
        told(&mut sections, 1, 1, with);
        let share = sections.share(Connected::from_bits(1)).expect("a share");
        let place = |p: f64, n: f64| p / (p + n);
        let step = 1e-3;
        let dp = (place(gp + step, gn) - place(gp - step, gn)) / (2.0 * step);
        let dn = (place(gp, gn + step) - place(gp, gn - step)) / (2.0 * step);
        let u = (dp * dp * up * up + dn * dn * un * un + 2.0 * dp * dn * cov).sqrt();
        let x = share.position.expect("a leak");
        prop_assert!((x.value.get().to_num::<f64>() - place(gp, gn)).abs() < 1e-5);
        let stated = x.u.get().to_num::<f64>();
        prop_assert!((stated - u).abs() < 0.01 * u + 2e-6, "{stated} {u}");
    }

    /// 95 % intervals of a share hold the truth when both estimates are noisy.
    #[test]
    fn a_share_states_what_two_independent_errors_come_to(ua in 1.0f64..50.0, ub in 1.0f64..50.0) {
        let mut sections = Sections::new(Connected::NONE, 60);
        told(&mut sections, 0, 0, estimate([500.0, 500.0], [ua, 0.0]));
        told(&mut sections, 1, 1, estimate([2000.0, 500.0], [ub, 0.0]));
        let share = sections.share(Connected::from_bits(1)).expect("a share");
        prop_assert!((number(share.conductance.u) - ua.hypot(ub)).abs() < 0.01);
    }
}
