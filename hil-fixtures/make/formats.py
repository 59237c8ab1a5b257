#!/usr/bin/env python3
"""Writes captures of this folder again as MDF 4, Parquet and CAN frames, by libraries that share nothing with ours.

    python3 make/formats.py        needs asammdf, pyarrow, cantools and numpy from PyPI; run by hand

The samples are those of the ngspice captures, untouched; what is read from these files must be what is read from
the CSV originals. Made with asammdf 8.8.28, pyarrow 26.0.1, cantools 45.1.0. Times of creation make MDF files
differ from run to run; all values are the same.
"""
import csv
import gzip
import pathlib
import random

import cantools
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from asammdf import MDF, Signal
from asammdf.blocks import v4_constants
from asammdf.blocks.source_utils import Source

ROOT = pathlib.Path(__file__).resolve().parent.parent
OUT = ROOT / "formats"
STATES = {"rest": 0, "raise": 1, "lower": 2}
COMPRESSED = 2  # transposed deflate

CAN_FRAME = np.dtype([
    ("CAN_DataFrame.BusChannel", "<u1"), ("CAN_DataFrame.ID", "<u4"), ("CAN_DataFrame.IDE", "<u1"),
    ("CAN_DataFrame.DLC", "<u1"), ("CAN_DataFrame.DataLength", "<u1"), ("CAN_DataFrame.DataBytes", "(8,)u1"),
    ("CAN_DataFrame.Dir", "<u1"),
])

BUS_DBC = """VERSION ""

NS_ :

BS_:

BU_: Monitor Logger

BO_ 291 Isolation: 8 Monitor
 SG_ ChassisCode : 0|16@1+ (1,0) [0|65535] "" Logger
 SG_ PackCode : 23|16@0+ (1,0) [0|65535] "" Logger
 SG_ DriveState : 32|2@1+ (1,0) [0|2] "" Logger

BO_ 2566869503 Other: 8 Monitor
 SG_ Temperature : 0|12@1- (0.1,-40) [-40|200] "degC" Logger

VAL_ 291 DriveState 0 "off" 1 "up" 2 "down" ;
"""

SIGNALS_DBC = """VERSION ""

NS_ :

BS_:

BU_: A B

BO_ 100 Plain: 8 A
 SG_ IntelUnsigned : 3|13@1+ (0.25,-100) [0|0] "V" B
 SG_ IntelSigned : 17|12@1- (0.001,0) [0|0] "A" B
 SG_ MotorolaSigned : 34|11@0- (2,5) [0|0] "" B
 SG_ MotorolaUnsigned : 55|16@0+ (0.01,0) [0|0] "V" B

BO_ 200 Switched: 8 A
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" B
 SG_ First m0 : 8|32@1- (0.000001,0) [0|0] "V" B
 SG_ Second m1 : 15|24@0+ (1,0) [0|0] "" B

BO_ 2147484000 Wide: 8 A
 SG_ All : 0|64@1- (1,0) [0|0] "" B
"""


def capture(stem):
    """Columns of a capture by name."""
    path = next((ROOT / "captures").glob(f"{stem}.csv*"))
    opener = gzip.open if path.suffix == ".gz" else open
    with opener(path, "rt") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return {name: [row[name] for row in rows] for name in rows[0]}


def network(stem, name, channels):
    """The network of a capture with a table of channels before its last tables."""
    text = (ROOT / "captures" / f"{stem}.toml").read_text()
    (OUT / f"{name}.toml").write_text(text.rstrip() + "\n\n" + channels.strip() + "\n")


def save(mdf, name, compression=0):
    mdf.save(OUT / f"{name}.mf4", overwrite=True, compression=compression)
    mdf.close()


def mdf_of_volts(stem, name):
    """One group, volts and millivolts, text table for the drive, plain blocks."""
    c = capture(stem)
    t = np.array(c["time_s"], float)
    states = np.array([STATES[word] for word in c["drive"]], np.uint8)
    table = {"val_0": 0, "text_0": b"off", "val_1": 1, "text_1": b"plus", "val_2": 2, "text_2": b"minus"}
    mdf = MDF(version="4.10")
    mdf.append([
        Signal(np.array(c["chassis_V"], float), t, name="U_Chassis", unit="V"),
        Signal(np.array(c["pack_V"], float), t, name="U_Pack", unit="V"),
        Signal(states, t, name="Stimulus", conversion=table),
        Signal(np.array(c["pack_V"], float) * 1000.0, t, name="U_Pack_mV", unit="mV"),
    ], acq_name="isolation")
    save(mdf, name)
    network(stem, name, """
[channels]
chassis_V = "U_Chassis"
pack_V = { channel = "U_Pack", unit = "V" }
drive = "Stimulus"
drive_states = { off = "rest", plus = "raise", minus = "lower" }
""")


def mdf_of_codes(stem, name):
    """Three groups, transposed deflate: codes at the rate of the rows, the drive state only where it changes."""
    c = capture(stem)
    t = np.array(c["time_s"], float)
    states = np.array([STATES[word] for word in c["drive"]], np.uint8)
    changes = np.flatnonzero(np.concatenate(([True], states[1:] != states[:-1])))
    mdf = MDF(version="4.20")
    mdf.append([Signal(np.array(c["chassis_code"], np.int32), t, name="Code")], acq_name="chassis")
    mdf.append([Signal(np.array(c["pack_code"], np.int32), t, name="Code")], acq_name="pack")
    mdf.append([Signal(states[changes], t[changes], name="Drive")], acq_name="events")
    save(mdf, name, COMPRESSED)
    network(stem, name, """
[channels]
chassis_code = { channel = "Code", group = "chassis" }
pack_code = { channel = "Code", group = "1" }
drive = "Drive"
drive_states = { 0 = "rest", 1 = "raise", 2 = "lower" }
""")


def parquet_of_codes(stem, name):
    """Own names, time stamps, a dictionary column, nullable columns, several row groups, zstd."""
    c = capture(stem)
    t = [round(float(text) * 1e6) for text in c["time_s"]]
    table = pa.table({
        "stamp": pa.array([1_790_000_000_000_000 + us - t[0] for us in t], pa.timestamp("us")),
        "state": pa.array(c["drive"]).dictionary_encode(),
        "u_e": pa.array([int(code) for code in c["chassis_code"]], pa.int32()),
        "u_b": pa.array([int(code) for code in c["pack_code"]], pa.int64()),
        "note": pa.array(["x"] * len(t)),
    })
    pq.write_table(table, OUT / f"{name}.parquet", row_group_size=1500, compression="zstd")
    network(stem, name, """
[channels]
time = "stamp"
drive = "state"
chassis_code = "u_e"
pack_code = "u_b"
""")


def parquet_of_volts(stem, name):
    """The names of the CSV columns: no table of channels is needed."""
    c = capture(stem)
    numbers = {key: pa.array([float(text) for text in c[key]]) for key in c if key != "drive"}
    table = pa.table(numbers | {"drive": pa.array(c["drive"])})
    pq.write_table(table, OUT / f"{name}.parquet", compression="snappy")
    network(stem, name, "")


def fleet(stems, name):
    """Rows of several cars in one file in order of time, the car as a number; no network beside it."""
    rows = []
    for vehicle, stem in enumerate(stems, start=101):
        c = capture(stem)
        rows += [(float(c["time_s"][n]), vehicle, c["drive"][n], int(c["chassis_code"][n]), int(c["pack_code"][n]))
                 for n in range(len(c["time_s"]))]
    columns = zip(*sorted(rows))
    names = ["time_s", "vehicle", "drive", "chassis_code", "pack_code"]
    table = pa.table({key: pa.array(values) for key, values in zip(names, columns)})
    pq.write_table(table, OUT / f"{name}.parquet", row_group_size=2000, compression="zstd")


def frames(stem):
    """(time, identifier, extended, payload) of a bus: every row as one message, and others between."""
    c = capture(stem)
    database = cantools.database.load_string(BUS_DBC, "dbc")
    message = database.get_message_by_name("Isolation")
    other = database.get_message_by_name("Other")
    out = []
    for n, text in enumerate(c["time_s"]):
        values = {"ChassisCode": int(c["chassis_code"][n]), "PackCode": int(c["pack_code"][n]),
                  "DriveState": STATES[c["drive"][n]]}
        out.append((float(text), message.frame_id, False, message.encode(values, strict=True)))
        if n % 50 == 0:
            out.append((float(text), other.frame_id, True, other.encode({"Temperature": 20.0 + n % 7})))
    return out


def can_logs(stem, name):
    logged = frames(stem)
    (OUT / f"{name}.dbc").write_text(BUS_DBC)
    records = np.zeros(len(logged), CAN_FRAME)
    for record, (_, identifier, extended, data) in zip(records, logged):
        record["CAN_DataFrame.BusChannel"] = 1
        record["CAN_DataFrame.ID"] = identifier
        record["CAN_DataFrame.IDE"] = extended
        record["CAN_DataFrame.DLC"] = record["CAN_DataFrame.DataLength"] = len(data)
        record["CAN_DataFrame.DataBytes"][:len(data)] = list(data)
    source = Source("bus", "CAN1", "", v4_constants.SOURCE_BUS, v4_constants.BUS_TYPE_CAN)
    mdf = MDF(version="4.11")
    times = np.array([time for time, *_ in logged])
    mdf.append(Signal(records, times, name="CAN_DataFrame", source=source), acq_name="CAN1", acq_source=source)
    mdf.groups[0].channel_group.flags |= v4_constants.FLAG_CG_BUS_EVENT
    save(mdf, name, COMPRESSED)
    with open(OUT / f"{name}-log.csv.gz", "wb") as raw, gzip.GzipFile("", "wb", 9, raw, 0) as out:
        out.write(b"time_s,id,data_hex,bus\n")
        for time, identifier, _, data in logged:
            out.write(f"{time:.6f},0x{identifier:x},{data.hex()},1\n".encode())
    channels = f"""
[channels]
dbc = "{name}.dbc"
chassis_code = "Isolation.ChassisCode"
pack_code = "Isolation.PackCode"
drive = "Isolation.DriveState"
drive_states = {{ off = "rest", up = "raise", down = "lower" }}
"""
    network(stem, name, channels)
    network(stem, f"{name}-log", channels)


def signal_values(name):
    """Random payloads and what cantools makes of them."""
    database = cantools.database.load_string(SIGNALS_DBC, "dbc")
    draw = random.Random(1)
    lines = ["# values by cantools, of random payloads", "id,data_hex,signal,value"]
    for _ in range(40):
        for message in database.messages:
            data = bytes(draw.randrange(256) for _ in range(8))
            if message.name == "Switched":
                data = bytes([data[0] & 0xF0 | draw.randrange(2)]) + data[1:]
            decoded = message.decode(data, decode_choices=False)
            lines += [f"{message.frame_id},{data.hex()},{signal},{value!r}" for signal, value in decoded.items()]
    (OUT / f"{name}.dbc").write_text(SIGNALS_DBC)
    (OUT / f"{name}.csv").write_text("\n".join(lines) + "\n")


def main():
    OUT.mkdir(exist_ok=True)
    mdf_of_volts("source-400v-unsettled-half", "volts-in-one-group")
    mdf_of_codes("switched-600v-12bit", "codes-in-three-groups")
    parquet_of_codes("switched-600v-12bit", "codes-with-time-stamps")
    parquet_of_volts("source-400v-unsettled-half", "volts-as-in-csv")
    can_logs("source-400v-leak-step", "frames-on-a-bus")
    fleet(["source-400v-open", "source-400v-short-positive", "source-400v-leak-step"], "fleet-in-one-file")
    signal_values("signals")
    for path in sorted(OUT.iterdir()):
        print(f"{path.name}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    main()
