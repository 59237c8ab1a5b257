//! `ohmsplit live`

use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use ohmsplit::config::Config;
use ohmsplit::{Reason, Verdict};
use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, KeyCode, KeyEvent, KeyModifiers};

use super::End;
use super::args::{Show, ShowArgs};
use super::campaign::stop;
use super::replay::network_document;
use super::show::{View, note, say, title};
use crate::capture::{Row, network_beside};
use crate::error::HostError;
use crate::live::{Face, Flow, Message, Source, State, draw, start, watch};
use crate::network::NetworkFile;
use crate::output::summary;
use crate::rig::Event;

/// Longest silence about what is waited for.
const PATIENCE: Duration = Duration::from_secs(1);

#[derive(Debug, clap::Args)]
#[command(after_help = "\
A file or a device is followed: at its end, what is written next is waited for. Standard input and pipes end with
their writer. Set a serial device up first, with stty; its bytes are the rows of a capture. What comes before the header
row is passed over, and so are rows that the line has spoilt; the view ends when the device is unplugged.
q or Ctrl-C quits, and the final figures are printed.
Exit codes are those of `ohmsplit --help`, for the verdict when it ended.")]
pub(super) struct LiveArgs {
    /// A capture (CSV, see `ohmsplit formats`), a device, or - for standard input.
    #[arg(value_name = "FILE|-")]
    pub(super) source: PathBuf,
    /// The network file; by default the one beside the capture with the same stem.
    #[arg(long, value_name = "FILE.toml")]
    pub(super) network: Option<PathBuf>,
    /// Print the timeline of `replay` line by line; so it is too when the output is no terminal.
    #[arg(long)]
    pub(super) plain: bool,
}

pub(super) fn run(args: &LiveArgs) -> Result<End, HostError> {
    let source = if args.source.as_os_str() == "-" {
        Source::Input
    } else {
        Source::Path(args.source.clone())
    };
    source.exists()?;
    let path = match (&args.network, &source) {
        (Some(path), _) => path.clone(),
        (None, Source::Path(path)) => network_beside(path),
        (None, Source::Input) => {
            return Err(HostError::input("has no network file beside it")
                .in_file(source.name())
                .expected("the network that describes the stream")
                .mend("name it with --network FILE.toml"));
        }
    };
    let document = network_document(&path, args.network.is_some())?;
    let network = NetworkFile::parse(&document)?;
    let title = title(&network.name, Path::new(&source.name()));
    let (kind, cells) = (network.monitor, network.pack.cells_in_series);
    let stop = stop();
    let messages = start(&source, network, document)?;
    let Some(config) = opened(&messages, stop, &source)? else {
        return Ok(End::Judged(Verdict::Undetermined(Reason::NotYetMeasured)));
    };
    if args.plain || !io::stdout().is_terminal() {
        let show = ShowArgs {
            show: Show::Timeline,
            picture: None,
        };
        let mut face = Plain {
            view: View::new(&show, &title, &config, cells),
            stop,
            stalled: false,
            skipped: Skipped::default(),
        };
        watch(&messages, &config, kind, &mut face)?;
        face.skipped.tell();
        return Ok(End::Judged(face.view.finish(&[])?.verdict()));
    }
    let mut face = Screen::new(State::new(&title, &config), stop)?;
    let end = watch(&messages, &config, kind, &mut face);
    let state = face.leave();
    end?;
    let figures = summary(state.outcome(), state.limits(), cells, None);
    say(&format!("{title}\n\n{}", figures.trim_end()))?;
    Ok(End::Judged(state.outcome().verdict()))
}

/// Waits for the header row; none when the user stops before it comes.
fn opened(
    messages: &Receiver<Message>,
    stop: &AtomicBool,
    source: &Source,
) -> Result<Option<Config>, HostError> {
    let (mut told, mut others) = (false, 0);
    let started = Instant::now();
    while !stop.load(Ordering::Relaxed) {
        match messages.recv_timeout(PATIENCE) {
            Ok(Message::Opened(config)) => return Ok(Some(config)),
            Ok(Message::Failed(error)) => return Err(error),
            Ok(Message::Row(_)) | Err(RecvTimeoutError::Disconnected) => return Ok(None),
            Ok(Message::Skipped(_)) => others += 1,
            Err(RecvTimeoutError::Timeout) => {}
        }
        if !told && started.elapsed() >= PATIENCE {
            let name = source.name();
            note(format_args!(
                "{name}: waiting for the header row; Ctrl-C ends"
            ));
            if others > 0 {
                note(format_args!(
                    "{others} lines have come that are none. Let the device send it again; or, where that cannot be:\n                       (echo time_s,drive,...; cat {name}) | ohmsplit live - --network FILE.toml\n\
                     where the lines are no text, correct the rate of the line with stty"
                ));
            }
            told = true;
        }
    }
    Ok(None)
}

/// Rows that were passed over, told at most once a second.
#[derive(Default)]
struct Skipped {
    lines: u64,
    last: Option<HostError>,
    told: Option<Instant>,
}

impl Skipped {
    fn take(&mut self, error: &HostError) {
        self.lines += 1;
        self.last = Some(error.clone());
        if self.told.is_none_or(|told| told.elapsed() >= PATIENCE) {
            self.tell();
        }
    }

    /// Tells of those that were not told of.
    fn tell(&mut self) {
        if let Some(error) = self.last.take() {
            self.told = Some(Instant::now());
            note(format_args!("passed over, {} in all: {error}", self.lines));
        }
    }
}

/// Lines of text as they come.
struct Plain {
    view: View,
    stop: &'static AtomicBool,
    stalled: bool,
    skipped: Skipped,
}

impl Face for Plain {
    fn skipped(&mut self, error: &HostError) {
        self.skipped.take(error);
    }

    fn sample(&mut self, row: &Row) {
        self.view.sample(row.time_s, row.codes);
    }

    fn event(&mut self, event: &Event) {
        self.view.event(event);
    }

    fn show(&mut self, flow: Flow) -> Result<bool, HostError> {
        if let (Some(silence), false) = (flow.stalled(), self.stalled) {
            note(format_args!(
                "stalled: no sample for {:.0} s; waiting",
                silence.as_secs_f64()
            ));
        }
        self.stalled = flow.stalled().is_some();
        let read = self.view.flush();
        Ok(read && flow != Flow::Ended && !self.stop.load(Ordering::Relaxed))
    }
}

/// Gives the terminal back as it was when dropped, also by an error or a panic.
struct Restore;

impl Drop for Restore {
    fn drop(&mut self) {
        ratatui::restore();
    }
}

/// The whole terminal.
struct Screen {
    terminal: DefaultTerminal,
    state: State,
    stop: &'static AtomicBool,
    _restore: Restore,
}

impl Screen {
    fn new(state: State, stop: &'static AtomicBool) -> Result<Self, HostError> {
        let restore = Restore;
        Ok(Self {
            terminal: ratatui::try_init().map_err(|error| broken(&error))?,
            state,
            stop,
            _restore: restore,
        })
    }

    /// Back to the user's terminal.
    fn leave(self) -> State {
        self.state
    }
}

fn broken(error: &io::Error) -> HostError {
    HostError::system("the terminal", "cannot be used", error).mend("use --plain for lines of text")
}

impl Face for Screen {
    fn skipped(&mut self, error: &HostError) {
        self.state.skipped(error);
    }

    fn sample(&mut self, row: &Row) {
        self.state.sample(row);
    }

    fn event(&mut self, event: &Event) {
        self.state.event(event);
    }

    fn show(&mut self, flow: Flow) -> Result<bool, HostError> {
        self.state.flow(flow);
        self.terminal
            .draw(|frame| draw(&self.state, frame))
            .map_err(|error| broken(&error))?;
        Ok(!asked_to_quit().map_err(|error| broken(&error))? && !self.stop.load(Ordering::Relaxed))
    }
}

/// Whether q or Ctrl-C is among the keys pressed since the frame before.
fn asked_to_quit() -> io::Result<bool> {
    while event::poll(Duration::ZERO)? {
        if let event::Event::Key(key) = event::read()?
            && quits(key)
        {
            return Ok(true);
        }
    }
    Ok(false)
}

fn quits(key: KeyEvent) -> bool {
    let control = key.modifiers.contains(KeyModifiers::CONTROL);
    matches!(key.code, KeyCode::Char('q')) || (control && key.code == KeyCode::Char('c'))
}
