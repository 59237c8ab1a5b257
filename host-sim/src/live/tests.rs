//! What the view shows, in words, on terminals of two sizes.

use std::path::Path;
use std::time::Duration;

use ratatui::Terminal;
use ratatui::backend::TestBackend;

use super::{Flow, State, draw};
use crate::capture::{Reader, network_beside};
use crate::network::NetworkFile;
use crate::replay;

/// A fixture, watched up to its end.
fn watched(name: &str) -> State {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../hil-fixtures/captures");
    let path = path.join(name);
    let network = NetworkFile::read(&network_beside(&path)).expect("network");
    let mut reader = Reader::open(&path).expect("capture");
    let config = reader.bind(&network).expect("config");
    let state = std::cell::RefCell::new(State::new(&network.name, &config));
    replay::run(
        &mut reader,
        &config,
        network.monitor,
        |row| state.borrow_mut().sample(row),
        |event| state.borrow_mut().event(event),
    )
    .expect("rows");
    state.into_inner()
}

fn screen(state: &State, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("terminal");
    terminal.draw(|frame| draw(state, frame)).expect("frame");
    terminal.backend().to_string()
}

fn has(screen: &str, all: &[&str]) {
    for words in all {
        assert!(screen.contains(words), "{words} is not in\n{screen}");
    }
}

#[test]
fn a_warning_shows_verdict_figures_limits_and_history() {
    // The netlist: 300 kohm to P and 600 kohm to N, 470 nF, 800 V.
    let mut state = watched("switched-800v-both-rails.csv.gz");
    state.flow(Flow::Open(Duration::from_millis(300)));
    for (width, height) in [(80, 24), (60, 20)] {
        let screen = screen(&state, width, height);
        println!("{screen}");
        has(
            &screen,
            &[
                "WARNING: the interval reaches the warning limit",
                "R_iso       200.",
                "weaker rail N 300.",
                "95 %: 199.9998 kΩ to 200.0002 kΩ",
                "limits      warning 400.0 kΩ, alarm 80.00 kΩ, weaker rail",
                "x           0.33",
                "C           47",
                "tau ",
                "rests on: ",
                " alarm 80.00 kΩ ",
                "1 MΩ",
                "●",
                "last sample ",
                "0.3 s ago; 6000 samples",
                "nothing certified",
            ],
        );
        assert!(!screen.contains("STALLED"), "{screen}");
    }
    has(&screen(&state, 80, 24), &["█   █"]);
    has(&screen(&state, 60, 20), &[">>> WARNING <<<"]);
}

#[test]
fn a_refusal_is_named_and_explained() {
    let state = watched("source-400v-unsettled-half.csv.gz");
    let screen = screen(&state, 80, 24);
    println!("{screen}");
    has(
        &screen,
        &[
            "UNDETERMINED: not_settled: the voltage had not settled",
            "no figure   not_settled",
            "because     the voltage had not settled",
            "last R_iso  none yet",
            "rests on: no answer",
            "?",
        ],
    );
}

#[test]
fn a_bound_is_no_figure() {
    let screen_of = |name| screen(&watched(name), 80, 24);
    has(
        &screen_of("source-400v-open.csv"),
        &["HEALTHY", "open, above", "▲", "no leak is resolved"],
    );
    has(
        &screen_of("source-400v-short-positive.csv"),
        &["ALARM", "short, below", "▼"],
    );
}

#[test]
fn a_stalled_stream_and_one_that_is_over_are_named() {
    let mut state = watched("source-400v-1m-inside.csv");
    state.flow(Flow::Open(Duration::from_secs(7)));
    for (width, height) in [(80, 24), (60, 20)] {
        has(
            &screen(&state, width, height),
            &["STALLED for 7 s: last sample"],
        );
    }
    state.flow(Flow::Ended);
    has(&screen(&state, 80, 24), &["ENDED: the stream is over at"]);
}

#[test]
fn every_size_can_be_drawn_and_no_colour_is_used() {
    let state = watched("switched-800v-both-rails.csv.gz");
    for width in 1..100 {
        for height in [1, 2, 5, 11, 24, 50] {
            let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("terminal");
            terminal.draw(|frame| draw(&state, frame)).expect("frame");
            let cells = &terminal.backend().buffer().content;
            let plain = ratatui::style::Color::Reset;
            assert!(
                cells
                    .iter()
                    .all(|cell| (cell.fg, cell.bg) == (plain, plain))
            );
        }
    }
}
