"""The captures, one entry each. Every fixture of this folder follows from this table."""
import realdata
from model import Capture, Channel


def load(ohm):
    """A divider whose taps are not read: the capture is in volts."""
    return Channel(ohm * 0.99, ohm * 0.01)


def converter(bits, span_V, top=9.9e6, bottom=100e3, unipolar=False, **calibration):
    """A converter behind a divider that spans span_V at the terminals, centred on 0 V unless unipolar."""
    zero = 0 if unipolar else 2 ** (bits - 1)
    return Channel(top, bottom, bits, span_V * bottom / (top + bottom), zero, **calibration)


def to_negative(amplitude, ohm):
    return {"kind": "source_to_negative", "amplitude_V": amplitude, "series_resistance_ohm": ohm}


def to_both(amplitude, ohm):
    return {"kind": "source_to_both_rails", "amplitude_V": amplitude, "series_resistance_ohm": ohm}


def switched(ra, rb):
    return {"kind": "switched_resistors", "positive_resistance_ohm": ra, "negative_resistance_ohm": rb}


def logic(low, high, ohm):
    return {"kind": "logic_source", "low_V": low, "high_V": high, "series_resistance_ohm": ohm}


PLANT = (
    Capture(
        "source-400v-1m-inside", "400 V pack, 1 Mohm leak three tenths up the stack, source to the negative rail",
        400.0, to_negative(40.0, 1e6), ((0.3, 1e6),), 50e-9, 50e-9, load(10e6), load(10e6),
        1.0, 8, 500, cells=96, rest_s=0.2, plain=True),
    Capture(
        "switched-800v-both-rails", "800 V pack, leaks from both rails, unequal switched resistors, 24 bits",
        800.0, switched(1.2e6, 2.0e6), ((1.0, 600e3), (0.0, 300e3)), 270e-9, 200e-9,
        converter(24, 2048.0, 19.9e6), converter(24, 2048.0, 19.9e6), 1.5, 8, 500, cells=192),
    Capture(
        "source-350v-10k-positive", "350 V pack, 10 kohm from the positive rail, 1 uF, 16 bits",
        350.0, to_negative(50.0, 500e3), ((1.0, 10e3),), 500e-9, 500e-9,
        converter(16, 1000.0), converter(16, 1000.0), 0.6, 10, 1000, cells=84, rest_s=0.3),
    Capture(
        "both-750v-centre-bleeds", "750 V pack, 2 Mohm leak at the middle, source to both rails, unequal bleeds, 16 bits",
        750.0, to_both(60.0, 2e6), ((0.5, 2e6),), 100e-9, 120e-9,
        converter(16, 2048.0, 19.9e6), converter(16, 2048.0, 19.9e6), 2.0, 6, 1000, cells=180,
        permanent=(("positive", 4.7e6), ("negative", 6.8e6))),
    Capture(
        "logic-60v-15k-negative", "60 V pack, 15 kohm from the negative rail, 5 uF, logic level as source, 24 bits",
        60.0, logic(0.0, 3.3, 200e3), ((0.0, 15e3),), 2e-6, 3e-6,
        converter(24, 128.0), converter(24, 128.0), 1.0, 8, 500, cells=16, rest_s=0.5),
    Capture(
        "source-1500v-10m-inside", "1500 V pack, 10 Mohm leak three tenths up the stack, 10 nF, 24 bits",
        1500.0, to_negative(100.0, 2e6), ((0.3, 10e6),), 4e-9, 6e-9,
        converter(24, 4096.0, 39.9e6), converter(24, 4096.0, 39.9e6), 0.5, 10, 2000,
        permanent=(("negative", 22e6),)),
    Capture(
        "switched-600v-12bit", "600 V pack, leaks from both rails, 2.2 uF, unequal switched resistors, 12 bits",
        600.0, switched(200e3, 150e3), ((1.0, 500e3), (0.0, 200e3)), 1.1e-6, 1.1e-6,
        converter(12, 819.2, unipolar=True), converter(12, 819.2, unipolar=True), 2.5, 8, 200, cells=144),
    Capture(
        "source-500v-rail-pair", "500 V pack, 150 kohm leak three quarters up, each rail read against the chassis, 16 bits",
        500.0, to_negative(60.0, 500e3), ((0.75, 150e3),), 300e-9, 300e-9,
        converter(16, 1200.0, 4.95e6, 50e3), converter(16, 1200.0, 4.95e6, 50e3), 1.0, 8, 500,
        rail_pair=True, cells=120),
    Capture(
        "source-400v-jitter-gaps", "400 V pack, 300 kohm leak inside, jittered sampling, lost rows, calibrated 16-bit channels",
        400.0, to_negative(40.0, 500e3), ((0.3, 300e3),), 200e-9, 100e-9,
        converter(16, 1000.0, calibration_gain=1.0042, calibration_offset_V=-0.35),
        converter(16, 1000.0, calibration_gain=0.9971, calibration_offset_V=0.20), 1.2, 10, 500, cells=96,
        rest_s=0.4, jitter=0.3, missing=0.08, bursts=((3.1, 3.25), (7.0, 7.06)), seed=20101),
    Capture(
        "switched-400v-noise-ripple", "400 V pack, leaks from both rails, converter noise, ripple and mains hum, 16 bits",
        400.0, switched(1e6, 820e3), ((1.0, 800e3), (0.0, 400e3)), 200e-9, 190e-9,
        converter(16, 1000.0), converter(16, 1000.0), 1.0, 6, 1000, cells=96, oversample=16, reltol=1e-6,
        noise_V=0.4, ripple=(2.0, 8013.0), hum=(100.0, 50.0, 10e-9), seed=20102),
    Capture(
        "source-400v-leak-step", "400 V pack, 5 Mohm at the middle, then 25 kohm from near the positive rail as well, 16 bits",
        400.0, to_negative(40.0, 1e6), ((0.5, 5e6),), 60e-9, 60e-9,
        converter(16, 1000.0), converter(16, 1000.0), 1.0, 10, 500, cells=96, leak_step=(3.4, 0.8, 25e3)),
    Capture(
        "source-450v-capacitance-split", "450 V pack that steps and ramps, four fifths of the capacitance at the positive rail",
        450.0, to_negative(45.0, 500e3), ((0.5, 500e3),), 240e-9, 60e-9,
        converter(24, 1024.0), converter(24, 1024.0), 1.5, 10, 1000, cells=108, rest_s=0.5,
        pack_points=((0.0, 440.0), (3.7, 440.0), (3.72, 410.0), (6.6, 410.0), (7.1, 425.0), (9.9, 425.0),
                     (9.91, 432.0), (15.5, 432.0))),
    Capture(
        "source-400v-open", "400 V pack without a leak, source to the negative rail, 16 bits",
        400.0, to_negative(40.0, 1e6), (), 20e-9, 27e-9, converter(16, 1000.0), converter(16, 1000.0),
        1.0, 6, 200, answer="open", cells=96, rest_s=0.2, plain=True),
    Capture(
        "switched-1000v-open", "1000 V pack without a leak, unequal switched resistors, 24 bits",
        1000.0, switched(1e6, 1.5e6), (), 22e-9, 15e-9, converter(24, 2048.0, 19.9e6),
        converter(24, 2048.0, 19.9e6), 1.0, 8, 500, answer="open"),
    Capture(
        "source-400v-short-positive", "400 V pack, 1 ohm from the positive rail, 16 bits",
        400.0, to_negative(40.0, 1e6), ((1.0, 1.0),), 500e-9, 500e-9, converter(16, 1000.0),
        converter(16, 1000.0), 1.0, 6, 200, answer="short", cells=96, plain=True),
    Capture(
        "switched-400v-short-negative", "400 V pack, 1 ohm from the negative rail, unequal switched resistors, 16 bits",
        400.0, switched(1e6, 680e3), ((0.0, 1.0),), 500e-9, 500e-9, converter(16, 1000.0),
        converter(16, 1000.0), 1.0, 6, 200, answer="short", cells=96, rest_s=0.2),
    Capture(
        "both-600v-short-inside", "600 V pack, 1 ohm from 45 % up the stack, source to both rails, 16 bits",
        600.0, to_both(50.0, 1e6), ((0.45, 1.0),), 200e-9, 200e-9, converter(16, 1600.0),
        converter(16, 1600.0), 1.0, 6, 200, answer="short", cells=144),
    Capture(
        "source-400v-unsettled-half", "400 V pack, 1 Mohm leak, time constant half the half-period: must be refused",
        400.0, to_negative(40.0, 1e6), ((0.3, 1e6),), 1.05e-6, 1.05e-6, load(10e6), load(10e6),
        2.0, 8, 200, answer="refused", cells=96),
    Capture(
        "switched-700v-unsettled-double", "700 V pack, leaks from both rails, time constant twice the half-period: must be refused",
        700.0, switched(1.5e6, 1e6), ((1.0, 2e6), (0.0, 3e6)), 2e-6, 3e-6, load(20e6), load(20e6),
        1.6, 10, 200, answer="refused"),
)

REAL = (
    Capture(
        "us06-steps-switched", "Drive cycle US06 as pack voltage steps, 60 kohm leak seven tenths up, fast settling, 16 bits",
        400.0, switched(330e3, 270e3), ((0.7, 60e3),), 120e-9, 60e-9, converter(16, 1000.0), converter(16, 1000.0),
        1.25, 48, 500, cells=96, **realdata.us06_steps()),
    Capture(
        "udds-ramps-source", "Drive cycle UDDS as pack voltage ramps, leaks from both rails, 16 bits",
        450.0, to_negative(40.0, 1e6), ((1.0, 1.5e6), (0.0, 2.2e6)), 65e-9, 80e-9, converter(16, 1000.0),
        converter(16, 1000.0), 2.0, 50, 250, cells=108, **realdata.udds_ramps()),
    Capture(
        "discharge-measured-both", "Measured cell voltage of a 1C discharge, 250 kohm leak at the middle, slow settling, 24 bits",
        400.0, to_both(50.0, 1e6), ((1.0, 500e3), (0.0, 500e3)), 1.2e-6, 0.6e-6, converter(24, 1024.0),
        converter(24, 1024.0), 4.0, 30, 200, cells=96, **realdata.discharge()),
)

CAPTURES = PLANT + REAL
