#!/usr/bin/env python3
"""Welch's method by scipy.fft for two channels of a million samples, batched, two workers.

The other side of `cargo bench --bench dsp -- welch`: 200 Hz at 500 kS/s, Hann, half overlap, mean removed from each
segment; mean, largest and smallest density and, where asked, the cross density. Prints the shortest of some runs and
the mean processor time of a run, both in milliseconds. Needs NumPy and SciPy.
"""

import argparse
import time

import numpy
import scipy
import scipy.fft

RATE, LENGTH, BATCH = 500e3, 3750, 64


def welch(channels, taper, cross, workers):
    bins, hop = LENGTH // 2 + 1, LENGTH // 2
    sums = numpy.zeros((2, bins))
    most, least = numpy.zeros((2, bins)), numpy.full((2, bins), numpy.inf)
    product = numpy.zeros(bins, complex)
    views = [numpy.lib.stride_tricks.sliding_window_view(x, LENGTH)[::hop] for x in channels]
    for first in range(0, len(views[0]), BATCH):
        spectra = []
        for number, view in enumerate(views):
            part = view[first : first + BATCH]
            part = (part - part.mean(axis=1, keepdims=True)) * taper
            spectrum = scipy.fft.rfft(part, axis=1, workers=workers, overwrite_x=True)
            density = spectrum.real**2 + spectrum.imag**2
            sums[number] += density.sum(axis=0)
            numpy.maximum(most[number], density.max(axis=0), out=most[number])
            numpy.minimum(least[number], density.min(axis=0), out=least[number])
            spectra.append(spectrum)
        if cross:
            product += (spectra[0].conj() * spectra[1]).sum(axis=0)
    return sums, most, least, product


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--samples", type=int, default=1_000_000)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    random = numpy.random.default_rng(1)
    channels = [random.standard_normal(arguments.samples) for _ in range(2)]
    taper = 0.5 - 0.5 * numpy.cos(2.0 * numpy.pi * numpy.arange(LENGTH) / LENGTH)
    for cross in (False, True):
        best, start = float("inf"), time.process_time()
        for _ in range(arguments.runs):
            begun = time.perf_counter()
            welch(channels, taper, cross, arguments.workers)
            best = min(best, time.perf_counter() - begun)
        used = (time.process_time() - start) / arguments.runs
        words = "and their cross density" if cross else "alone"
        print(f"scipy {scipy.__version__}, two channels {words}: {1e3 * best:.2f} ms, processor {1e3 * used:.2f} ms")


if __name__ == "__main__":
    main()
