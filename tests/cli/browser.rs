//! The evidence report in a real browser (Chromium). Needs the program
//! `chromium`, so these are ignored; `.ci/browser.sh` installs it and runs them.

use std::path::Path;
use std::process::{Command, Output};

use super::{Bench, fixture};

/// Runs the browser without a window on one file.
fn chromium(options: &[&str], page: &Path) -> Output {
    let profile = tempfile::tempdir().expect("a folder");
    let output = Command::new("chromium")
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            "--virtual-time-budget=4000",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .args(options)
        .arg(format!("file://{}", page.display()))
        .output()
        .expect("chromium: install it, or run .ci/browser.sh");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    output
}

/// Writes a report, and beside it a copy with a script of the test's own before its end.
fn with_probe(
    bench: &Bench,
    subject: &str,
    edit: impl Fn(String) -> String,
    probe: &str,
) -> std::path::PathBuf {
    let run = bench.run(&["evidence", &fixture(subject), "--out", "report.html"]);
    assert!(bench.path("report.html").exists(), "{}", run.err);
    let text = edit(std::fs::read_to_string(bench.path("report.html")).expect("report"));
    let watch = "<script>var trouble = [];\
        addEventListener('error', function (e) { trouble.push(e.message); });\
        addEventListener('securitypolicyviolation', function (e) { trouble.push(e.violatedDirective); });</script>";
    let probe = format!(
        "<script>var found = {{}}; (function () {{ {probe} }}());\
         found.trouble = trouble; found.fetched = performance.getEntriesByType('resource').length;\
         var out = document.createElement('pre'); out.id = 'probe'; out.textContent = JSON.stringify(found);\
         document.body.appendChild(out);</script></body>"
    );
    let text = text.replacen("</head>", &format!("{watch}</head>"), 1);
    bench.write("probe.html", text.replacen("</body>", &probe, 1))
}

/// What the probe found.
fn probed(page: &Path, options: &[&str]) -> serde_json::Value {
    let output = chromium(&[options, &["--dump-dom"]].concat(), page);
    let dom = String::from_utf8(output.stdout).expect("UTF-8");
    let (_, rest) = dom.split_once("<pre id=\"probe\">").expect("the probe ran");
    let json = rest.split_once("</pre>").expect("an end").0;
    let json = json
        .replace("&amp;", "&")
        .replace("&lt;", "<")
        .replace("&gt;", ">");
    let found: serde_json::Value = serde_json::from_str(&json).expect(&json);
    assert_eq!(
        found["trouble"],
        serde_json::json!([]),
        "errors in the page"
    );
    assert_eq!(found["fetched"], 0, "something was fetched");
    found
}

const CAR: &str = "scenarios/parked-car-connector-gets-wet.toml";

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn the_timeline_zooms_by_button_key_and_pointer() {
    let bench = Bench::new();
    let page = with_probe(
        &bench,
        CAR,
        |text| text,
        "var figure = document.getElementById('timeline'), svg = figure.querySelector('svg.plot');\
         var shown = function () { return figure.querySelector('.shown').textContent; };\
         var press = function (key) { figure.dispatchEvent(new KeyboardEvent('keydown', { key: key, bubbles: true })); };\
         found.tools = !figure.querySelector('.tools').hidden; found.focus = figure.tabIndex;\
         found.start = shown();\
         figure.querySelector('[data-act=nearer]').click(); found.nearer = shown();\
         found.stretch = figure.querySelector('.stretched').getAttribute('transform');\
         found.ticks = Array.prototype.map.call(svg.querySelectorAll('.times text'), function (t) { return t.textContent; });\
         press('ArrowRight'); found.later = shown();\
         press('0'); found.whole = shown();\
         var box = svg.getBoundingClientRect(), scale = box.width / svg.viewBox.baseVal.width;\
         svg.setPointerCapture = function () {};\
         var point = function (kind, part) {\
           var x = box.left + (+svg.dataset.left + part * svg.dataset.plot) * scale;\
           svg.dispatchEvent(new PointerEvent(kind, { clientX: x, clientY: box.top + 50, button: 0, pointerType: 'mouse', bubbles: true }));\
         };\
         point('pointerdown', 0.2); point('pointermove', 0.3); point('pointerup', 0.4); found.dragged = shown();\
         for (var k = 0; k < 30; k += 1) { press('+'); } found.closest = shown();\
         press('Home'); found.home = shown();",
    );
    let found = probed(&page, &["--window-size=1120,900"]);
    assert_eq!(
        (&found["tools"], &found["focus"]),
        (&true.into(), &0.into())
    );
    let whole = "Shown: 0.00 s to 330.00 s";
    for step in ["start", "whole", "home"] {
        assert_eq!(found[step], whole, "{step}");
    }
    assert_eq!(found["nearer"], "Shown: 82.50 s to 247.50 s");
    // Half of the plot: twice as wide, moved by a quarter of the whole.
    assert_eq!(found["stretch"], "translate(-404 0) scale(2 1)");
    assert_eq!(found["ticks"][0], "100 s");
    assert_eq!(found["later"], "Shown: 123.75 s to 288.75 s");
    assert_eq!(found["dragged"], "Shown: 66.00 s to 132.00 s");
    // 330 s over 400, and no closer.
    let ends: Vec<f64> = found["closest"]
        .as_str()
        .expect("text")
        .split(' ')
        .filter_map(|word| word.parse().ok())
        .collect();
    assert!(
        (ends[1] - ends[0] - 330.0 / 400.0).abs() < 0.011,
        "{ends:?}"
    );
}

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn it_reads_without_scripts() {
    let bench = Bench::new();
    let strip = |text: String| {
        let (head, rest) = text.split_once("<script>").expect("a script");
        let (_, tail) = rest.split_once("</script>").expect("an end");
        format!("{head}{tail}")
    };
    let page = with_probe(
        &bench,
        CAR,
        strip,
        "var timeline = document.querySelector('#timeline svg.plot');\
         found.hidden = document.querySelector('.tools').hidden;\
         found.drawn = timeline.querySelectorAll('path, circle, rect').length;\
         found.times = timeline.querySelectorAll('.times text').length;\
         found.chassis = timeline.querySelector('.stretched path.chassis').getBoundingClientRect().width;",
    );
    let found = probed(&page, &["--window-size=1120,900"]);
    assert_eq!(found["hidden"], true);
    assert!(
        found["drawn"].as_u64() > Some(500) && found["times"].as_u64() > Some(4),
        "{found}"
    );
    assert!(found["chassis"].as_f64() > Some(700.0), "{found}");
}

/// Every drawing, and whether the page is wider than the window.
const FITS: &str = "var wide = document.documentElement.clientWidth;\
    found.wide = wide; found.scrolls = document.documentElement.scrollWidth > wide;\
    found.ground = getComputedStyle(document.documentElement).backgroundColor;\
    found.ink = getComputedStyle(document.body).color;\
    found.scheme = matchMedia('(prefers-color-scheme: dark)').matches;\
    var box = function (e) { var b = e.getBoundingClientRect(); return [b.left, b.right, b.height]; };\
    found.drawings = Array.prototype.map.call(document.querySelectorAll('svg[role=img]'), box);\
    found.tables = Array.prototype.map.call(document.querySelectorAll('table'), box);\
    var cut = [];\
    Array.prototype.forEach.call(document.querySelectorAll('svg[role=img]'), function (svg) {\
      var frame = svg.getBoundingClientRect();\
      Array.prototype.forEach.call(svg.querySelectorAll('text'), function (text) {\
        var b = text.getBoundingClientRect();\
        if (b.width && (b.left < frame.left - 1 || b.right > frame.right + 1 || b.bottom > frame.bottom + 1)) { cut.push(text.textContent); }\
      });\
    });\
    found.cut = cut;";

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn it_fits_wide_and_narrow_windows_light_and_dark() {
    for subject in [
        CAR,
        "captures/both-750v-centre-bleeds.csv.gz",
        "scenarios/cargo-bike-logic-source.toml",
        "captures/source-500v-rail-pair.csv.gz",
    ] {
        let bench = Bench::new();
        let page = with_probe(&bench, subject, |text| text, FITS);
        for (size, dark) in [("1280,900", false), ("1280,900", true), ("500,900", false)] {
            let scheme = format!(
                "--blink-settings=preferredColorScheme={}",
                if dark { 0 } else { 1 }
            );
            let found = probed(&page, &[&format!("--window-size={size}"), &scheme]);
            assert_eq!(found["scrolls"], false, "{subject} {size}");
            assert_eq!(found["cut"], serde_json::json!([]), "{subject} {size}");
            assert_eq!(found["scheme"], dark, "{size}");
            let ground = if dark {
                "rgb(18, 22, 28)"
            } else {
                "rgb(251, 250, 246)"
            };
            assert_eq!(found["ground"], ground, "{size}");
        }
    }
}

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn it_prints_on_a4_without_cut_figures() {
    let bench = Bench::new();
    // The rules of print on a window as wide as the paper less its margins: 184 mm, at 96 dots an inch.
    let as_print = |text: String| text.replace("@media print", "@media all");
    let page = with_probe(&bench, CAR, as_print, FITS);
    let found = probed(&page, &["--window-size=695,1000"]);
    assert_eq!(
        (&found["scrolls"], &found["cut"]),
        (&false.into(), &serde_json::json!([])),
        "{found}"
    );
    for part in found["drawings"]
        .as_array()
        .expect("list")
        .iter()
        .chain(found["tables"].as_array().expect("list"))
    {
        assert!(
            part[0].as_f64() >= Some(-0.5) && part[1].as_f64() <= Some(695.5),
            "{part}"
        );
    }
    // A drawing that fits a page whole is not cut by its end: 269 mm.
    for drawing in found["drawings"].as_array().expect("list") {
        assert!(drawing[2].as_f64() < Some(1016.0), "{drawing}");
    }
    let pdf = bench.path("report.pdf");
    let option = format!("--print-to-pdf={}", pdf.display());
    chromium(
        &["--no-pdf-header-footer", &option],
        &bench.path("report.html"),
    );
    let bytes = std::fs::read(&pdf).expect("a PDF");
    let text = String::from_utf8_lossy(&bytes);
    // ISO 216: A4 is 210 mm by 297 mm, 595.28 by 841.89 points.
    let pages: Vec<&str> = text
        .split("/MediaBox [")
        .skip(1)
        .filter_map(|rest| rest.split(']').next())
        .collect();
    assert!((3..=12).contains(&pages.len()), "{} pages", pages.len());
    for page in pages {
        let sizes: Vec<f64> = page
            .split_whitespace()
            .filter_map(|n| n.parse().ok())
            .collect();
        assert!(
            (sizes[2] - 595.28).abs() < 1.0 && (sizes[3] - 841.89).abs() < 1.0,
            "{sizes:?}"
        );
    }
}

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn hostile_names_run_nothing() {
    let bench = Bench::new();
    let hostile = "</title><script>window.hit = 1</script><img src=x onerror='window.hit = 2'>";
    let text = std::fs::read_to_string(fixture(CAR)).expect("scenario");
    let text = text.replacen("Parked car, a connector slowly gets wet", hostile, 1);
    let text = text.replacen("duration_s = 330.0", "duration_s = 20.0", 1);
    let scenario = bench.write("hostile.toml", text);
    let page = with_probe(
        &bench,
        scenario.to_str().expect("UTF-8"),
        |text| text,
        "found.hit = window.hit || 0; found.images = document.images.length; found.heading = document.querySelector('h1').textContent;",
    );
    let found = probed(&page, &[]);
    assert_eq!((&found["hit"], &found["images"]), (&0.into(), &0.into()));
    assert!(
        found["heading"]
            .as_str()
            .expect("text")
            .starts_with(hostile)
    );
}

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn the_picture_alone_is_sound_svg() {
    let bench = Bench::new();
    let run = bench.run(&[
        "simulate",
        &fixture(CAR),
        "--show",
        "final",
        "--picture",
        "run.svg",
    ]);
    assert_eq!(run.code, Some(20), "{}", run.err);
    let output = chromium(&["--dump-dom"], &bench.path("run.svg"));
    let dom = String::from_utf8(output.stdout).expect("UTF-8");
    // What an XML parser says of a file that it cannot read.
    assert!(
        !dom.contains("parsererror"),
        "{}",
        &dom[..dom.len().min(600)]
    );
    assert!(dom.trim_end().ends_with("</svg>") && dom.contains("class=\"word alarm\""));
}

#[test]
#[ignore = "needs Chromium: run .ci/browser.sh"]
fn it_is_seen_in_light_and_in_dark() {
    let bench = Bench::new();
    let run = bench.run(&["evidence", &fixture(CAR), "--out", "report.html"]);
    assert_eq!(run.code, Some(20), "{}", run.err);
    let shot = |name: &str, scheme: u8| {
        let option = format!("--screenshot={}", bench.path(name).display());
        let scheme = format!("--blink-settings=preferredColorScheme={scheme}");
        chromium(
            &["--window-size=1120,5000", &scheme, &option],
            &bench.path("report.html"),
        );
        let picture = std::fs::read(bench.path(name)).expect("a picture");
        // A page with nothing on it compresses to a few kilobytes.
        assert!(
            picture.starts_with(b"\x89PNG") && picture.len() > 100_000,
            "{} bytes",
            picture.len()
        );
        picture
    };
    let (light, dark) = (shot("light.png", 1), shot("dark.png", 0));
    assert!(light != dark);
    // Whoever wants to look at them names a folder.
    if let Ok(folder) = std::env::var("OHMSPLIT_SCREENSHOTS") {
        let folder = Path::new(&folder);
        std::fs::create_dir_all(folder).expect("folder");
        std::fs::write(folder.join("report-light.png"), light).expect("write");
        std::fs::write(folder.join("report-dark.png"), dark).expect("write");
    }
}
