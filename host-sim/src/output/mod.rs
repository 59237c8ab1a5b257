//! What a run looks like: timeline, JSON lines, final figures; and what pictures share.

mod direction;
mod figures;
mod file;
mod outcome;
mod quantity;
pub(crate) mod style;
mod summary;
mod timeline;
mod trace;
mod truth;

pub use direction::Direction;
pub use figures::{
    Figures, ReadingFigures, ReportLine, Resistance, basis_word, kind_word, verdict_word,
};
pub use file::AtomicFile;
pub use outcome::{FinalLine, LimitFigures, Outcome};
pub use quantity::{explain, explain_finding, si};
pub(crate) use quantity::{interval, plus_minus, resistance, with_u};
pub(crate) use summary::verdict as verdict_sentence;
pub use summary::{CAUTION, summary};
pub use timeline::Timeline;
pub use trace::{Bin, Trace};
pub use truth::TruePoint;
