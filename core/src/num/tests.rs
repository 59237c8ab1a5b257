use super::division::*;
use super::roots::*;
use super::*;
use proptest::prelude::*;

proptest! {
    #[test]
    fn quotient_agrees_with_f64(n in -(1i128 << 100)..(1i128 << 100), d in 1i128..(1 << 100), neg: bool) {
        let d = if neg { -d } else { d };
        let exact = n as f64 / d as f64 * 4_294_967_296.0;
        let got = quotient(n, d, 32);
        if exact.abs() > 9.2e18 {
            prop_assert!(got == i64::MAX || got <= -i64::MAX);
        } else {
            prop_assert!((got as f64 - exact).abs() <= exact.abs() * 1.1e-9 + 1.0);
        }
    }

    #[test]
    fn a_ratio_is_the_quotient(n: i64, d: i64, cut in 0u32..63, by in 0u32..63, shift in -40i32..40) {
        let (n, d) = (n >> cut, d >> by);
        prop_assume!(d != 0);
        let long = Reciprocal::new(i128::from(d)).unwrap().times(i128::from(n), shift);
        let short = ratio_shifted(n, d, shift);
        prop_assert!(long.abs_diff(short) <= 1, "{long} {short}");
    }

    #[test]
    fn a_wide_product_is_cut_as_in_128_bits(high: u64, low: u32, cut in 0u32..64, by in 1u32..130) {
        let high = high >> cut;
        let whole = u128::from(high) << 32 | u128::from(low);
        let up = if by > whole.leading_zeros() { u128::MAX } else { whole << (by & 127) };
        let down = if by > 127 { 0 } else { (whole + (1 << (by - 1))) >> by };
        let held = |wide: u128| u64::try_from(wide).unwrap_or(u64::MAX);
        prop_assert_eq!(raised(high, low, by), if whole == 0 { 0 } else { held(up) });
        prop_assert_eq!(lowered(high, low, by), held(down));
    }

    #[test]
    fn the_top_is_the_upper_64_bits(size: u128, down in 0u32..128) {
        let size = size >> down;
        let (bits, above) = top(size);
        prop_assert_eq!(u128::from(bits), size >> above);
        prop_assert!(above == 0 || bits >> 63 == 1);
    }

    #[test]
    fn a_product_is_exact_or_saturates(a: i64, b: i64, down in 0u32..63, by in 0u32..63) {
        let (a, b) = (a >> down, b >> by);
        let exact = (i128::from(a) * i128::from(b) + (1 << 31)) >> 32;
        let held = exact.clamp(i64::MIN.into(), i64::MAX.into());
        prop_assert_eq!(i128::from(mul(a, b)), held);
        prop_assert_eq!(i128::from(mul_in_parts(a, b)), held);
    }

    #[test]
    fn a_square_is_exact(size: u64, down in 0u32..63) {
        let size = size >> down;
        prop_assert_eq!(square(size), u128::from(size) * u128::from(size));
    }

    #[test]
    fn a_fraction_is_exact(n: u32, d: u32) {
        let d = d | TOP_BIT;
        let n = n % d;
        prop_assert_eq!(u64::from(fraction(n, d)), (u64::from(n) << 32) / u64::from(d));
    }

    #[test]
    fn millionths_are_exact(n: u32) {
        prop_assert_eq!(millionths(n), ((u64::from(n) << 32) / 1_000_000) as i64);
    }

    #[test]
    fn a_root_is_that_of_the_library(square: u64, down in 0u32..64, root: u32) {
        let square = square >> down;
        prop_assert_eq!(u64::from(root_in_parts(square)), square.isqrt());
        // Squares, and what is just below.
        let square = u64::from(root).pow(2);
        prop_assert_eq!(root_in_parts(square), root);
        prop_assert_eq!(root_in_parts(square.saturating_sub(1)), root.saturating_sub(1));
    }

    #[test]
    fn a_long_division_is_exact(n: u64, down in 0u32..64, d: u32, by in 0u32..32) {
        let (n, d) = (n >> down, d >> by);
        let exact = n.checked_div(u64::from(d));
        prop_assert_eq!(over_unsigned(n, d), exact);
        let signed = n.cast_signed();
        prop_assert_eq!(over(signed, d), signed.checked_div(i64::from(d)));
        let all = (n % (u64::from(d) << 32).max(1)).min((u64::from(d) << 32).saturating_sub(1));
        let told = long_in_parts(all, d);
        let due = d > 0;
        prop_assert_eq!(told.is_some(), due);
        if let Some((quotient, rest)) = told {
            prop_assert_eq!(u64::from(quotient), all / u64::from(d));
            prop_assert_eq!(u64::from(rest), all % u64::from(d));
        }
    }

    #[test]
    fn a_mean_is_the_quotient(sum: u128, down in 0u32..128, parts: u32, by in 0u32..32) {
        let (sum, parts) = (sum >> down, parts >> by);
        prop_assert_eq!(mean_of(sum, parts), sum.checked_div(u128::from(parts)));
    }

    #[test]
    fn root_agrees_with_f64(square in 0u128..(1 << 126)) {
        let got = sqrt_wide(square) as f64;
        let exact = (square as f64).sqrt();
        prop_assert!((got - exact).abs() <= exact * 4.7e-10 + 1.0);
    }

    #[test]
    fn logarithm_agrees_with_f64(bits in 1i64..=ONE) {
        let exact = -(bits as f64 / ONE as f64).ln();
        let got = neg_ln(bits) as f64 / ONE as f64;
        prop_assert!((got - exact).abs() < 4e-9, "{got} {exact}");
    }
}

#[test]
fn dividing_by_zero_saturates_with_the_sign_of_the_numerator() {
    assert_eq!(quotient(5, 0, 0), i64::MAX);
    assert_eq!(quotient(-5, 0, 0), i64::MIN);
}

/// Sums of squares as they are kept, against whole numbers.
#[test]
fn a_sum_of_squares_is_kept_to_the_bit_and_saturates() {
    let mut squares = Squares::ZERO;
    let mut sum = 0u128;
    for value in [0i64, 1, -3, ONE, -5 * ONE / 7, 4000 * ONE, i64::MAX >> 17] {
        squares.add(value);
        sum += u128::from(value.unsigned_abs()).pow(2);
        assert_eq!(squares.get(), sum);
    }
    squares.add(i64::MIN);
    let most = squares.get();
    assert_eq!(most, (((1 << 32) - 2) << 64) + u128::from(u64::MAX));
    squares.add(ONE);
    assert_eq!(squares.get(), most);
    assert_eq!(size_of::<Option<Squares>>(), 12);
}
