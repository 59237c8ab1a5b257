//! The live view where the output is no terminal: lines as they come.

use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use super::bad_input::refused;
use super::{Bench, Run, fixture, interrupt};

/// A leak comes at 4 s of 10 s: healthy in the first half, alarm in the second.
const CAPTURE: &str = "captures/source-400v-leak-step.csv.gz";
const NETWORK: &str = "captures/source-400v-leak-step.toml";
/// Longer than any line takes to come; a test that waits longer has failed.
const PATIENCE: Duration = Duration::from_secs(600);

/// The program, watching; its output is read line by line.
struct Watched {
    child: Child,
    lines: Receiver<String>,
    seen: String,
}

impl Watched {
    fn start(bench: &Bench, source: &str) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_ohmsplit"))
            .args(["live", source, "--network", &fixture(NETWORK)])
            .current_dir(bench.folder.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let out = BufReader::new(child.stdout.take().expect("output"));
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in out.lines() {
                // Nobody listens when the test has failed.
                let _ = sender.send(line.expect("UTF-8") + "\n");
            }
        });
        Self {
            child,
            lines,
            seen: String::new(),
        }
    }

    /// Reads on until a line ends with this word.
    fn wait_for(&mut self, word: &str) {
        loop {
            let Ok(line) = self.lines.recv_timeout(PATIENCE) else {
                let _ = self.child.kill();
                panic!("{word} did not come: {}", self.seen);
            };
            self.seen += &line;
            if line.trim_end().ends_with(word) {
                return;
            }
        }
    }

    fn send(&mut self, bytes: &[u8]) {
        let input = self.child.stdin.as_mut().expect("input");
        input.write_all(bytes).expect("it reads");
    }

    fn interrupt(&self) {
        interrupt(&self.child);
    }

    /// Closes its input and waits for its end.
    fn end(mut self) -> Run {
        drop(self.child.stdin.take());
        while let Ok(line) = self.lines.recv_timeout(PATIENCE) {
            self.seen += &line;
        }
        let rest = self.child.wait_with_output().expect("it ends");
        Run {
            out: self.seen,
            ..Run::of(&rest)
        }
    }
}

/// All but the title, which names the source.
fn body(text: &str) -> &str {
    text.split_once('\n').expect("a title").1
}

/// The capture cut in the middle of a row, after some seconds.
fn halves() -> (Vec<u8>, Vec<u8>) {
    let packed = std::fs::File::open(fixture(CAPTURE)).expect("capture");
    let mut first = Vec::new();
    flate2::read::MultiGzDecoder::new(packed)
        .read_to_end(&mut first)
        .expect("gzip");
    let mut cut = first.len() / 2;
    while first[cut - 3..cut].contains(&b'\n') || first[cut..cut + 3].contains(&b'\n') {
        cut += 1;
    }
    let second = first.split_off(cut);
    (first, second)
}

#[test]
fn a_pipe_that_pauses_in_a_row_gives_the_lines_of_a_replay() {
    let bench = Bench::new();
    let (first, second) = halves();
    let mut live = Watched::start(&bench, "-");
    live.send(&first);
    // It is there before the rest has been sent.
    live.wait_for("healthy");
    live.send(&second);
    let run = live.end();
    let replay = bench.run(&["replay", &fixture(CAPTURE)]);
    assert_eq!(body(&run.out), body(&replay.out));
    assert_eq!((run.code, replay.code), (Some(20), Some(20)), "{}", run.err);
}

#[test]
fn a_file_that_grows_is_followed_until_interrupted() {
    let bench = Bench::new();
    let (first, second) = halves();
    let path = bench.write("run.csv", &first);
    let mut live = Watched::start(&bench, "run.csv");
    live.wait_for("healthy");
    let mut file = std::fs::OpenOptions::new()
        .append(true)
        .open(path)
        .expect("file");
    file.write_all(&second).expect("append");
    live.wait_for("alarm");
    live.interrupt();
    let run = live.end();
    assert_eq!(run.code, Some(20), "{}", run.err);
    assert!(run.out.contains("ALARM: the interval"), "{}", run.out);
}

#[test]
fn a_bad_row_is_one_error_with_its_line() {
    let bench = Bench::new();
    let (first, _) = halves();
    let lines = first.iter().filter(|byte| **byte == b'\n').count();
    let mut live = Watched::start(&bench, "-");
    live.send(&first);
    live.send(b"\nnonsense\n");
    let run = live.end();
    assert_eq!(run.code, Some(2));
    let place = format!("error: standard input, line {}", lines + 1);
    assert!(run.err.contains(&place), "{place}: {}", run.err);
}

#[test]
fn a_file_that_becomes_shorter_is_an_error() {
    let bench = Bench::new();
    let path = bench.write("run.csv", halves().0);
    let mut live = Watched::start(&bench, "run.csv");
    live.wait_for("healthy");
    std::fs::write(path, "time_s").expect("write");
    let run = live.end();
    assert_eq!(run.code, Some(2), "{}", run.err);
    assert!(run.err.contains("became shorter"), "{}", run.err);
}

#[test]
fn standard_input_needs_a_network_by_name() {
    let run = Bench::new().run(&["live", "-"]);
    assert_eq!(run.code, Some(2));
    assert!(run.err.contains("--network"), "{}", run.err);
}

/// Feeds a pseudo-terminal: noise, the capture with spoilt rows, a pause, then the device is unplugged.
const SERIAL: &str = r#"
import os, pty, signal, subprocess, sys, time, tty
signal.alarm(120)  # a line that never comes fails the test instead of holding it up
program, network, capture = sys.argv[1:]
lines = open(capture, "rb").read().splitlines()
controller, line = pty.openpty()
tty.setraw(line)
watch = subprocess.Popen([program, "live", os.ttyname(line), "--network", network],
                         stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
os.write(controller, b"5,raise,1\xff\xfe\r\n")
said = watch.stderr.readline()  # that it waits for the header row: so it has the device open
os.close(line)
for number, text in enumerate(lines):
    os.write(controller, text + b"\r\n")
    if number in (500, 501):
        os.write(controller, b"1.0\x80,ra\xffise\r\n")
    if number == 900:
        time.sleep(2.5)
out = b""
while not out.endswith(b"alarm\n"):
    out += watch.stdout.readline()
os.write(controller, b"99.0,rai")
os.close(controller)
rest, errors = watch.communicate()
sys.stdout.buffer.write(out + rest)
sys.stderr.buffer.write(said + errors)
sys.exit(watch.returncode)
"#;

/// A serial line as it is: joined in the middle of a row, disturbed, silent for a while, unplugged.
#[cfg(target_os = "linux")]
#[test]
fn a_serial_line_is_followed_through_noise_and_silence_until_it_is_unplugged() {
    let bench = Bench::new();
    let (first, second) = halves();
    bench.write("run.csv", [first, second].concat());
    bench.write("serial.py", SERIAL);
    let ran = Command::new("python3")
        .args([
            "serial.py",
            env!("CARGO_BIN_EXE_ohmsplit"),
            &fixture(NETWORK),
        ])
        .arg("run.csv")
        .current_dir(bench.folder.path())
        .output();
    let Ok(ran) = ran else {
        eprintln!("skipped: no python3 here");
        return;
    };
    let run = Run::of(&ran);
    let all = format!("{}{}", run.out, run.err);
    assert_eq!(run.code, Some(20), "{all}");
    for words in [
        "waiting for the header row",
        "passed over, 2 in all",
        "stalled: no sample for 2 s",
        "ALARM: the interval",
    ] {
        assert!(all.contains(words), "{words} in: {all}");
    }
}

/// The file itself, and not the network that is not beside it either.
#[test]
fn a_file_that_is_not_there_is_told() {
    let bench = Bench::new();
    refused(
        &bench.run(&["live", "none.csv"]),
        &["none.csv: cannot open", "check the name"],
    );
    refused(
        &bench.run(&["live", "."]),
        &[".: this is a folder", "name a file in it"],
    );
}
