#!/usr/bin/env python3
"""A receiver of band A by NumPy, SciPy and Numba: two channels at 1 MS/s, 1411 frequencies, all detectors.

The same way as the program, written with general-purpose libraries: one long transform a channel, a Gaussian filter
of 200 Hz for each frequency, envelopes every 0.5 ms by short inverse transforms, detectors down the envelopes,
frequencies over two threads. `receiver_numba.py [SECONDS] [RUNS]` prints the seconds of the shortest run (after one
that compiles) and what it reads of a tone of 1 mV at 68 kHz. Detectors as in
fixtures/reference/make_receiver_vectors.py, stepwise: diode and two sections of the meter, exact for a held input.
"""

import math
import sys
import time

import numba
import numpy as np
from scipy import fft, optimize

RATE, STEP = 1_000_000, 0.5e-3
BANDWIDTH, CHARGE, DISCHARGE, METER, CORNER = 200.0, 45e-3, 500e-3, 160e-3, 10.0
SIGMA = BANDWIDTH / (2 * math.sqrt(2 * math.log(2)))
FREQUENCIES = 9e3 + 100.0 * np.arange(1411)


def conduction(x):
    return (math.sqrt(1 - x * x) - x * math.acos(x)) / math.pi


def settled(series):
    return optimize.brentq(lambda x: conduction(x) / series - x / DISCHARGE, 0, 1)


def rise(series):
    """Time to 63 % of the end, by the middle of 20,000 steps of the voltage."""
    end = (1 - math.exp(-1)) * settled(series)
    x = (np.arange(20_000) + 0.5) / 20_000 * end
    slope = (np.sqrt(1 - x * x) - x * np.arccos(x)) / math.pi / series - x / DISCHARGE
    return end / 20_000 * (1 / slope).sum()


SERIES = optimize.brentq(lambda s: rise(s) - CHARGE, 1e-3, 45e-3)
SETTLED = settled(SERIES)
# The diode's current over the voltage, as a table.
TABLE = np.array([conduction(x) for x in np.linspace(0, 1, 4097)])


@numba.njit(parallel=True, fastmath=True)
def detect(envelopes, table, step, readings):
    lanes, steps = envelopes.shape
    keep = math.exp(-step / METER)
    window = int(round(1 / CORNER / step))
    silence = int(1.5 / step)
    for lane in numba.prange(lanes):
        row = envelopes[lane]
        peak = total = charge = first = quasi = mean_first = mean = 0.0
        mean_top = quasi_top = rms_first = rms = rms_top = squares = 0.0
        for n in range(steps + silence):
            e = row[n] if n < steps else 0.0
            peak = max(peak, e)
            total += e
            if e > charge:
                x = charge / e * 4096
                k = int(x)
                charge += step * e * (table[k] + (x - k) * (table[k + 1] - table[k])) / SERIES
            charge -= step * charge / DISCHARGE
            first += (1 - keep) * (charge - first)
            quasi += (1 - keep) * (first - quasi)
            quasi_top = max(quasi_top, quasi)
            mean_first += (1 - keep) * (e - mean_first)
            mean += (1 - keep) * (mean_first - mean)
            mean_top = max(mean_top, mean)
            old = row[n - window] if window <= n < steps + window else 0.0
            squares += e * e - old * old
            running = math.sqrt(max(squares, 0.0) / window)
            rms_first += (1 - keep) * (running - rms_first)
            rms += (1 - keep) * (rms_first - rms)
            rms_top = max(rms_top, rms)
        readings[lane, 0] = peak
        readings[lane, 1] = max(quasi_top / SETTLED, total / steps)
        readings[lane, 2] = max(mean_top, total / steps)
        readings[lane, 3] = max(rms_top, mean_top)


def receive(samples):
    count = samples.size
    spectrum = fft.rfft(samples, workers=2)
    seconds = count / RATE
    steps = int(round(seconds / STEP))
    half = steps // 2
    offsets = np.arange(-half, half)
    shape = np.exp(-0.5 * (offsets / seconds / SIGMA) ** 2) * math.sqrt(2) * steps / count
    order = np.fft.ifftshift(np.arange(steps))
    readings = np.empty((len(FREQUENCIES), 4))
    for first in range(0, len(FREQUENCIES), 64):
        centres = np.round(FREQUENCIES[first : first + 64] * seconds).astype(int)
        part = (spectrum[centres[:, None] + offsets] * shape)[:, order]
        envelopes = np.abs(fft.ifft(part, axis=1, workers=2, overwrite_x=True))
        detect(envelopes, TABLE, STEP, readings[first : first + 64])
    return 20 * np.log10(readings / 1e-6)


def main():
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    random = np.random.default_rng(1)
    tone = math.sqrt(2) * 1e-3 * np.sin(2 * math.pi * 68e3 / RATE * np.arange(int(seconds * RATE)))
    channels = [tone + random.normal(0, 1e-6 * math.sqrt(RATE / 2), tone.size) for _ in range(2)]
    receive(channels[0][: RATE // 2])
    best = math.inf
    for _ in range(runs):
        start = time.perf_counter()
        levels = [receive(channel) for channel in channels]
        best = min(best, time.perf_counter() - start)
    print(best, *np.round(levels[0][590], 2))


if __name__ == "__main__":
    main()
