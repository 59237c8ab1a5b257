//! `ohmsplit journal`

use super::End;
use super::args::{JournalArgs, ShowJournal};
use super::show::say;
use crate::error::HostError;
use crate::journal::{Image, line, table};

pub(super) fn run(args: &JournalArgs) -> Result<End, HostError> {
    let image = Image::read(&args.image)?;
    match args.show {
        ShowJournal::Table => say(&table(&image))?,
        ShowJournal::Lines if image.records.is_empty() => {}
        ShowJournal::Lines => {
            let lines: Vec<String> = image
                .records
                .iter()
                .map(|record| line(record).to_string())
                .collect();
            say(&lines.join("\n"))?;
        }
    }
    Ok(End::Done)
}
