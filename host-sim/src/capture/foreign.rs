//! Files and header rows that are no capture, by what they are instead.

use super::Layout;
use super::lines::GZIP_MAGIC;
use crate::document::{SAVE_AS_UTF8, is_utf16};
use crate::error::HostError;

/// First bytes of what is no capture, what that is, and the cure.
const MAGICS: [(&[u8], &str, &str); 7] = [
    (
        b"PK\x03\x04",
        "a ZIP archive, or a spreadsheet",
        "unpack it, or save the sheet as CSV",
    ),
    (
        b"\xd0\xcf\x11\xe0",
        "an old spreadsheet",
        "save the sheet as CSV",
    ),
    (b"\x28\xb5\x2f\xfd", "compressed with zstd", PACK),
    (b"\xfd7zXZ\0", "compressed with xz", PACK),
    (b"BZh", "compressed with bzip2", PACK),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", PACK),
    (
        b"\x89HDF",
        "an HDF5 file",
        "export it as CSV, Parquet or MDF 4",
    ),
];
const PACK: &str = "unpack it; gzip is read as it is";
pub(super) const HEADER: &str = "a header row such as time_s,drive,chassis_V,pack_V";

/// Refuses a file whose first bytes say that it is no CSV, plain or gzip.
pub(super) fn refuse(name: &str, head: &[u8]) -> Result<(), HostError> {
    let told = |what: &str, mend: &str| {
        Err(
            HostError::input(format!("this is not a CSV capture: it is {what}"))
                .in_file(name)
                .expected(HEADER)
                .mend(mend),
        )
    };
    if is_utf16(head) {
        return told("UTF-16 text", SAVE_AS_UTF8);
    }
    match MAGICS.iter().find(|(magic, ..)| head.starts_with(magic)) {
        Some((_, what, mend)) => told(what, mend),
        None if head.contains(&0) && !head.starts_with(&GZIP_MAGIC) => told(
            "not text",
            "name a capture; `ohmsplit formats` describes it",
        ),
        None => Ok(()),
    }
}

/// What a first row without the column names may be: the cure.
pub(super) fn cure_of_header(names: &[String]) -> String {
    let first = names.first().map_or("", String::as_str);
    if first.starts_with("sep=") {
        "remove this line; columns are separated by commas, and numbers have a point".to_owned()
    } else if first.contains(['=', '[']) {
        "name a capture; this may be TOML: a scenario goes to `ohmsplit simulate`, a network to --network".to_owned()
    } else if first.contains([';', '\t']) {
        "separate columns by commas, and write numbers with a point".to_owned()
    } else if let Some((name, known)) = other_case(names) {
        format!("write {known} instead of {name}: small and capital letters differ")
    } else {
        "write the column names in the first row".to_owned()
    }
}

/// A name that is one of a capture's but for capital letters or blanks.
pub(super) fn other_case(names: &[String]) -> Option<(&str, &'static str)> {
    let plain = |name: &str| name.to_ascii_lowercase().replace([' ', '-'], "_");
    let readings = Layout::ALL.into_iter().flat_map(Layout::columns);
    let known: Vec<&'static str> = ["time_s", "drive"].into_iter().chain(readings).collect();
    names.iter().find_map(|name| {
        let is = |column: &&&str| plain(column) == plain(name) && name != *column;
        known.iter().find(is).map(|column| (name.as_str(), *column))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_first_row_is_told_by_what_it_is() {
        let cure = |row: &str| {
            let names: Vec<String> = row.split(',').map(str::to_owned).collect();
            cure_of_header(&names)
        };
        assert!(cure("sep=;").starts_with("remove this line"));
        assert!(cure("a\tb").contains("by commas"));
        assert!(cure("[pack]").contains("TOML"));
        assert!(cure("Time_s,Drive").contains("time_s instead of Time_s"));
        assert!(cure("1,2").contains("column names"));
    }

    #[test]
    fn files_of_other_kinds_are_told_by_their_first_bytes() {
        for (head, word) in [
            (&b"\xff\xfet\0i\0"[..], "UTF-16"),
            (b"t\0i\0m\0e\0", "UTF-16"),
            (b"PK\x03\x04....", "spreadsheet"),
            (b"\x28\xb5\x2f\xfd....", "zstd"),
            (b"\x7fELF\x02\x01\x01\0", "not text"),
        ] {
            let error = refuse("a.csv", head).expect_err("no capture").to_string();
            assert!(error.contains(word) && error.contains("to mend"), "{error}");
        }
        for head in [&b"time_s,d"[..], b"\x1f\x8b\x08\0\0\0", b"", b"#"] {
            assert_eq!(refuse("a.csv", head), Ok(()));
        }
    }
}
