#!/usr/bin/env python3
"""The same comparison by linewake and by a script on pandas, SciPy and Matplotlib, in turns, timed.

Two captures of a million rows (500 kS/s, 2 s, wire and air as text) are read, high-passed, analysed (Welch's
method, 200 Hz; band powers mains period by mains period), compared (change of 74 bands with its 95 % interval) and
drawn as PNG. Both sides run as programs of their own, five rounds after one to warm up.

    cargo build --release
    cargo build --release --example read_rows
    python3 benches/side_by_side.py

Plain Python makes the captures and runs linewake; the other side needs pandas, SciPy and Matplotlib. Then one capture
is only read, by `examples/read_rows` and by polars, each timed from within; `python3 benches/side_by_side.py rows
10000000` does this alone for so many rows.
"""

import csv
import importlib.util
import math
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RATE = 500_000
ROWS = 1_000_000
MAINS = 50
ROUNDS = 5
PROGRAMS = Path(__file__).resolve().parent.parent / "target" / "release"
NEEDED = ("pandas", "scipy", "matplotlib")


def make_capture(path, seed, tone, rows=ROWS):
    """Mains residue, a tone at 68 kHz and noise, in volts, as a recorder prints them."""
    chance = random.Random(seed)
    step = 2 * math.pi / RATE
    with open(path, "w", encoding="ascii") as file:
        file.write("Time (s),Wire (V),Air (V)\n")
        for n in range(rows):
            mains = 0.1 * math.sin(step * (MAINS * n % RATE))
            line = tone * math.sin(step * (68_000 * n % RATE))
            wire = mains + line + chance.gauss(0, 1e-3)
            air = 0.02 * mains + 0.05 * line + chance.gauss(0, 1e-4)
            file.write(f"{n / RATE:.6f},{wire:.6f},{air:.6f}\n")


def script(before, after, picture):
    """The other side: what a careful engineer writes with general-purpose libraries."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt
    import numpy as np
    import pandas as pd
    from scipy import signal, stats

    sos = signal.butter(4, 1000, "highpass", fs=RATE, output="sos")
    # Hann's noise bandwidth is 1.5 bins: 200 Hz take 3750 samples.
    length = int(1.5 * RATE / 200)
    window = signal.get_window("hann", length)
    edges = np.arange(2_000, 152_000, 2_000)
    period = RATE // MAINS
    # Eleven segments start in each mains period, at equal steps of its phase.
    offsets = np.round(np.arange(11) * period / 11).astype(int)

    def analyse(path):
        table = pd.read_csv(path)
        samples = table.iloc[:, 1:].to_numpy().T
        start = sos_state(sos, samples)
        samples = signal.sosfilt(sos, samples, zi=start)[0][:, int(0.01 * RATE):]
        frequency, density = signal.welch(samples, RATE, window, length, length // 2)
        _, response = signal.freqz_sos(sos, frequency[1:], fs=RATE)
        right = np.concatenate([[1.0], 1.0 / np.abs(response) ** 2])
        weights = np.array([overlap(frequency, low, high) for low, high in zip(edges[:-1], edges[1:])]) * right
        powers = [[] for _ in samples]
        for number in range((samples.shape[1] - offsets[-1] - length) // period + 1):
            starts = number * period + offsets
            segments = samples[:, starts[:, None] + np.arange(length)]
            segments = segments - segments.mean(axis=2, keepdims=True)
            spectrum = np.abs(np.fft.rfft(segments * window, axis=2)) ** 2
            spectrum[:, :, 1:-1] *= 2
            spectrum = spectrum.mean(axis=1) / (RATE * (window**2).sum())
            for channel, row in enumerate(spectrum @ weights.T):
                powers[channel].append(row)
        return frequency, density * right, np.array(powers)

    def sos_state(sos, samples):
        state = signal.sosfilt_zi(sos)
        return state[:, None, :] * samples[:, 0][None, :, None]

    def overlap(frequency, low, high):
        half = frequency[1] / 2
        return np.clip(np.minimum(frequency + half, high) - np.maximum(frequency - half, low), 0, None)

    (frequency, first, powers_before), (_, second, powers_after) = analyse(before), analyse(after)
    figure, axes = plt.subplots(2, 2, figsize=(14, 9))
    for channel, name in enumerate(("wire", "air")):
        x, y = powers_before[channel], powers_after[channel]
        variances = [p.var(axis=0, ddof=1) / len(p) / p.mean(axis=0) ** 2 for p in (x, y)]
        degrees = sum(variances) ** 2 / sum(v**2 / (len(p) - 1) for v, p in zip(variances, (x, y)))
        change = 10 * np.log10(y.mean(axis=0) / x.mean(axis=0))
        half = 10 / math.log(10) * stats.t.ppf(0.975, degrees) * np.sqrt(sum(variances))
        spectra, bars = axes[0, channel], axes[1, channel]
        for density, label in ((first, "before"), (second, "after")):
            spectra.semilogx(frequency[1:], 10 * np.log10(density[channel, 1:] * 200 / 1e-12), label=label)
        spectra.set(xlim=(2e3, 150e3), xlabel="Hz", ylabel="dBµV", title=name)
        spectra.legend()
        bars.bar(range(len(change)), change, yerr=half)
        bars.set(xlabel="band", ylabel="dB")
        rows = [f"{low}-{high}: {c:+.2f} ± {h:.2f} dB" for low, high, c, h in zip(edges, edges[1:], change, half)]
        print(name, *rows, sep="\n")
    figure.savefig(picture, dpi=100)


def run(command):
    """Seconds and peak memory in MB of a program. Its own usage is read, not the largest of all children."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    out, err = child.stdout.read(), child.stderr.read()
    _, status, usage = os.wait4(child.pid, 0)
    took = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        sys.exit(f"{command[0]} failed: {err}")
    return took, usage.ru_maxrss / 1024, out


def change_at_68_khz(out, table):
    """What each side says of the wire from 68 to 70 kHz, so that the times are those of the same answer."""
    with open(table, newline="", encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["role"] == "wire" and row["low_hz"] == "68000"]
    other = next((line for line in out.splitlines() if line.startswith("68000-")), "not run")
    return f"{float(rows[0]['change_db']):+.2f} dB", other


def summary(name, rounds):
    times = [took for took, _ in rounds]
    memory = max(peak for _, peak in rounds)
    spread = f"{min(times):.3f} to {max(times):.3f} s"
    print(f"{name:<26} median {statistics.median(times):6.3f} s ({spread}), peak memory {memory:6.0f} MB")


READ_BY_POLARS = """
import sys, time
import polars
start = time.perf_counter()
table = polars.read_csv(sys.argv[1])
samples = table.select(polars.nth(1, 2)).to_numpy()
print(len(samples), time.perf_counter() - start)
"""


def read_rows(capture, rounds):
    """Rows to samples in memory, by polars and by linewake in turns; seconds without the start of either program."""
    reader = PROGRAMS / "examples" / "read_rows"
    if not reader.exists():
        print(f"{reader} is missing (cargo build --release --example read_rows): reading is not timed")
        return
    sides = {"linewake, reading only": [str(reader), capture]}
    if importlib.util.find_spec("polars") is None:
        print("polars missing: only linewake reads")
    else:
        sides["polars, reading only"] = [sys.executable, "-c", READ_BY_POLARS, capture]
    done = {name: [] for name in sides}
    for number in range(rounds + 1):
        for name, command in sides.items():
            _, memory, out = run(command)
            if number > 0:
                done[name].append((float(out.split()[1]), memory))
    for name, rounds_done in done.items():
        summary(name, rounds_done)
    if len(done) == 2:
        ours, theirs = (min(took for took, _ in rounds_done) for rounds_done in done.values())
        print(f"ratio of the shortest      {theirs / ours:.1f}")


def only_rows(rows):
    with tempfile.TemporaryDirectory() as folder:
        capture = str(Path(folder) / "capture.csv")
        make_capture(capture, 1, 3e-3, rows)
        read_rows(capture, ROUNDS)


def main():
    program = PROGRAMS / "linewake"
    if not program.exists():
        sys.exit(f"{program} is missing: cargo build --release")
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        print(f"{', '.join(missing)} missing: only linewake is timed")
    with tempfile.TemporaryDirectory() as folder:
        before, after = (str(Path(folder) / name) for name in ("before.csv", "after.csv"))
        make_capture(before, 1, 3e-3)
        make_capture(after, 2, 1e-3)
        own = [str(program), "compare", "--before", before, "--after", after, "-o"]
        sides = {"linewake": own + [str(Path(folder) / "own.png")]}
        if not missing:
            picture = str(Path(folder) / "other.png")
            sides["pandas, SciPy, Matplotlib"] = [sys.executable, __file__, "script", before, after, picture]
        rounds = {name: [] for name in sides}
        said = {}
        for number in range(ROUNDS + 1):
            for name, command in sides.items():
                took, memory, said[name] = run(command)
                if number > 0:
                    rounds[name].append((took, memory))
        for name, done in rounds.items():
            summary(name, done)
        if not missing:
            ours, theirs = (statistics.median(took for took, _ in done) for done in rounds.values())
            print(f"ratio of the medians       {theirs / ours:.1f}")
        table = str(Path(folder) / "own.csv")
        run(own + [table])
        ours, theirs = change_at_68_khz(said.get("pandas, SciPy, Matplotlib", ""), table)
        print(f"wire, 68 to 70 kHz         {ours}; {theirs}")
        read_rows(before, ROUNDS)


if __name__ == "__main__":
    if sys.argv[1:2] == ["script"]:
        script(*sys.argv[2:5])
    elif sys.argv[1:2] == ["rows"]:
        only_rows(int(sys.argv[2]))
    else:
        main()
