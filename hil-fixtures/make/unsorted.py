#!/usr/bin/env python3
"""A measurement file as some loggers leave it: unsorted, the records of two groups in turns in one data group.

    python3 make/unsorted.py        needs asammdf from PyPI; run by hand

No library at hand writes such files, so the blocks are laid out here, as ASAM MDF 4.1 has them (from memory, not verified), and
asammdf, which did not write it, must read the values of the capture.
"""

import struct

import numpy as np
from asammdf import MDF

from formats import OUT, STATES, capture, network

STEM = "switched-600v-12bit"
NAME = "records-in-turns"
REAL, SIGNED, UNSIGNED = 4, 2, 0  # little endian


class File:
    def __init__(self):
        self.bytes = bytearray(b"MDF     4.10    ohmsplit" + bytes(4) + struct.pack("<H", 410) + bytes(34))

    def block(self, tag, links, data):
        """Adds a block; its address."""
        self.bytes += bytes(-len(self.bytes) % 8)
        address = len(self.bytes)
        size = 24 + 8 * len(links) + len(data)
        self.bytes += tag + bytes(4) + struct.pack("<QQ", size, len(links)) + struct.pack(f"<{len(links)}Q", *links) + data
        return address

    def text(self, words):
        data = words.encode() + b"\0"
        return self.block(b"##TX", [], data + bytes(-len(data) % 8))

    def channel(self, name, kind, offset, bits, following=0, master=False):
        words = struct.pack("<BBBBIIIIBBHdddddd", *((2, 1) if master else (0, 0)), kind, 0, offset, bits, *[0] * 11)
        return self.block(b"##CN", [following, 0, self.text(name), 0, 0, 0, 0, 0], words)

    def group(self, following, first, record, count, size):
        words = struct.pack("<QQHHIII", record, count, 0, 0, 0, size, 0)
        return self.block(b"##CG", [following, first, 0, 0, 0, 0], words)


def main():
    c = capture(STEM)
    rows = list(zip(c["time_s"], c["drive"], c["chassis_code"], c["pack_code"]))
    file = File()
    header = file.block(b"##HD", [0] * 6, struct.pack("<QhhBBBBdd", 0, 0, 0, 0, 0, 0, 0, 0.0, 0.0))
    drive = file.channel("Drive", UNSIGNED, 12, 8)
    chassis = file.channel("U_Chassis", SIGNED, 8, 32, drive)
    pack = file.channel("U_Pack", SIGNED, 8, 32)
    times = [file.channel("Time", REAL, 0, 64, first, master=True) for first in (chassis, pack)]
    second = file.group(0, times[1], 2, len(rows), 12)
    first = file.group(second, times[0], 1, len(rows), 13)
    data = bytearray()
    for t, state, v, vb in rows:
        data += b"\x02" + struct.pack("<di", float(t), int(vb))
        data += b"\x01" + struct.pack("<diB", float(t), int(v), STATES[state])
    records = file.block(b"##DT", [], bytes(data))
    group = file.block(b"##DG", [0, first, records, 0], struct.pack("<B7x", 1))
    struct.pack_into("<Q", file.bytes, header + 24, group)
    path = OUT / f"{NAME}.mf4"
    path.write_bytes(file.bytes)
    with MDF(path) as mdf:
        for channel, column in (("U_Chassis", "chassis_code"), ("U_Pack", "pack_code")):
            signal = mdf.get(channel)
            assert (signal.samples == np.array(c[column], np.int32)).all()
            assert (signal.timestamps == np.array(c["time_s"], float)).all()
    network(STEM, NAME, """
[channels]
chassis_code = "U_Chassis"
pack_code = "U_Pack"
drive = "Drive"
drive_states = { 0 = "rest", 1 = "raise", 2 = "lower" }
""")


if __name__ == "__main__":
    main()
