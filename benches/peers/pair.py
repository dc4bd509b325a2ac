#!/usr/bin/env python3
"""A before/after pair by general-purpose libraries, from text to table and PNG: the other side of `linewake compare`.

    pair.py pandas BEFORE.csv AFTER.csv PICTURE.png     pandas, SciPy, Matplotlib: what a careful engineer writes
    pair.py polars BEFORE.csv AFTER.csv PICTURE.png     polars and batched transforms, two workers: the same, tuned

Three columns (time, wire, air) at 500 kS/s, mains at 50 Hz. Both take the mains out with a Butterworth high-pass of
order 4 at 1 kHz, divided out again; Welch's method at 200 Hz (Hann, half overlap); band powers mains period by mains
period, eleven segments in each; change of 74 bands with its 95 % interval by Welch's t.
"""

import math
import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from scipy import fft, signal, stats

RATE, MAINS = 500_000, 50
# Hann's noise bandwidth is 1.5 bins: 200 Hz take 3750 samples.
LENGTH = int(1.5 * RATE / 200)
WINDOW = signal.get_window("hann", LENGTH)
EDGES = np.arange(2_000, 152_000, 2_000)
PERIOD = RATE // MAINS
# Eleven segments start in each mains period, at equal steps of its phase.
OFFSETS = np.round(np.arange(11) * PERIOD / 11).astype(int)
SECTIONS = signal.butter(4, 1000, "highpass", fs=RATE, output="sos")
FREQUENCY = np.fft.rfftfreq(LENGTH, 1 / RATE)
_, RESPONSE = signal.freqz_sos(SECTIONS, FREQUENCY[1:], fs=RATE)
RIGHT = np.concatenate([[1.0], 1.0 / np.abs(RESPONSE) ** 2])
SCALE = RATE * (WINDOW**2).sum()
# Periods in one transform of the tuned script: the fastest of 1, 2, 3, 4, 8, 16 and 64 where the figures were taken.
BATCH = 3


def overlap(low, high):
    half = FREQUENCY[1] / 2
    return np.clip(np.minimum(FREQUENCY + half, high) - np.maximum(FREQUENCY - half, low), 0, None)


WEIGHTS = np.array([overlap(low, high) for low, high in zip(EDGES[:-1], EDGES[1:])]) * RIGHT


def without_mains(samples):
    start = signal.sosfilt_zi(SECTIONS)[:, None, :] * samples[:, 0][None, :, None]
    return signal.sosfilt(SECTIONS, samples, zi=start)[0][:, int(0.01 * RATE) :]


def periods_of(samples):
    return (samples.shape[1] - OFFSETS[-1] - LENGTH) // PERIOD + 1


def with_pandas(path):
    import pandas

    samples = without_mains(pandas.read_csv(path).iloc[:, 1:].to_numpy().T)
    _, density = signal.welch(samples, RATE, WINDOW, LENGTH, LENGTH // 2)
    powers = [[] for _ in samples]
    for number in range(periods_of(samples)):
        starts = number * PERIOD + OFFSETS
        segments = samples[:, starts[:, None] + np.arange(LENGTH)]
        segments = segments - segments.mean(axis=2, keepdims=True)
        spectrum = np.abs(np.fft.rfft(segments * WINDOW, axis=2)) ** 2
        spectrum[:, :, 1:-1] *= 2
        for channel, row in enumerate(spectrum.mean(axis=1) / SCALE @ WEIGHTS.T):
            powers[channel].append(row)
    return density * RIGHT, np.array(powers)


def densities(segments):
    """One-sided densities; the means of the segments leave with the first bins of Hann's window, which no band has."""
    spectrum = fft.rfft(segments * WINDOW, axis=-1, workers=2, overwrite_x=True)
    density = spectrum.real**2 + spectrum.imag**2
    density *= 2 / SCALE
    return density


def with_polars(path):
    import polars

    table = polars.read_csv(path)
    samples = without_mains(np.ascontiguousarray(table.select(polars.nth(1, 2)).to_numpy().T))
    total, powers = np.zeros((2, len(FREQUENCY))), []
    views = np.lib.stride_tricks.sliding_window_view(samples, LENGTH, axis=1)
    plain = views[:, :: LENGTH // 2]
    for first in range(0, plain.shape[1], 11 * BATCH):
        total += densities(plain[:, first : first + 11 * BATCH]).sum(axis=1)
    count = periods_of(samples)
    for first in range(0, count, BATCH):
        numbers = np.arange(first, min(first + BATCH, count))
        segments = views[:, (numbers[:, None] * PERIOD + OFFSETS).ravel()]
        means = densities(segments).reshape(2, len(numbers), len(OFFSETS), -1).mean(axis=2)
        powers.append(means @ WEIGHTS.T)
    return total / plain.shape[1] * RIGHT, np.concatenate(powers, axis=1)


def main(analyse, before, after, picture):
    (first, powers_before), (second, powers_after) = analyse(before), analyse(after)
    figure, axes = plt.subplots(2, 2, figsize=(14, 9))
    for channel, name in enumerate(("wire", "air")):
        x, y = powers_before[channel], powers_after[channel]
        variances = [p.var(axis=0, ddof=1) / len(p) / p.mean(axis=0) ** 2 for p in (x, y)]
        degrees = sum(variances) ** 2 / sum(v**2 / (len(p) - 1) for v, p in zip(variances, (x, y)))
        change = 10 * np.log10(y.mean(axis=0) / x.mean(axis=0))
        half = 10 / math.log(10) * stats.t.ppf(0.975, degrees) * np.sqrt(sum(variances))
        spectra, bars = axes[0, channel], axes[1, channel]
        for density, label in ((first, "before"), (second, "after")):
            spectra.semilogx(FREQUENCY[1:], 10 * np.log10(density[channel, 1:] * 200 / 1e-12), label=label)
        spectra.set(xlim=(2e3, 150e3), xlabel="Hz", ylabel="dBµV", title=name)
        spectra.legend()
        bars.bar(range(len(change)), change, yerr=half)
        bars.set(xlabel="band", ylabel="dB")
        rows = [f"{low}-{high}: {c:+.2f} ± {h:.2f} dB" for low, high, c, h in zip(EDGES, EDGES[1:], change, half)]
        print(name, *rows, sep="\n")
    figure.savefig(picture, dpi=100)


if __name__ == "__main__":
    main({"pandas": with_pandas, "polars": with_polars}[sys.argv[1]], *sys.argv[2:5])
