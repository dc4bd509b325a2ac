#!/usr/bin/env python3
"""Many captures by two Python processes: band totals of each to one table. `batch_python.py FOLDER TABLE.csv`

Text by polars or WAV by SciPy, one capture a task; high-pass, Welch's method at 200 Hz, RMS of wide bands, a ranking.
"""

import multiprocessing
import os
import sys
from pathlib import Path

# One thread a process: two processes fill the cores.
os.environ["POLARS_MAX_THREADS"] = "1"

import numpy as np
from scipy import fft, signal
from scipy.io import wavfile

EDGES = (2e3, 9e3, 30e3, 50e3, 95e3, 150e3)


def read(path):
    if path.suffix == ".wav":
        rate, samples = wavfile.read(path)
        return rate, samples.T.astype(float)
    import polars

    table = polars.read_csv(path).to_numpy()
    return (len(table) - 1) / (table[-1, 0] - table[0, 0]), table[:, 1:].T


def totals(path):
    rate, samples = read(Path(path))
    length = int(1.5 * rate / 200)
    window = signal.get_window("hann", length)
    sections = signal.butter(4, 1000, "highpass", fs=rate, output="sos")
    samples = signal.sosfilt(sections, samples)[:, int(0.01 * rate) :]
    segments = np.lib.stride_tricks.sliding_window_view(samples, length, axis=1)[:, :: length // 2]
    spectrum = fft.rfft((segments - segments.mean(axis=-1, keepdims=True)) * window, axis=-1)
    density = 2 * (spectrum.real**2 + spectrum.imag**2).mean(axis=1) / (rate * (window**2).sum())
    frequency = np.fft.rfftfreq(length, 1 / rate)
    step = frequency[1]
    return path, [
        np.sqrt(density[:, (frequency >= low) & (frequency < high)].sum(axis=1) * step).tolist()
        for low, high in zip(EDGES[:-1], EDGES[1:])
    ]


def main(folder, table):
    paths = sorted(str(path) for path in Path(folder).iterdir())
    with multiprocessing.Pool(2) as pool:
        rows = pool.map(totals, paths, chunksize=16)
    rows.sort(key=lambda row: -sum(value[0] ** 2 for value in row[1]))
    with open(table, "w", encoding="utf-8") as file:
        file.writelines(f"{path},{values}\n" for path, values in rows)
    print(len(rows))


if __name__ == "__main__":
    main(*sys.argv[1:3])
