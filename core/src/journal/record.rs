//! One record as bytes.

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};

use crate::permit::{Answer, Withheld};
use crate::reason::Reason;
use crate::report::{Basis, Estimate, Kind, Report, Verdict};
use crate::sections::Connected;
use crate::trend::Point;
use crate::units::Ohms;

/// Bytes of a record.
pub const RECORD_SIZE: usize = 32;

/// The version of the layout that is written.
pub const VERSION: u8 = 1;

const MARK: [u8; 2] = [0x4F, 0x6A];

/// Without a table: 1 KiB of flash less, and a record is written rarely.
const CHECK: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

const NO_POSITION: u16 = u16::MAX;

type Payload = [u8; 16];

/// What a report came to, in few bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Judgement {
    /// The verdict.
    pub verdict: Verdict,
    /// What the estimate rests on.
    pub basis: Basis,
    /// The estimate's figures, if there was one.
    pub figures: Option<Figures>,
}

/// Figures of an estimate, rounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Figures {
    /// Figure, short (the resistances are upper bounds) or open.
    pub kind: Kind,
    /// R_iso in ohms, `u32::MAX` above that.
    pub isolation_ohm: u32,
    /// The weaker rail in ohms, `u32::MAX` above that.
    pub weakest_ohm: u32,
    /// Position in the stack, in parts of 10,000 from the negative rail.
    pub position: Option<u16>,
    /// Pack voltage in tenths of a volt.
    pub pack_decivolt: u16,
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// The monitor began, with nothing measured.
    Started,
    /// The verdict changed.
    Verdict(Judgement),
    /// The permission to close the contactors changed.
    Permission(Answer),
    /// Contactors have moved.
    Sections(Connected),
    /// A span of the trend is over.
    TrendPoint(Point),
    /// A sound record that this version does not know.
    Unknown {
        /// Version of the layout.
        version: u8,
        /// Kind.
        kind: u8,
        /// The payload.
        payload: [u8; 16],
    },
}

/// An event with its number and time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Record {
    /// 1 for the first record of a journal, one more for each.
    pub sequence: u32,
    /// Seconds of the integrator's clock.
    pub at_s: u32,
    /// What happened.
    pub event: Event,
}

/// What a slot of the memory holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Slot {
    /// Erased.
    Free,
    /// Neither erased nor a sound record: a write or an erasure was cut short.
    Damaged,
    /// A record.
    Record(Record),
}

impl Record {
    /// The record as bytes.
    #[must_use]
    pub fn to_bytes(&self) -> [u8; RECORD_SIZE] {
        let (version, kind, payload) = self.event.encoded();
        let mut bytes = [0; RECORD_SIZE];
        let head = MARK.into_iter().chain([version, kind]);
        let head = head.chain(self.sequence.to_le_bytes());
        let head = head.chain(self.at_s.to_le_bytes()).chain(payload);
        for (slot, byte) in bytes.iter_mut().zip(head) {
            *slot = byte;
        }
        let [checked @ .., c0, c1, c2, c3] = &mut bytes;
        [*c0, *c1, *c2, *c3] = CHECK.checksum(checked).to_le_bytes();
        bytes
    }
}

impl Slot {
    /// Reads a slot.
    #[must_use]
    pub fn of(bytes: &[u8; RECORD_SIZE]) -> Self {
        if bytes.iter().all(|&byte| byte == 0xFF) {
            return Self::Free;
        }
        let [checked @ .., c0, c1, c2, c3] = bytes;
        let [m0, m1, version, kind, rest @ ..] = checked;
        let [s0, s1, s2, s3, t0, t1, t2, t3, payload @ ..] = rest;
        let check = u32::from_le_bytes([*c0, *c1, *c2, *c3]);
        if [*m0, *m1] != MARK || check != CHECK.checksum(checked) {
            return Self::Damaged;
        }
        Self::Record(Record {
            sequence: u32::from_le_bytes([*s0, *s1, *s2, *s3]),
            at_s: u32::from_le_bytes([*t0, *t1, *t2, *t3]),
            event: Event::decoded(*version, *kind, payload),
        })
    }
}

impl Event {
    fn encoded(&self) -> (u8, u8, Payload) {
        let (kind, payload) = match self {
            Self::Started => (1, [0; 16]),
            Self::Verdict(judgement) => (2, judgement.payload()),
            Self::Permission(answer) => (3, of_answer(answer)),
            Self::Sections(connected) => (4, filled([connected.bits()])),
            Self::TrendPoint(point) => {
                let [a, b, c, d] = point.span.to_le_bytes();
                let [e, f, g, h] = point.ln_r.to_le_bytes();
                (5, filled([a, b, c, d, e, f, g, h]))
            }
            Self::Unknown {
                version,
                kind,
                payload,
            } => return (*version, *kind, *payload),
        };
        (VERSION, kind, payload)
    }

    fn decoded(version: u8, kind: u8, payload: &Payload) -> Self {
        let known = match (version, kind) {
            (VERSION, 1) => Some(Self::Started),
            (VERSION, 2) => Judgement::of_payload(payload).map(Self::Verdict),
            (VERSION, 3) => answer_of(payload).map(Self::Permission),
            (VERSION, 4) => {
                let [bits, ..] = *payload;
                Some(Self::Sections(Connected::from_bits(bits)))
            }
            (VERSION, 5) => {
                let [a, b, c, d, e, f, g, h, ..] = *payload;
                Some(Self::TrendPoint(Point {
                    span: u32::from_le_bytes([a, b, c, d]),
                    ln_r: i32::from_le_bytes([e, f, g, h]),
                }))
            }
            _ => None,
        };
        known.unwrap_or(Self::Unknown {
            version,
            kind,
            payload: *payload,
        })
    }
}

/// The payload that begins so; the rest is zero.
fn filled<const N: usize>(bytes: [u8; N]) -> Payload {
    let mut payload = [0; 16];
    for (slot, byte) in payload.iter_mut().zip(bytes) {
        *slot = byte;
    }
    payload
}

impl Judgement {
    /// What a report came to.
    #[must_use]
    pub fn of(report: &Report) -> Self {
        Self {
            verdict: report.verdict,
            basis: report.basis,
            figures: report.estimate.as_ref().ok().map(Figures::of),
        }
    }

    fn payload(&self) -> Payload {
        let (verdict, reason) = match self.verdict {
            Verdict::Undetermined(reason) => (0, reason.code()),
            Verdict::Healthy => (1, 0),
            Verdict::Warning => (2, 0),
            Verdict::Alarm => (3, 0),
        };
        let basis = match self.basis {
            Basis::Settled => 1,
            Basis::Transient => 2,
            Basis::Sudden => 3,
        };
        let Some(figures) = &self.figures else {
            return filled([verdict, reason, basis, 0]);
        };
        let kind = match figures.kind {
            Kind::Figure => 1,
            Kind::Short => 2,
            Kind::Open => 3,
        };
        let [i0, i1, i2, i3] = figures.isolation_ohm.to_le_bytes();
        let [w0, w1, w2, w3] = figures.weakest_ohm.to_le_bytes();
        let [x0, x1] = figures.position.unwrap_or(NO_POSITION).to_le_bytes();
        let [v0, v1] = figures.pack_decivolt.to_le_bytes();
        [
            verdict, reason, basis, kind, i0, i1, i2, i3, w0, w1, w2, w3, x0, x1, v0, v1,
        ]
    }

    fn of_payload(payload: &Payload) -> Option<Self> {
        let [
            verdict,
            reason,
            basis,
            kind,
            i0,
            i1,
            i2,
            i3,
            w0,
            w1,
            w2,
            w3,
            x0,
            x1,
            v0,
            v1,
        ] = *payload;
        let verdict = match (verdict, reason_of(reason)) {
            (0, Some(reason)) => Verdict::Undetermined(reason),
            (1, None) => Verdict::Healthy,
            (2, None) => Verdict::Warning,
            (3, None) => Verdict::Alarm,
            _ => return None,
        };
        let basis = match basis {
            1 => Basis::Settled,
            2 => Basis::Transient,
            3 => Basis::Sudden,
            _ => return None,
        };
        let kind = match kind {
            0 => None,
            1 => Some(Kind::Figure),
            2 => Some(Kind::Short),
            3 => Some(Kind::Open),
            _ => return None,
        };
        let position = u16::from_le_bytes([x0, x1]);
        Some(Self {
            verdict,
            basis,
            figures: kind.map(|kind| Figures {
                kind,
                isolation_ohm: u32::from_le_bytes([i0, i1, i2, i3]),
                weakest_ohm: u32::from_le_bytes([w0, w1, w2, w3]),
                position: (position != NO_POSITION).then_some(position),
                pack_decivolt: u16::from_le_bytes([v0, v1]),
            }),
        })
    }
}

impl Figures {
    fn of(estimate: &Estimate) -> Self {
        let ohms = |r: Ohms| u32::try_from((r.to_bits() >> 16).max(0)).unwrap_or(u32::MAX);
        // A position outside of the stack by its uncertainty reads as its end.
        let position = estimate.position.map(|x| {
            let parts = x.value.to_bits().max(0).saturating_mul(10_000) >> 32;
            u16::try_from(parts.min(10_000)).unwrap_or(10_000)
        });
        let decivolts = estimate.pack.to_bits().max(0).saturating_mul(10) >> 32;
        Self {
            kind: estimate.kind,
            isolation_ohm: ohms(estimate.isolation),
            weakest_ohm: ohms(estimate.weakest),
            position,
            pack_decivolt: u16::try_from(decivolts).unwrap_or(u16::MAX),
        }
    }
}

fn reason_of(code: u8) -> Option<Reason> {
    Reason::ALL.into_iter().find(|reason| reason.code() == code)
}

fn of_answer(answer: &Answer) -> Payload {
    let (granted, cause, reason) = match answer.permission {
        Ok(()) => (1, 0, 0),
        Err(cause @ Withheld::Undetermined(reason)) => (0, cause.code(), reason.code()),
        Err(cause) => (0, cause.code(), 0),
    };
    let [a, b, c, d] = answer.age_s.to_le_bytes();
    filled([granted, cause, reason, u8::from(answer.latched), a, b, c, d])
}

fn answer_of(payload: &Payload) -> Option<Answer> {
    let [granted, cause, reason, latched, a, b, c, d, ..] = *payload;
    let permission = match (granted, cause) {
        (1, 0) => Ok(()),
        (0, cause) => Err(Withheld::from_code(cause, reason_of(reason))?),
        _ => return None,
    };
    Some(Answer {
        permission,
        age_s: u32::from_le_bytes([a, b, c, d]),
        latched: match latched {
            0 => false,
            1 => true,
            _ => return None,
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::tests::record;
    use crate::test_reports::{estimate, report};
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_written_is_read(record in record()) {
            prop_assert_eq!(Slot::of(&record.to_bytes()), Slot::Record(record));
        }

        /// CRC-32 sees every error of up to 32 bits in a row: in the slot, any
        /// change of up to four neighbouring bytes.
        #[test]
        fn no_changed_byte_goes_unseen(record in record(), place in 0usize..29, to in any::<[u8; 4]>()) {
            let bytes = record.to_bytes();
            let mut changed = bytes;
            changed[place..place + 4].copy_from_slice(&to);
            if changed != bytes {
                prop_assert_eq!(Slot::of(&changed), Slot::Damaged);
            }
        }

        #[test]
        fn a_cut_slot_is_damaged_or_free(record in record(), written in 0usize..RECORD_SIZE) {
            let mut bytes = record.to_bytes();
            bytes[written..].fill(0xFF);
            prop_assume!(bytes != record.to_bytes());
            let due = if written == 0 { Slot::Free } else { Slot::Damaged };
            prop_assert_eq!(Slot::of(&bytes), due);
        }
    }

    /// Every byte that is named in the layout, by hand: what a C program sees.
    #[test]
    fn the_layout_is_the_documented_one() {
        let mut estimate = estimate([1000.0, 3000.0], [1.0; 2]);
        estimate.pack = crate::units::Volts::from_int(400);
        let report = report(7, Verdict::Undetermined(Reason::Saturated), Ok(estimate));
        let record = Record {
            sequence: 0x0102_0304,
            at_s: 0x0A0B_0C0D,
            event: Event::Verdict(Judgement::of(&report)),
        };
        let bytes = record.to_bytes();
        assert_eq!(bytes[..4], [0x4F, 0x6A, 1, 2]);
        assert_eq!(bytes[4..8], [4, 3, 2, 1]);
        assert_eq!(bytes[8..12], [0x0D, 0x0C, 0x0B, 0x0A]);
        assert_eq!(bytes[12..16], [0, 5, 1, 1]);
        // 4 µS are 250 kΩ, 3 µS 333 kΩ; x is 0.25; 400 V.
        let number = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four"));
        assert!(number(16).abs_diff(250_000) <= 1, "{}", number(16));
        assert!(number(20).abs_diff(333_333) <= 1, "{}", number(20));
        assert!(number(24) & 0xFFFF == 2500 || number(24) & 0xFFFF == 2499);
        assert_eq!(number(24) >> 16, 4000);
    }

    /// The check value of CRC-32/ISO-HDLC for the digits 1 to 9, 0xCBF43926, is
    /// that of the published catalogues of CRC parameters.
    #[test]
    fn the_check_is_the_published_crc() {
        assert_eq!(CHECK.checksum(b"123456789"), 0xCBF4_3926);
    }
}
