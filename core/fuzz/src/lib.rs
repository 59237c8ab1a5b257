//! What the fuzz targets share.

#[path = "../../examples/soak/draw.rs"]
pub mod draw;

use arbitrary::Unstructured;

/// The fuzzer's bytes as a source of numbers; zeros when they are used up.
#[derive(Debug)]
pub struct Bytes<'a>(Unstructured<'a>);

impl<'a> Bytes<'a> {
    /// All of these.
    #[must_use]
    pub fn new(data: &'a [u8]) -> Self {
        Self(Unstructured::new(data))
    }

    /// None are left.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The next value of a type that any bytes are a value of.
    pub fn any<T: arbitrary::Arbitrary<'a> + Default>(&mut self) -> T {
        self.0.arbitrary().unwrap_or_default()
    }
}

impl draw::Draw for Bytes<'_> {
    fn below(&mut self, limit: u64) -> u64 {
        self.0.int_in_range(0..=limit - 1).unwrap_or(0)
    }
}
