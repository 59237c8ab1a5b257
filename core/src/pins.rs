//! Drive states on switch pins: the only file that knows `embedded-hal`.

use embedded_hal::digital::{OutputPin, PinState};

use crate::config::{Drive, Element, Network};

/// Switch pins in the order of the network's parts: a pin is high when its
/// part is connected. Parts at the end of the list that are always connected,
/// as measuring dividers are, need no pin.
///
/// A source whose polarity is switched by a pin of its own takes it from the
/// sign of the contact's source voltage, see [`Network::contacts`].
#[derive(Debug)]
pub struct Switches<'n, P, const N: usize> {
    network: &'n Network,
    pins: [P; N],
    pub(crate) drive: Option<Drive>,
}

impl<'n, P: OutputPin, const N: usize> Switches<'n, P, N> {
    /// Takes the pins; `None` unless there is one for each part of the network
    /// that has a switch. Call [`Switches::set`] with [`Drive::Rest`] before
    /// measuring.
    #[must_use]
    pub fn new(network: &'n Network, pins: [P; N]) -> Option<Self> {
        let without = network.elements().get(N..)?;
        let permanent = |part: &Element| part.contacts.iter().all(|contact| contact.closed);
        if !without.iter().all(permanent) {
            return None;
        }
        Some(Self {
            network,
            pins,
            drive: None,
        })
    }

    /// Where the switches stand; `None` before the first [`Switches::set`] and
    /// after one that failed.
    #[must_use]
    pub const fn drive(&self) -> Option<Drive> {
        self.drive
    }

    /// Puts the switches into a drive state: opens what must open, then closes
    /// what must close, so that two switches are never closed together on the
    /// way. Every pin is written, also after an error.
    ///
    /// # Errors
    /// The first error that a pin reported.
    pub fn set(&mut self, drive: Drive) -> Result<(), P::Error> {
        let opened = self.write(drive, PinState::Low);
        let closed = self.write(drive, PinState::High);
        let outcome = opened.and(closed);
        self.drive = outcome.is_ok().then_some(drive);
        outcome
    }

    /// Writes the pins whose target is `wanted`.
    fn write(&mut self, drive: Drive, wanted: PinState) -> Result<(), P::Error> {
        let mut outcome = Ok(());
        for (pin, contact) in self.pins.iter_mut().zip(self.network.contacts(drive)) {
            if PinState::from(contact.closed) == wanted {
                outcome = outcome.and(pin.set_state(wanted));
            }
        }
        outcome
    }

    /// Gives the pins back.
    #[must_use]
    pub fn release(self) -> [P; N] {
        self.pins
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Ohms;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
    use std::vec;

    fn network() -> Network {
        let ohms = Ohms::from_int(1_000_000);
        let parts = [
            Element::switched_to_positive(ohms),
            Element::switched_to_negative(ohms),
        ];
        Network::new(&parts).expect("two parts")
    }

    /// One recorder stands for all pins, so that the order of writes shows.
    #[derive(Clone)]
    struct Recorder<'a>(&'a core::cell::RefCell<std::vec::Vec<bool>>);
    impl embedded_hal::digital::ErrorType for Recorder<'_> {
        type Error = core::convert::Infallible;
    }
    impl OutputPin for Recorder<'_> {
        fn set_low(&mut self) -> Result<(), Self::Error> {
            self.0.borrow_mut().push(false);
            Ok(())
        }
        fn set_high(&mut self) -> Result<(), Self::Error> {
            self.0.borrow_mut().push(true);
            Ok(())
        }
    }

    #[test]
    fn each_drive_state_writes_every_pin_once() {
        let upper = vec![
            Transaction::set(State::High),
            Transaction::set(State::Low),
            Transaction::set(State::Low),
        ];
        let lower = vec![
            Transaction::set(State::Low),
            Transaction::set(State::High),
            Transaction::set(State::Low),
        ];
        let network = network();
        let pins = [Mock::new(&upper), Mock::new(&lower)];
        let mut switches = Switches::new(&network, pins).expect("a pin for each part");
        assert_eq!(switches.drive(), None);
        for drive in [Drive::Raise, Drive::Lower, Drive::Rest] {
            switches.set(drive).expect("the mock does not fail");
            assert_eq!(switches.drive(), Some(drive));
        }
        for mut pin in switches.release() {
            pin.done();
        }
    }

    #[test]
    fn a_switch_opens_before_another_closes() {
        let log = core::cell::RefCell::new(vec![]);
        let network = network();
        let pins = [Recorder(&log), Recorder(&log)];
        let mut switches = Switches::new(&network, pins).expect("a pin for each part");
        for drive in [Drive::Raise, Drive::Lower] {
            switches.set(drive).expect("infallible");
        }
        assert_eq!(*log.borrow(), [false, true, false, true]);
    }

    #[test]
    fn the_check_resistor_has_a_pin_that_is_high_in_its_state_alone() {
        let ohms = Ohms::from_int(300_000);
        let known = Element::check_resistor(ohms, crate::config::Landing::Positive);
        let network = Network::new(&[known]).expect("one part");
        assert!(Switches::<Recorder<'_>, 0>::new(&network, []).is_none());
        let log = core::cell::RefCell::new(vec![]);
        let mut switches = Switches::new(&network, [Recorder(&log)]).expect("a pin");
        for drive in Drive::ALL {
            switches.set(drive).expect("infallible");
        }
        assert_eq!(*log.borrow(), [false, false, false, true]);
    }

    #[test]
    fn a_pin_that_fails_leaves_the_state_unknown_and_the_others_written() {
        use embedded_hal_mock::eh1::MockError;
        use std::io::ErrorKind;
        let failing =
            [Transaction::set(State::High).with_error(MockError::Io(ErrorKind::NotConnected))];
        let other = [Transaction::set(State::Low)];
        let network = network();
        let pins = [Mock::new(&failing), Mock::new(&other)];
        let mut switches = Switches::new(&network, pins).expect("a pin for each part");
        assert!(switches.set(Drive::Raise).is_err());
        assert_eq!(switches.drive(), None);
        for mut pin in switches.release() {
            pin.done();
        }
    }

    #[test]
    fn a_switch_without_a_pin_and_a_pin_without_a_switch_are_refused() {
        let network = network();
        assert!(Switches::<Recorder<'_>, 0>::new(&network, []).is_none());
        let log = core::cell::RefCell::new(vec![]);
        let pins = [0; 3].map(|_| Recorder(&log));
        assert!(Switches::new(&network, pins).is_none());
    }
}
