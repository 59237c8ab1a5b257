//! What a run looks like: timeline, JSON lines, final figures, picture.

mod figures;
mod file;
mod outcome;
mod picture;
mod quantity;
mod summary;
mod timeline;
mod trace;

pub(crate) use figures::basis_word;
pub use figures::{Figures, ReadingFigures, ReportLine, Resistance, kind_word, verdict_word};
pub use file::AtomicFile;
pub use outcome::{FinalLine, LimitFigures, Outcome};
pub(crate) use picture::style;
pub use picture::{Picture, TruePoint};
pub use quantity::{explain, si};
pub(crate) use quantity::{interval, resistance};
pub(crate) use summary::verdict as verdict_sentence;
pub use summary::{CAUTION, summary};
pub use timeline::Timeline;
pub use trace::{Bin, Trace};
