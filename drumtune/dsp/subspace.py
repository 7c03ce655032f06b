"""Poles from a stack of records: zoom into a band without losing the exponential, then ESPRIT on all records at once.

The zoom is a Gaussian band-pass, a shift of the band's middle to zero and a lower sampling rate. Away from both ends
of the record (five widths of the filter's pulse) a damped exponential stays one, with the same pole; only its
amplitude changes. So the poles need no correction. Used to start `drumtune.dsp.refine`, which uses every sample.
Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from drumtune.dsp.spectra import Segments

Complexes = NDArray[np.complex128]

REACH = 4.0
"""Widths of the Gaussian band kept: exp(-8) = 3e-4 is left at the edges, under what starting values need."""
EDGE = 4.5
"""Widths of the filter's pulse left out at the ends of a record: exp(-10) = 4e-5 of the jump there is left."""
HANKEL = 96
"""Largest window of the stacked Hankel matrix: 0.4 s at a width of 30 Hz, beyond most decays of a head."""


def zoom(spectra: Complexes, segments: Segments, middle: float, width: float) -> tuple[list[Complexes], float]:
    """Records shifted from `middle` (Hz) to zero, within a Gaussian band of standard deviation `width` (Hz).

    `spectra` has the shape of ``segments.padded``. Returns the valid part of each record and the new rate in Hz;
    records too short for the filter give empty rows.
    """
    spacing = segments.sample_rate / segments.padded_length
    centre = round(middle / spacing)
    reach = int(REACH * width / spacing)
    first, last = max(0, centre - reach), min(spectra.shape[1] - 1, centre + reach)
    offset = np.arange(first, last + 1) - centre
    band = spectra[:, first : last + 1] * np.exp(-0.5 * (offset * spacing / width) ** 2)
    size = 2 * reach + 1
    spread = np.zeros((spectra.shape[0], size), dtype=np.complex128)
    spread[:, offset % size] = band
    slow = np.fft.ifft(spread, axis=1)
    rate = size * spacing
    edge = math.ceil(EDGE / (2.0 * math.pi * width) * rate)
    ends = np.floor(segments.lengths / segments.sample_rate * rate).astype(int) - edge
    # the phase runs from the record's first sample; the centre bin is not exactly `middle`, which the caller undoes
    return [row[edge : max(edge, end)] for row, end in zip(slow, ends, strict=True)], rate


def esprit_poles(
    spectra: Complexes, segments: Segments, middle: float, width: float, orders: range
) -> dict[int, Complexes]:
    """Poles lambda (1/s) found in the zoomed band for each model order, from all records jointly.

    ESPRIT: R. Roy & T. Kailath, IEEE Trans. ASSP 37(7), 1989; stacked over records as in Y. Hua & T. K. Sarkar, IEEE
    Trans. ASSP 38(5), 1990 (both from memory). Orders the data cannot carry are left out.
    """
    rows, rate = zoom(spectra, segments, middle, width)
    longest = max((row.size for row in rows), default=0)
    size = min(HANKEL, longest // 2)
    if size < 3:
        return {}
    gram = np.zeros((size, size), dtype=np.complex128)
    for row in rows:
        if row.size > size:
            hankel = np.lib.stride_tricks.sliding_window_view(row, size)
            gram += hankel.T @ hankel.conj()
    kept = min(orders.stop - 1, size - 2)
    if kept < 1 or not np.isfinite(gram).all():
        return {}
    vectors = scipy.linalg.eigh(gram, subset_by_index=(size - kept, size - 1), check_finite=False)[1][:, ::-1]
    spacing = segments.sample_rate / segments.padded_length
    shift = 2j * math.pi * round(middle / spacing) * spacing
    found = {}
    for order in orders:
        if order <= kept:
            space = vectors[:, :order]
            turn = np.linalg.lstsq(space[:-1], space[1:], rcond=None)[0]
            found[order] = np.log(np.linalg.eigvals(turn)) * rate + shift
    return found
