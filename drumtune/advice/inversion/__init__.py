"""Inference of the tension field of a head from its taps: an experimental modal analysis with a roving tap.

layout (which modes, which unknowns) -> blocks (smooth mode blocks of an uneven head) -> model (predicted spectra and
their slopes) -> solve (damped least squares) -> stages (from blind start to the posterior) -> families (the start).
docs/inference.md tells why it is so, and what was tried and failed.
"""
