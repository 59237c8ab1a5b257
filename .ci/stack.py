#!/usr/bin/env python3
"""The deepest stack below given functions of an image: every frame on every path of calls, whatever the input.

    .ci/stack.py target/thumbv7em-none-eabihf/release/flash_monitor Monitor::step Monitor::accept

Frames and calls are read from the disassembly (arm-none-eabi-objdump). What it cannot follow ends it with an error: a
call through a register, a frame of computed size, recursion.
"""

import re
import subprocess
import sys

HEAD = re.compile(r"^([0-9a-f]+) <(.*)>:$")
LINE = re.compile(r"^\s*[0-9a-f]+:\s+(\S+)\s*(.*)$")
GOES = re.compile(r"^(?:\w+, )?([0-9a-f]+) <")
REGISTERS = {"sl": 10, "fp": 11, "ip": 12, "sp": 13, "lr": 14, "pc": 15}


class Function:
    def __init__(self, name):
        self.name = name
        self.frame = 0
        self.calls = set()
        self.tails = set()
        self.odd = None


def number(register):
    return REGISTERS[register] if register in REGISTERS else int(register[1:])


def saved(registers):
    count = 0
    for part in registers.strip("{}").split(","):
        first, _, last = part.strip().partition("-")
        count += number(last) - number(first) + 1 if last else 1
    return count


def take(function, instruction, operands):
    name = instruction.split(".")[0]
    if name in ("push", "vpush") or (name == "stmdb" and operands.startswith("sp!")):
        size = 8 if "{d" in operands else 4
        function.frame += size * saved(operands[operands.index("{") :])
    elif match := re.match(r"\w+, \[sp, #-(\d+)\]!", operands):
        function.frame += int(match[1])
    elif name in ("sub", "subw") and (match := re.match(r"sp, (?:sp, )?#(\d+)", operands)):
        function.frame += int(match[1])
    elif name in ("add", "sub") and re.match(r"sp, (?:sp, )?[rf]", operands):
        function.odd = "a frame of computed size"
    elif name == "blx" and not GOES.match(operands):
        function.odd = "a call through a register"
    elif name.startswith(("b", "cb")) and (match := GOES.match(operands)):
        (function.calls if name in ("bl", "blx") else function.tails).add(int(match[1], 16))


def functions(image):
    command = ["arm-none-eabi-objdump", "-dC", "--no-show-raw-insn", image]
    try:
        text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError) as error:
        sys.exit(f"stack: {image} cannot be disassembled: {getattr(error, 'stderr', None) or error}")
    found, function = {}, None
    for line in text.splitlines():
        if match := HEAD.match(line):
            function = found[int(match[1], 16)] = Function(match[2])
        elif function and (match := LINE.match(line)):
            take(function, match[1], match[2].split(";")[0].strip())
    return found


def deepest(found, at, known, under=()):
    """Bytes, and the functions on the way."""
    if at in known:
        return known[at]
    function = found[at]
    if function.odd or at in under:
        sys.exit(f"stack: {function.name}: {function.odd or 'recursion'}")
    best = (0, [])
    for to in function.calls | function.tails:
        if to == at or to not in found:  # a jump within
            continue
        depth, way = deepest(found, to, known, (*under, at))
        # A jump to another function comes after the own frame is given up.
        depth -= 0 if to in function.calls else min(depth, function.frame)
        best = max(best, (depth, way), key=lambda path: path[0])
    known[at] = (function.frame + best[0], [at, *best[1]])
    return known[at]


def main():
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    image, names = sys.argv[1], sys.argv[2:]
    found, known = functions(image), {}
    for name in names:
        places = [at for at, function in found.items() if function.name.endswith(f"::{name}")]
        if not places:
            sys.exit(f"stack: {image} has no function {name}")
        for at in places:
            depth, way = deepest(found, at, known)
            print(f"{name}: {depth}")
            for at in way:
                print(f"    {found[at].frame:5} {found[at].name}")


main()
