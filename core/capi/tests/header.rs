//! The committed header is the one that the source yields, and its lists are complete.

use std::path::{Path, PathBuf};

use ohmsplit::permit::Withheld;
use ohmsplit::{Finding, Reason};

/// In the order of the header.
const SOURCES: [&str; 16] = [
    "types/status.rs",
    "types/handles.rs",
    "types/settings.rs",
    "types/report.rs",
    "types/permit.rs",
    "types/sections.rs",
    "types/trend.rs",
    "types/journal.rs",
    "calls/settings.rs",
    "calls/sampler.rs",
    "calls/monitor.rs",
    "calls/swift.rs",
    "calls/permit.rs",
    "calls/sections.rs",
    "calls/trend.rs",
    "calls/journal.rs",
];

fn package() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn committed() -> PathBuf {
    package().join("include/ohmsplit.h")
}

fn generated() -> String {
    let config =
        cbindgen::Config::from_file(package().join("cbindgen.toml")).expect("cbindgen.toml");
    let mut builder = cbindgen::Builder::new().with_config(config);
    for name in SOURCES {
        builder = builder.with_src(package().join("src").join(name));
    }
    let bindings = builder.generate().expect("a header");
    let mut text = Vec::new();
    bindings.write(&mut text);
    String::from_utf8(text).expect("UTF-8")
}

#[test]
fn the_committed_header_is_made_from_the_source() {
    let generated = generated();
    if std::env::var_os("OHMSPLIT_BLESS").is_some() {
        std::fs::write(committed(), &generated).expect("the header can be written");
    }
    let committed = std::fs::read_to_string(committed()).unwrap_or_default();
    assert!(
        committed == generated,
        "core/capi/include/ohmsplit.h is not what the source yields; look at the difference after \
         `OHMSPLIT_BLESS=1 cargo test -p ohmsplit-capi --test header`, and raise OHMSPLIT_INTERFACE \
         if a type or function changed"
    );
}

/// C sees only the header: a reason that the core gained must be in it.
#[test]
fn every_reason_of_the_core_is_in_the_header() {
    let header = std::fs::read_to_string(committed()).expect("header");
    for reason in Reason::ALL {
        let name = reason.name().to_uppercase();
        let line = format!("OHMSPLIT_REASON_{name} = {},", reason.code());
        assert!(header.contains(&line), "not in the header: {line}");
    }
    let listed = header.matches(" OHMSPLIT_REASON_").count();
    assert_eq!(listed, Reason::ALL.len() + 1, "and one for none");
}

/// The same of what withholds the permission to close.
#[test]
fn every_cause_of_the_core_is_in_the_header() {
    let header = std::fs::read_to_string(committed()).expect("header");
    let causes = (0..=u8::MAX).filter_map(|code| {
        let plain = Withheld::from_code(code, None);
        plain.or_else(|| Withheld::from_code(code, Some(Reason::Saturated)))
    });
    let mut count = 0;
    for cause in causes {
        let name = cause.name().to_uppercase();
        let line = format!("OHMSPLIT_WITHHELD_{name} = {},", cause.code());
        assert!(header.contains(&line), "not in the header: {line}");
        count += 1;
    }
    let listed = header.matches(" OHMSPLIT_WITHHELD_").count();
    assert_eq!(listed, count + 1, "and one for none");
}

/// The same of findings.
#[test]
fn every_finding_of_the_core_is_in_the_header() {
    let header = std::fs::read_to_string(committed()).expect("header");
    for finding in Finding::ALL {
        let name = finding.name().to_uppercase();
        let line = format!("OHMSPLIT_FINDING_{name} = {},", finding.code());
        assert!(header.contains(&line), "not in the header: {line}");
    }
    let listed = header.matches(" OHMSPLIT_FINDING_").count();
    assert_eq!(listed, Finding::ALL.len());
}
