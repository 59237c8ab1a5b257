"""Fetches the third-party inputs anew from the pybamm 22.12 wheel and checks them against the committed ones.

Needed only to see that inputs/ is what it claims to be; all.py works from inputs/ without any network.
"""
import hashlib
import pathlib
import subprocess
import sys
import tempfile
import zipfile

INPUTS = pathlib.Path(__file__).resolve().parent.parent / "inputs"
FILES = {
    "US06.csv": ("pybamm/input/drive_cycles/US06.csv",
                 "5909eb2ec7983fae86a050ff3b35a2041d0ab698710a6b0f95d5816e348077ba"),
    "UDDS.csv": ("pybamm/input/drive_cycles/UDDS.csv",
                 "9fe6558c17aad3cc08109186923aeb7459cd3097a381c44e854bf22dd12a5a2a"),
    "1C_discharge_U.txt": ("pybamm/input/discharge_data/Enertech_cells/1C_discharge_U.txt",
                           "8fc19de45172215d65c56522c224e6fc700ee443db236b814238a829b7a14c3a"),
    "LICENSE-pybamm.txt": ("pybamm-22.12.dist-info/LICENSE.txt", ""),
}


def main():
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [sys.executable, "-m", "pip", "download", "pybamm==22.12", "--no-deps", "--only-binary=:all:",
             "--python-version", "3.9", "--platform", "manylinux2010_x86_64", "-d", folder],
            check=True)
        wheel = zipfile.ZipFile(next(pathlib.Path(folder).glob("*.whl")))
        INPUTS.mkdir(exist_ok=True)
        for name, (inside, sha256) in FILES.items():
            data = wheel.read(inside)
            got = hashlib.sha256(data).hexdigest()
            if sha256 and got != sha256:
                sys.exit(f"{name}: sha256 {got}, expected {sha256}")
            # The first line of this file is an address with a person's name in it.
            if name == "UDDS.csv":
                data = data.split(b"\n", 1)[1]
            if (INPUTS / name).exists() and (INPUTS / name).read_bytes() != data:
                sys.exit(f"inputs/{name} differs from the wheel's file")
            (INPUTS / name).write_bytes(data)
            print(f"{name}: {got} in the wheel")


if __name__ == "__main__":
    main()
