//! Single fields of a row: bytes to numbers and back.

use ohmsplit::config::Drive;

/// Largest magnitude of a reading in volts: what codes of 1 µV can hold.
pub(super) const VOLTS_MAX: f64 = 2147.0;
/// Largest magnitude of a time in seconds, some thirty years; below it a
/// microsecond is resolved.
const SECONDS_MAX: f64 = 1.0e9;

/// Why a field is refused: what is wrong, and what was expected.
pub(super) struct BadField {
    pub(super) problem: String,
    pub(super) expected: String,
}

#[cold]
fn bad<T>(field: &[u8], problem: &str, expected: impl Into<String>) -> Result<T, BadField> {
    Err(BadField {
        problem: format!("{} {problem}", quoted(field)),
        expected: expected.into(),
    })
}

/// A field as shown in a message: escaped, and shortened when long.
pub(super) fn quoted(field: &[u8]) -> String {
    const LONGEST: usize = 40;
    let shown = field.get(..LONGEST).unwrap_or(field).escape_ascii();
    let dots = if field.len() > LONGEST { "…" } else { "" };
    format!("\"{shown}{dots}\"")
}

fn number(field: &[u8], unit: &str) -> Result<f64, BadField> {
    if field.is_empty() {
        return bad(field, "is an empty field", format!("a number of {unit}"));
    }
    match fast_float2::parse::<f64, _>(field) {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => bad(
            field,
            "is not a finite number",
            format!("a number of {unit}"),
        ),
        Err(_) => bad(
            field,
            "is not a number",
            format!("a number of {unit}, with a point and without a unit"),
        ),
    }
}

/// Whether a number of seconds can be a time.
pub(super) fn time_in_range(seconds: f64) -> bool {
    seconds.abs() <= SECONDS_MAX
}

/// A time in seconds.
pub(super) fn time_s(field: &[u8]) -> Result<f64, BadField> {
    let value = number(field, "seconds")?;
    if !time_in_range(value) {
        return bad(field, "is out of range", "at most 1e9 s");
    }
    Ok(value)
}

/// Volts as a code of one microvolt.
pub(super) fn microvolts(field: &[u8]) -> Result<i32, BadField> {
    match volts_code(number(field, "volts")?) {
        Some(code) => Ok(code),
        None => {
            let expected = format!("-{VOLTS_MAX} to {VOLTS_MAX} V");
            bad(field, "is out of range", expected)
        }
    }
}

/// Volts as a code of one microvolt, when in range.
#[inline]
pub(super) fn volts_code(volts: f64) -> Option<i32> {
    (volts.abs() <= VOLTS_MAX).then(|| (volts * 1e6).round() as i32)
}

/// A number as a code, when it is one of the converter's.
#[inline]
pub(super) fn whole_code(value: f64, codes: &std::ops::RangeInclusive<i64>) -> Option<i32> {
    let code = value as i64;
    (code as f64 == value && codes.contains(&code))
        .then(|| i32::try_from(code).ok())
        .flatten()
}

/// A converter code within the converter's range.
pub(super) fn code(field: &[u8], codes: &std::ops::RangeInclusive<i64>) -> Result<i32, BadField> {
    let parsed = std::str::from_utf8(field)
        .ok()
        .and_then(|text| text.parse::<i64>().ok());
    match parsed {
        // A code that needs more than 32 bits is in no converter's range.
        Some(value) if codes.contains(&value) => i32::try_from(value).or_else(|_| {
            bad(
                field,
                "needs more than 31 bits",
                "signed codes for a 32-bit converter",
            )
        }),
        Some(_) => bad(
            field,
            "is a code that the converter cannot give",
            format!("{} to {}", codes.start(), codes.end()),
        ),
        None => bad(field, "is not a converter code", "a whole number"),
    }
}

/// A drive state.
pub(super) fn drive(field: &[u8]) -> Result<Drive, BadField> {
    match field {
        b"raise" => Ok(Drive::Raise),
        b"lower" => Ok(Drive::Lower),
        b"rest" => Ok(Drive::Rest),
        b"check" => Ok(Drive::Check),
        _ => bad(field, "is not a drive state", "rest, raise, lower or check"),
    }
}

/// `value · 10^-6` with six decimals, as text.
pub(super) fn push_millionths(out: &mut Vec<u8>, value: i64) {
    if value < 0 {
        out.push(b'-');
    }
    let size = value.unsigned_abs();
    push_digits(out, size / 1_000_000, 1);
    out.push(b'.');
    push_digits(out, size % 1_000_000, 6);
}

/// A whole number, as text.
pub(super) fn push_integer(out: &mut Vec<u8>, value: i32) {
    if value < 0 {
        out.push(b'-');
    }
    push_digits(out, u64::from(value.unsigned_abs()), 1);
}

fn push_digits(out: &mut Vec<u8>, mut value: u64, at_least: usize) {
    let mut digits = [b'0'; 20];
    let mut start = digits.len();
    while value > 0 || digits.len() - start < at_least {
        start -= 1;
        digits[start] = b'0' + (value % 10) as u8;
        value /= 10;
    }
    out.extend_from_slice(&digits[start..]);
}
