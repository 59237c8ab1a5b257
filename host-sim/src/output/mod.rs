//! What a run looks like: timeline, JSON lines, final figures, picture.

mod figures;
mod file;
mod outcome;
mod quantity;
mod summary;
mod timeline;

pub use figures::{Figures, ReadingFigures, ReportLine, Resistance, kind_word, verdict_word};
pub use file::AtomicFile;
pub use outcome::{FinalLine, LimitFigures, Outcome};
pub use quantity::{explain, si};
pub use summary::{CAUTION, summary};
pub use timeline::Timeline;
