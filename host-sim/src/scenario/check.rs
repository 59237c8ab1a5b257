//! Ranges of a scenario's values, and whether they suit the monitor.

use std::ops::RangeInclusive;

use ohmsplit::config::{Config, Drive, FrontEnd, Landing};

use super::{Disturbance, Leak, PackProfile, PartErrors, World};
use crate::document::{FieldFault, in_range};
use crate::plant::parts::{Role, monitor_holds_chassis, roles};

/// Longest time that a scenario may name, in seconds: a year.
pub(super) const LONGEST_S: f64 = 3.2e7;
/// Capacitances that a scenario may name, in microfarads. A battery has more than 10 pF to the chassis (common
/// practice, no source), and what is below 10 uF is less than this when it is written in farads.
pub(super) const CAPACITANCES_UF: RangeInclusive<f64> = 1e-5..=1e6;
/// Largest voltage that a scenario may name.
const HIGHEST_V: f64 = 1.0e5;

impl World {
    /// Checks every value's range and that it suits the monitor.
    ///
    /// # Errors
    /// The first field at fault.
    pub fn check(&self, config: &Config) -> Result<(), FieldFault> {
        in_range("sample_rate_Hz", self.sample_rate_hz, 0.001..=1.0e6, "Hz")?;
        check_leaks(&self.leaks)?;
        self.check_capacitance(config)?;
        check_profile(&self.pack_profile)?;
        let rail_pair = matches!(config.front_end(), FrontEnd::RailPair { .. });
        check_disturbance(&self.disturbance, rail_pair)?;
        for (place, fault) in self.faults.iter().enumerate() {
            fault.check(&format!("fault[{place}]"), config)?;
        }
        check_parts(&self.parts, config, rail_pair)
    }

    fn check_capacitance(&self, config: &Config) -> Result<(), FieldFault> {
        let both = [
            ("capacitance.positive_uF", self.capacitance.positive_uf),
            ("capacitance.negative_uF", self.capacitance.negative_uf),
        ];
        for (path, value) in both {
            if value != 0.0 {
                in_range(path, value, CAPACITANCES_UF, "uF, or 0")?;
            }
        }
        let leaks_from_start = self.leaks.first().is_some_and(|leak| leak.from_s == 0.0)
            && self.leaks.iter().all(Leak::conducts);
        let held = leaks_from_start || Drive::ALL.iter().all(|&d| monitor_holds_chassis(config, d));
        if self.capacitance.farads() == [0.0; 2] && !held {
            return Err(FieldFault::new(
                "capacitance",
                "nothing holds the chassis: no capacitance, and at times no conductance",
                "a capacitance, a leak from 0 s on, or a permanent part",
            )
            .mend("give the capacitance that the battery has to the chassis"));
        }
        Ok(())
    }
}

impl Leak {
    fn conducts(&self) -> bool {
        let parts = [self.positive_ohm, self.negative_ohm, self.resistance_ohm];
        parts.iter().flatten().any(|ohm| ohm.is_finite())
    }

    fn check(&self, path: &str) -> Result<(), FieldFault> {
        let at = |field: &str| format!("{path}.{field}");
        in_range(&at("from_s"), self.from_s, 0.0..=LONGEST_S, "s")?;
        for (field, ohm) in [
            ("positive_ohm", self.positive_ohm),
            ("negative_ohm", self.negative_ohm),
            ("resistance_ohm", self.resistance_ohm),
        ] {
            if let Some(ohm) = ohm
                && ohm != f64::INFINITY
            {
                in_range(&at(field), ohm, 0.0..=1e15, "ohm, or inf for none")?;
            }
        }
        if let Some(position) = self.position {
            in_range(&at("position"), position, 0.0..=1.0, "")?;
        }
        if let Some(ramp) = self.ramp_s {
            in_range(&at("ramp_s"), ramp, 0.0..=LONGEST_S, "s")?;
        }
        let rails = self.positive_ohm.is_some() || self.negative_ohm.is_some();
        let inside = self.resistance_ohm.is_some();
        let complete = inside == self.position.is_some();
        if rails == inside || !complete {
            return Err(FieldFault::new(
                path,
                "the leak is not described in one of the two ways",
                "positive_ohm and/or negative_ohm, or resistance_ohm with position",
            )
            .mend("for no leak write positive_ohm = inf"));
        }
        Ok(())
    }
}

fn check_leaks(leaks: &[Leak]) -> Result<(), FieldFault> {
    let mut free_from = 0.0;
    for (place, leak) in leaks.iter().enumerate() {
        let path = format!("leak[{place}]");
        leak.check(&path)?;
        if leak.from_s < free_from || (place > 0 && leak.from_s == free_from) {
            return Err(FieldFault::new(
                &format!("{path}.from_s"),
                format!("{} s is not after the leak before", leak.from_s),
                format!("more than {free_from} s, when the entry before is complete"),
            )
            .mend("put the entries in order of time, without overlap of ramps"));
        }
        free_from = leak.from_s + leak.ramp_s.unwrap_or(0.0);
    }
    Ok(())
}

fn check_profile(profile: &PackProfile) -> Result<(), FieldFault> {
    let volts = |path: &str, value: f64| in_range(path, value, -HIGHEST_V..=HIGHEST_V, "V");
    let time = |path: &str, value: f64| in_range(path, value, 0.0..=LONGEST_S, "s");
    if let Some(start) = profile.start_v {
        volts("pack_profile.start_V", start)?;
        if !profile.point.is_empty() {
            return Err(FieldFault::new(
                "pack_profile.start_V",
                "the points already say where the voltage starts",
                "start_V, or points",
            )
            .mend("remove start_V"));
        }
    }
    let mut last = -1.0;
    for (place, point) in profile.point.iter().enumerate() {
        let path = format!("pack_profile.point[{place}]");
        time(&format!("{path}.time_s"), point.time_s)?;
        volts(&format!("{path}.voltage_V"), point.voltage_v)?;
        if point.time_s <= last {
            let problem = format!("{} s is not after the point before", point.time_s);
            let expected = format!("more than {last} s");
            return Err(
                FieldFault::new(&format!("{path}.time_s"), problem, expected)
                    .mend("put the points in order of time; a jump is a step"),
            );
        }
        last = point.time_s;
    }
    for (place, step) in profile.step.iter().enumerate() {
        let path = format!("pack_profile.step[{place}]");
        time(&format!("{path}.time_s"), step.time_s)?;
        volts(&format!("{path}.change_V"), step.change_v)?;
    }
    for (place, ramp) in profile.ramp.iter().enumerate() {
        let path = format!("pack_profile.ramp[{place}]");
        time(&format!("{path}.from_s"), ramp.from_s)?;
        time(&format!("{path}.to_s"), ramp.to_s)?;
        volts(&format!("{path}.change_V"), ramp.change_v)?;
        if ramp.to_s <= ramp.from_s {
            let problem = format!("{} s is not after from_s", ramp.to_s);
            let expected = format!("more than {} s", ramp.from_s);
            return Err(FieldFault::new(&format!("{path}.to_s"), problem, expected)
                .mend("give the ramp a length; a sudden change is a step"));
        }
    }
    Ok(())
}

fn check_disturbance(disturbance: &Disturbance, rail_pair: bool) -> Result<(), FieldFault> {
    for (name, value, of_pair) in [
        ("noise_chassis_V", disturbance.noise_chassis_v, false),
        ("noise_pack_V", disturbance.noise_pack_v, false),
        ("noise_positive_V", disturbance.noise_positive_v, true),
        ("noise_negative_V", disturbance.noise_negative_v, true),
    ] {
        let Some(value) = value else { continue };
        let path = format!("disturbance.{name}");
        if of_pair != rail_pair {
            return Err(no_such_channel(&path, rail_pair));
        }
        in_range(&path, value, 0.0..=HIGHEST_V, "V")?;
    }
    for (tone, peak, hertz) in [
        ("ripple", disturbance.ripple_v, disturbance.ripple_hz),
        ("hum", disturbance.hum_v, disturbance.hum_hz),
    ] {
        in_range(&format!("disturbance.{tone}_V"), peak, 0.0..=HIGHEST_V, "V")?;
        let lowest = if peak > 0.0 { 1e-6 } else { 0.0 };
        in_range(&format!("disturbance.{tone}_Hz"), hertz, lowest..=1e9, "Hz")?;
    }
    Ok(())
}

fn no_such_channel(path: &str, rail_pair: bool) -> FieldFault {
    let (kind, channels) = if rail_pair {
        ("rail_pair", "positive and negative")
    } else {
        ("chassis_and_pack", "chassis and pack")
    };
    FieldFault::new(
        path,
        format!("a {kind} front end has no such channel"),
        format!("the channels {channels}"),
    )
    .mend("name the channel that is there, or correct network.front_end.kind")
}

fn check_parts(parts: &PartErrors, config: &Config, rail_pair: bool) -> Result<(), FieldFault> {
    let drive_lands = |rail: Landing| {
        let elements = config.network().elements();
        elements
            .iter()
            .zip(roles(config))
            .any(|(e, role)| role == Role::Drive && [rail, Landing::BothRails].contains(&e.landing))
    };
    let has_source = config.network().elements().iter().any(|element| {
        let mut contacts = element.contacts.iter();
        contacts.any(|contact| contact.emf.to_bits() != 0)
    });
    for (name, value, there) in [
        ("amplitude_percent", parts.amplitude_percent, has_source),
        (
            "positive_resistance_percent",
            parts.positive_resistance_percent,
            drive_lands(Landing::Positive),
        ),
        (
            "negative_resistance_percent",
            parts.negative_resistance_percent,
            drive_lands(Landing::Negative),
        ),
        (
            "check_resistance_percent",
            parts.check_resistance_percent,
            config.network().has_check_resistor(),
        ),
    ] {
        let Some(value) = value else { continue };
        let path = format!("parts.{name}");
        if !there {
            return Err(FieldFault::new(
                &path,
                "the drive has no such part",
                "a part of the drive",
            )
            .mend("remove the field, or correct network.drive.kind"));
        }
        percent(&path, value)?;
    }
    check_permanent(parts, config)?;
    check_channels(parts, rail_pair)
}

fn check_channels(parts: &PartErrors, rail_pair: bool) -> Result<(), FieldFault> {
    for (name, errors, of_pair) in [
        ("chassis", parts.chassis, false),
        ("pack", parts.pack, false),
        ("positive", parts.positive, true),
        ("negative", parts.negative, true),
    ] {
        let Some(errors) = errors else { continue };
        let path = format!("parts.{name}");
        if of_pair != rail_pair {
            return Err(no_such_channel(&path, rail_pair));
        }
        let gain = errors.gain_percent.unwrap_or(0.0);
        percent(&format!("{path}.gain_percent"), gain)?;
        percent(&format!("{path}.load_percent"), errors.load_percent)?;
        let offset = errors.offset_v.unwrap_or(0.0);
        let limits = -HIGHEST_V..=HIGHEST_V;
        in_range(&format!("{path}.offset_V"), offset, limits, "V")?;
    }
    Ok(())
}

fn check_permanent(parts: &PartErrors, config: &Config) -> Result<(), FieldFault> {
    let there = roles(config)
        .iter()
        .filter(|role| matches!(role, Role::Permanent(_)))
        .count();
    if parts.permanent_percent.len() > there {
        return Err(FieldFault::new(
            "parts.permanent_percent",
            format!("{} errors", parts.permanent_percent.len()),
            format!("one for each permanent part, of which there are {there}"),
        ));
    }
    for (place, &value) in parts.permanent_percent.iter().enumerate() {
        percent(&format!("parts.permanent_percent[{place}]"), value)?;
    }
    Ok(())
}

/// A part may be off by anything that leaves it a part.
fn percent(path: &str, value: f64) -> Result<f64, FieldFault> {
    in_range(path, value, -90.0..=1000.0, "percent")
}
