//! What C sees: plain integers with the unit in the name.

mod handles;
mod journal;
mod permit;
mod report;
mod sections;
mod settings;
mod status;
mod trend;

pub use handles::*;
pub use journal::*;
pub use permit::*;
pub use report::*;
pub use sections::*;
pub use settings::*;
pub use status::*;
pub use trend::*;
