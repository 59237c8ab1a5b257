//! The two contexts of firmware as two types, and the lock-free handover
//! between them.
//!
//! ```text
//! interrupt:  converters ──> Interrupt::sample ──┐ blocks                ┌──> switches
//!                                                ▼      wanted drive ────┘
//! background:                              Task::poll ──> reports
//! ```
//!
//! [`Handover::split`] gives out both halves, once. [`Interrupt`] goes into the
//! sampling interrupt, [`Task`] into the background; neither can be copied, so
//! that the compiler refuses a call from the wrong place. Between them pass
//! blocks, through a queue with one producer and one consumer, and the drive
//! state that the monitor wants, in one byte: no lock, no critical section, no
//! waiting on either side. Both halves are `Send`, so that each may also live on
//! a core of its own.

use core::sync::atomic::{AtomicU8, Ordering};

use embedded_hal::digital::OutputPin;
use heapless::spsc::{Consumer, Producer, Queue};

use crate::config::{Config, Drive};
use crate::diagnose::Findings;
use crate::front::{RawBlock, Sampler};
use crate::monitor::{Monitor, Step};
use crate::pins::Switches;
use crate::report::Verdict;
use crate::sample::Sample;
use crate::swift::SwiftMonitor;

/// What a background task does with a monitor, whichever the designer chose.
/// The calls are those of [`Monitor`] and [`SwiftMonitor`].
pub trait Background<'c> {
    /// A monitor that has seen nothing.
    fn begin(config: &'c Config) -> Self;
    /// Takes a block; false when one before it was lost.
    fn accept(&mut self, block: &RawBlock) -> bool;
    /// One bounded slice of work.
    fn step(&mut self) -> Step;
    /// Ends the dwell under way.
    fn finish(&mut self);
    /// The drive state that the switches should take.
    fn drive(&self) -> Drive;
    /// The verdict as it stands.
    fn verdict(&self) -> Verdict;
    /// What the self-diagnosis finds.
    fn findings(&self) -> Findings;
    /// Leaves the bus to another monitor; see [`Monitor::yield_bus`].
    fn yield_bus(&mut self);
    /// Takes it back; see [`Monitor::resume_bus`].
    fn resume_bus(&mut self);
}

macro_rules! background {
    ($monitor:ident) => {
        impl<'c> Background<'c> for $monitor<'c> {
            fn begin(config: &'c Config) -> Self {
                Self::new(config)
            }
            fn accept(&mut self, block: &RawBlock) -> bool {
                self.accept(block)
            }
            fn step(&mut self) -> Step {
                self.step()
            }
            fn finish(&mut self) {
                self.finish();
            }
            fn drive(&self) -> Drive {
                self.drive()
            }
            fn verdict(&self) -> Verdict {
                self.verdict()
            }
            fn findings(&self) -> Findings {
                self.findings()
            }
            fn yield_bus(&mut self) {
                self.yield_bus();
            }
            fn resume_bus(&mut self) {
                self.resume_bus();
            }
        }
    };
}
background!(Monitor);
background!(SwiftMonitor);

/// A pair of converters that firmware reads: the one thing about a converter
/// for which `embedded-hal` has no trait.
pub trait Readings {
    /// Why there is no reading.
    type Error;

    /// The newest pair of codes, taken together, in the order of the front
    /// end's channels. It must not wait for a conversion: a conversion that is
    /// not there is an error, and the sample then is missing.
    ///
    /// # Errors
    /// When there is no new pair.
    fn read(&mut self) -> Result<[i32; 2], Self::Error>;
}

/// What went wrong in one tick of the sampling interrupt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum TickError<R, P> {
    /// The converters gave no reading: the sample is missing, which the monitor
    /// notices by itself once a whole block is.
    Reading(R),
    /// A switch did not move. Until all stand as wanted no sample is taken, as
    /// nobody knows in what state it would be; every tick tries again.
    Switch(P),
}

/// The memory that both contexts share. `N` is a power of two; the queue holds
/// `N - 1` blocks: at 20 ms a block, `N` = 8 bridges 140 ms of other work. A
/// block that finds no room is dropped; the monitor finds the gap by the
/// numbers of the blocks.
#[derive(Debug)]
pub struct Handover<const N: usize> {
    queue: Queue<RawBlock, N>,
    /// [`Drive::index`] of the state that the monitor wants.
    wanted: AtomicU8,
}

impl<const N: usize> Default for Handover<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> Handover<N> {
    /// Empty; for a `static`, or a local of `main`.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            queue: Queue::new(),
            wanted: AtomicU8::new(Drive::Rest as u8),
        }
    }

    /// Both halves, of a monitor that has seen nothing. What an earlier pair
    /// left in the queue is dropped.
    pub fn split<'a, M: Background<'a>>(
        &'a mut self,
        config: &'a Config,
    ) -> (Interrupt<'a>, Task<'a, M>) {
        while self.queue.dequeue().is_some() {}
        let monitor = M::begin(config);
        *self.wanted.get_mut() = code(monitor.drive());
        let (producer, consumer) = self.queue.split();
        let wanted = &self.wanted;
        let interrupt = Interrupt {
            sampler: Sampler::new(config),
            blocks: producer,
            wanted,
            in_force: Drive::Rest,
        };
        let task = Task {
            monitor,
            blocks: consumer,
            wanted,
        };
        (interrupt, task)
    }
}

/// The interrupt's half. Its calls take a few dozen instructions and never wait.
pub struct Interrupt<'a> {
    sampler: Sampler,
    blocks: Producer<'a, RawBlock>,
    wanted: &'a AtomicU8,
    in_force: Drive,
}

impl Interrupt<'_> {
    /// The drive state in which the next sample will be taken. At the start it
    /// is [`Drive::Rest`]: put the switches there first.
    #[must_use]
    pub const fn drive(&self) -> Drive {
        self.in_force
    }

    /// Takes a pair of codes, sampled at `at_us` of a free-running counter in
    /// the state of [`Interrupt::drive`]. Returns the state that the switches
    /// must take before the next sample: put them there at once.
    pub fn sample(&mut self, at_us: u32, codes: [i32; 2]) -> Drive {
        let sample = Sample {
            at_us,
            drive: self.in_force,
            codes,
        };
        if let Some(block) = self.sampler.push(&sample) {
            // No room: the background is late, and will see the gap.
            let _ = self.blocks.enqueue(block);
        }
        self.in_force = self.wanted();
        self.in_force
    }

    /// One tick with the hardware behind traits: reads, samples, and moves the
    /// switches when another drive state is wanted.
    ///
    /// # Errors
    /// [`TickError`]; the next tick goes on as if it had not been.
    pub fn tick<R: Readings, P: OutputPin, const N: usize>(
        &mut self,
        at_us: u32,
        readings: &mut R,
        switches: &mut Switches<'_, P, N>,
    ) -> Result<(), TickError<R::Error, P::Error>> {
        if switches.drive() != Some(self.in_force) {
            return switches.set(self.in_force).map_err(TickError::Switch);
        }
        let before = self.in_force;
        let codes = readings.read().map_err(TickError::Reading)?;
        if self.sample(at_us, codes) == before {
            return Ok(());
        }
        switches.set(self.in_force).map_err(TickError::Switch)
    }

    fn wanted(&self) -> Drive {
        let code = usize::from(self.wanted.load(Ordering::Acquire));
        Drive::ALL.get(code).copied().unwrap_or(Drive::Rest)
    }
}

/// The background's half.
pub struct Task<'a, M> {
    pub(crate) monitor: M,
    blocks: Consumer<'a, RawBlock>,
    wanted: &'a AtomicU8,
}

impl<'a, M: Background<'a>> Task<'a, M> {
    /// One bounded slice of work: takes the next block once the last one is
    /// worked off. [`Step::Idle`] means that the queue is empty, and the
    /// processor may sleep until the next interrupt.
    pub fn poll(&mut self) -> Step {
        let step = match self.monitor.step() {
            Step::Idle => match self.blocks.dequeue() {
                Some(block) => {
                    self.monitor.accept(&block);
                    Step::Busy
                }
                None => Step::Idle,
            },
            step => step,
        };
        self.wanted
            .store(code(self.monitor.drive()), Ordering::Release);
        step
    }

    /// Leaves the bus to another monitor; see [`Monitor::yield_bus`].
    pub fn yield_bus(&mut self) {
        self.monitor.yield_bus();
    }

    /// Takes it back; see [`Monitor::resume_bus`].
    pub fn resume_bus(&mut self) {
        self.monitor.resume_bus();
    }

    /// The monitor, to be asked for its verdict.
    #[must_use]
    pub const fn monitor(&self) -> &M {
        &self.monitor
    }
}

const fn code(drive: Drive) -> u8 {
    drive as u8
}

#[cfg(test)]
mod tests;
