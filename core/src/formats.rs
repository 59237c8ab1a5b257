//! `defmt::Format` of the types that hold state, as what a log wants of them:
//! the other public types derive it.

use defmt::{Format, Formatter, write};

use crate::contexts::{Handover, Interrupt, Task};
use crate::journal::{Journal, Pages};
use crate::pins::Switches;
use crate::sudden::Watch;
use crate::transient::Transient;
use crate::trend::Trend;
use crate::{Monitor, Sampler, SwiftMonitor};

impl Format for Monitor<'_> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Monitor {} {}", self.drive(), self.verdict());
    }
}

impl Format for SwiftMonitor<'_> {
    fn format(&self, f: Formatter<'_>) {
        write!(
            f,
            "SwiftMonitor {} {} {}",
            self.drive(),
            self.verdict(),
            self.stage()
        );
    }
}

impl Format for Interrupt<'_> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Interrupt {}", self.drive());
    }
}

impl<M: Format> Format for Task<'_, M> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Task {}", self.monitor);
    }
}

impl<P, const N: usize> Format for Switches<'_, P, N> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Switches {}", self.drive);
    }
}

macro_rules! named {
    ($($type:ty, $name:literal;)*) => {
        $(impl Format for $type {
            fn format(&self, f: Formatter<'_>) {
                write!(f, $name);
            }
        })*
    };
}
named! {
    Sampler, "Sampler";
    Transient<'_>, "Transient";
    Watch<'_>, "Watch";
}

impl<const N: usize> Format for Handover<N> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Handover of {=usize}", N);
    }
}

impl Format for Trend {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Trend of {=usize} points", self.points());
    }
}

impl<P: Pages> Format for Journal<P> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Journal at {}", self.next());
    }
}
