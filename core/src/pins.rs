//! Drive states on switch pins: the only file that knows `embedded-hal`.

use embedded_hal::digital::{OutputPin, PinState};

use crate::config::{Drive, Network};

/// Switch pins in the order of the network's parts: a pin is high when its
/// part is connected. Parts that are always connected need a pin too, or a
/// pin type that does nothing.
///
/// A source whose polarity is switched by a pin of its own takes it from the
/// sign of the contact's source voltage, see [`Network::contacts`].
#[derive(Debug)]
pub struct Switches<P, const N: usize> {
    pins: [P; N],
}

impl<P: OutputPin, const N: usize> Switches<P, N> {
    /// Takes the pins. Call [`Switches::set`] with [`Drive::Rest`] before
    /// measuring.
    #[must_use]
    pub const fn new(pins: [P; N]) -> Self {
        Self { pins }
    }

    /// Puts the switches into a drive state: opens what must open, then closes
    /// what must close, so that two switches are never closed together on the
    /// way. Every pin is written, also after an error.
    ///
    /// # Errors
    /// The first error that a pin reported.
    pub fn set(&mut self, network: &Network, drive: Drive) -> Result<(), P::Error> {
        let opened = self.write(network, drive, PinState::Low);
        let closed = self.write(network, drive, PinState::High);
        opened.and(closed)
    }

    /// Writes the pins whose target is `wanted`.
    fn write(&mut self, network: &Network, drive: Drive, wanted: PinState) -> Result<(), P::Error> {
        let mut outcome = Ok(());
        for (pin, contact) in self.pins.iter_mut().zip(network.contacts(drive)) {
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
    use crate::config::Element;
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
        let mut switches = Switches::new([Mock::new(&upper), Mock::new(&lower)]);
        for drive in [Drive::Raise, Drive::Lower, Drive::Rest] {
            switches
                .set(&network(), drive)
                .expect("the mock does not fail");
        }
        for mut pin in switches.release() {
            pin.done();
        }
    }

    #[test]
    fn a_switch_opens_before_another_closes() {
        // One recorder stands for both pins, so that the order of writes shows.
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
        let log = core::cell::RefCell::new(vec![]);
        let mut switches = Switches::new([Recorder(&log), Recorder(&log)]);
        for drive in [Drive::Raise, Drive::Lower] {
            switches.set(&network(), drive).expect("infallible");
        }
        assert_eq!(*log.borrow(), [false, true, false, true]);
    }
}
