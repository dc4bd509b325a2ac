#!/usr/bin/env python3
"""Linewake beside general-purpose programs at the same work, in turns, timed; prints a table of ratios with spread.

    cargo build --release --examples && cargo build --release
    python3 benches/side_by_side.py                       all subjects
    python3 benches/side_by_side.py pair welch            some of them
    python3 benches/side_by_side.py --rounds 3 --long 100000000 growth

Subjects: `pair` (before/after pair, a million rows each, text to table and PNG, whole process), `long-pair` (ten
million rows), `rows` (text to samples), `welch` (two channels and their cross density, in memory), `receiver`,
`batch` (captures of 10,000 rows as text and as WAV), `growth` (time a row and memory over the length, own program
only), `start` (own program only).

The peers stand in `benches/peers` and need NumPy, SciPy, pandas, polars, Matplotlib, Numba; what is missing is named
and left out. Inputs are made here with NumPy. Both sides work in turns, each as a program of its own, after one round
that warms up; times of `rows`, `welch` and `receiver` are taken within the programs. A ratio is that of the medians,
its spread that of the rounds.
"""

import argparse
import csv
import importlib.util
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

HERE = Path(__file__).resolve().parent
PROGRAMS = HERE.parent / "target" / "release"
OWN = str(PROGRAMS / "linewake")
RATE, MAINS = 500_000, 50
PEER_PACKAGES = ("numpy", "scipy", "pandas", "polars", "matplotlib", "numba")


def peer(name, *arguments):
    return [sys.executable, str(HERE / "peers" / name), *map(str, arguments)]


def example(name, *arguments):
    return [str(PROGRAMS / "examples" / name), *map(str, arguments)]


def missing(*packages):
    return [name for name in packages if importlib.util.find_spec(name) is None]


def block(seed, tone, first, rows, rate=RATE):
    """Mains residue, a tone at 68 kHz and noise: wire and air in volts."""
    import numpy as np

    chance = np.random.default_rng([seed, first])
    n = np.arange(first, first + rows)
    mains = 0.1 * np.sin(2 * np.pi * (MAINS * n % rate) / rate)
    line = tone * np.sin(2 * np.pi * (68_000 * n % rate) / rate)
    wire = mains + line + chance.normal(0, 1e-3, rows)
    return n, wire, 0.02 * mains + 0.05 * line + chance.normal(0, 1e-4, rows)


def make_text(path, seed, tone, rows, rate=RATE):
    """As a recorder prints it: time, wire and air with six places."""
    with open(path, "w", encoding="ascii") as file:
        file.write("Time (s),Wire (V),Air (V)\n")
        for first in range(0, rows, 100_000):
            n, wire, air = block(seed, tone, first, min(100_000, rows - first), rate)
            file.writelines(map("%.6f,%.6f,%.6f\n".__mod__, zip((n / rate).tolist(), wire.tolist(), air.tolist())))
    return str(path)


def make_wav(path, seed, tone, rows, rate=RATE):
    """16-bit codes of 2 V full scale, in one pass, of any length up to the four gigabytes of the container."""
    import numpy as np

    size = 4 * rows
    head = b"RIFF" + (36 + size).to_bytes(4, "little") + b"WAVEfmt " + (16).to_bytes(4, "little")
    head += b"\x01\x00\x02\x00" + rate.to_bytes(4, "little") + (4 * rate).to_bytes(4, "little") + b"\x04\x00\x10\x00"
    with open(path, "wb") as file:
        file.write(head + b"data" + size.to_bytes(4, "little"))
        for first in range(0, rows, 1_000_000):
            _, wire, air = block(seed, tone, first, min(1_000_000, rows - first), rate)
            file.write(np.rint(np.stack([wire, air], axis=1) * 16_384).astype("<i2").tobytes())
    return str(path)


def make_npy(path, seed, tone, rows):
    import numpy as np

    array = np.lib.format.open_memmap(path, "w+", "<f4", (2, rows))
    for first in range(0, rows, 1_000_000):
        count = min(1_000_000, rows - first)
        _, array[0, first : first + count], array[1, first : first + count] = block(seed, tone, first, count)
    array.flush()
    return str(path)


def make_many(folder, ending, count):
    """Captures of 10,000 rows, each with a seed of its own."""
    make = make_wav if ending == "wav" else make_text
    for number in range(count):
        make(Path(folder) / f"capture-{number:05}.{ending}", number, 1e-3, 10_000)
    return str(folder)


def made(make, path, *arguments):
    """An input made by a process of its own: what this one holds would be counted as memory of every child."""
    name = make.__name__
    subprocess.run([sys.executable, __file__, "make", name, str(path), *map(str, arguments)], check=True)
    return str(path)


def run(command, timed_within=None):
    """Seconds, peak memory in MB, and what was printed; the usage of this child, not the largest of all."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    out, err = child.stdout.read(), child.stderr.read()
    _, status, usage = os.wait4(child.pid, 0)
    took = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        sys.exit(f"{' '.join(command)} failed: {err}")
    return took if timed_within is None else timed_within(out), usage.ru_maxrss / 1024, out


class Side:
    """One program at one work: its rounds."""

    def __init__(self, name, command, timed_within=None, before=None):
        self.name, self.command, self.timed_within, self.before = name, command, timed_within, before
        self.seconds, self.memory, self.said = [], 0.0, ""

    def round(self, counts):
        if self.before:
            self.before()
        took, memory, self.said = run(self.command, self.timed_within)
        if counts:
            self.seconds.append(took)
            self.memory = max(self.memory, memory)

    def median(self):
        return statistics.median(self.seconds)

    def told(self):
        low, high = min(self.seconds), max(self.seconds)
        return f"{self.median():.4g} s ({low:.4g} to {high:.4g}), {self.memory:.0f} MB"


def in_turns(what, own, peers, rounds, unit=None):
    """A row of the table for each peer, or one of our own where there is none."""
    sides = [own, *peers]
    for number in range(rounds + 1):
        for side in sides:
            side.round(number > 0)
    each = f"; {unit(own.median())}" if unit else ""
    if not peers:
        print(f"| {what} | - | - | {own.told()}{each} | - |", flush=True)
    for other in peers:
        ratios = [theirs / ours for ours, theirs in zip(own.seconds, other.seconds)]
        ratio = f"{other.median() / own.median():.1f} ({min(ratios):.1f} to {max(ratios):.1f})"
        print(f"| {what} | {other.name} | {ratio} | {own.told()}{each} | {other.told()} |", flush=True)
    return sides


def found(name, *packages):
    """Whether a peer can run; what it lacks is said."""
    lacking = missing(*packages)
    if lacking:
        print(f"| ({name} left out: {', '.join(lacking)} missing) | | | | |", flush=True)
    return not lacking


def pair(folder, rounds, rows):
    before = made(make_text, folder / "before.csv", 1, 3e-3, rows)
    after = made(make_text, folder / "after.csv", 2, 1e-3, rows)
    own = Side("linewake", [OWN, "compare", "--before", before, "--after", after, "-o", str(folder / "own.png")])
    peers = []
    for library in ("pandas", "polars"):
        if found(library, library, "scipy", "matplotlib"):
            command = peer("pair.py", library, before, after, folder / "other.png")
            peers.append(Side(f"{library}, SciPy, Matplotlib", command))
    in_turns(f"compare, 2 x {rows:.0e} rows, text to table and PNG", own, peers, rounds)
    # That the times are those of the same answer.
    table = folder / "own.csv"
    run([*own.command[:-1], str(table)])
    with open(table, newline="", encoding="utf-8") as file:
        ours = [row for row in csv.DictReader(file) if row["role"] == "wire" and row["low_hz"] == "68000"]
    print(f"|  wire, 68 to 70 kHz: linewake {float(ours[0]['change_db']):+.2f} dB", end="")
    for side in peers:
        other = next(line for line in side.said.splitlines() if line.startswith("68000-"))
        print(f"; {side.name} {other.split(': ')[1]}", end="")
    print(" | | | | |", flush=True)


def rows(folder, rounds, count):
    capture = made(make_text, folder / "capture.csv", 1, 3e-3, count)
    second = lambda out: float(out.split()[1])
    own = Side("linewake", example("read_rows", capture), second)
    peers = [Side("polars", peer("rows_polars.py", capture), second)] if found("polars", "polars") else []
    in_turns(f"text to samples, {count:.0e} rows of three columns", own, peers, rounds)


def welch(folder, rounds, samples):
    own = Side("linewake", example("in_memory", "welch", samples, 3), lambda out: float(out))
    command = peer("welch_scipy.py", "--samples", samples, "--runs", 3)
    with_cross = lambda out: 1e-3 * float(out.splitlines()[1].split(":")[1].split()[0])
    peers = [Side("scipy.fft, batched, two workers", command, with_cross)] if found("scipy", "scipy") else []
    in_turns(f"Welch 200 Hz, two channels and cross, {samples:.0e} samples", own, peers, rounds)


def receiver(folder, rounds, seconds):
    own = Side("linewake", example("in_memory", "receiver", seconds, 2), lambda out: float(out))
    command = peer("receiver_numba.py", seconds, 2)
    first = lambda out: float(out.split()[0])
    peers = [Side("NumPy, Numba", command, first)] if found("numba", "numba", "scipy") else []
    sides = in_turns(f"receiver, 2 channels, 1 MS/s, 1411 frequencies, {seconds} s", own, peers, rounds)
    for side in sides:
        print(f"|  {side.name}: {seconds / side.median():.1f} times real time | | | | |", flush=True)


def batch(folder, rounds, count):
    for ending in ("csv", "wav"):
        captures = folder / f"captures-{ending}"
        captures.mkdir()
        made(make_many, captures, ending, count)
        results = folder / "results"
        clear = lambda: shutil.rmtree(results, ignore_errors=True)
        own = Side("linewake", [OWN, "batch", str(captures), "--into", str(results)], before=clear)
        command = peer("batch_python.py", captures, folder / "table.csv")
        peers = [Side("two Python processes", command)] if found("python batch", "scipy", "polars") else []
        sides = in_turns(f"batch, {count} captures of 1e4 rows, {ending.upper()}", own, peers, rounds)
        for side in sides:
            print(f"|  {side.name}: {count / side.median():.0f} captures a second | | | | |", flush=True)
        shutil.rmtree(captures)


def growth(folder, rounds, longest):
    """Seconds a row and memory over the length; a tenfold step each."""
    # An NPY array holds no sampling rate.
    kinds = (("csv", make_text, []), ("wav", make_wav, []), ("npy", make_npy, ["--sample-rate", str(RATE)]))
    for ending, make, told in kinds:
        count = 1_000_000
        while count <= longest:
            capture = made(make, folder / f"capture.{ending}", 1, 3e-3, count)
            for command in ("bands", "compare"):
                sides = [capture] if command == "bands" else ["--before", capture, "--after", capture]
                own = Side("linewake", [OWN, command, *sides, *told, "-o", str(folder / "own.csv"), "--force"])
                each = lambda took: f"{1e9 * took / count:.1f} ns a row"
                in_turns(f"{command}, {ending.upper()}, {count:.0e} rows", own, [], 1 if count > 10**7 else rounds, each)
            os.remove(capture)
            count *= 10


def start(folder, rounds, _):
    """`--help`, the shortest of many starts."""
    times = []
    for _ in range(200):
        begun = time.perf_counter()
        subprocess.run([OWN, "--help"], stdout=subprocess.DEVNULL, check=True)
        times.append(time.perf_counter() - begun)
    median, best = 1e3 * statistics.median(times), 1e3 * min(times)
    print(f"| start (`--help`), {len(times)} times | - | - | median {median:.1f} ms, shortest {best:.1f} ms | - |")


SUBJECTS = {
    "pair": (pair, 1_000_000),
    "long-pair": (pair, 10_000_000),
    "rows": (rows, 10_000_000),
    "welch": (welch, 10_000_000),
    "receiver": (receiver, 10),
    "batch": (batch, 2_000),
    "growth": (growth, 10_000_000),
    "start": (start, None),
}


def make_input(name, path, *arguments):
    """The child's side of `made`."""
    makers = {make.__name__: make for make in (make_text, make_wav, make_npy, make_many)}
    number = lambda text: int(text) if text.isdigit() else float(text) if text[0].isdigit() else text
    makers[name](path, *map(number, arguments))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("subjects", nargs="*", metavar="SUBJECT", help=", ".join(SUBJECTS))
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--long", type=int, help="rows of the longest capture of `growth` (10,000,000)")
    arguments = parser.parse_args()
    unknown = [name for name in arguments.subjects if name not in SUBJECTS]
    if unknown:
        parser.error(f"no subject {unknown[0]}; there are {', '.join(SUBJECTS)}")
    if missing("numpy"):
        sys.exit("numpy is missing: the inputs are made with it")
    for program in (Path(OWN), PROGRAMS / "examples" / "read_rows", PROGRAMS / "examples" / "in_memory"):
        if not program.exists():
            sys.exit(f"{program} is missing: cargo build --release && cargo build --release --examples")
    versions = ", ".join(f"{name} {version(name)}" for name in PEER_PACKAGES if not missing(name))
    print(f"{os.cpu_count()} threads, {platform.machine()}, Python {platform.python_version()}, {versions}\n")
    print("| what | peer | ratio | linewake | peer's own |\n|---|---|---|---|---|", flush=True)
    for name in arguments.subjects or SUBJECTS:
        work, size = SUBJECTS[name]
        if name == "growth" and arguments.long:
            size = arguments.long
        with tempfile.TemporaryDirectory() as folder:
            work(Path(folder), arguments.rounds, size)


if __name__ == "__main__":
    make_input(*sys.argv[2:]) if sys.argv[1:2] == ["make"] else main()
