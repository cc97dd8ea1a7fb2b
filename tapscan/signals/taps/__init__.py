"""Taps: a recording in, each tap's bands, spectrum, decay and faults out.

`finding` cuts recordings into taps, on their `highpass`; `bands` is what the screening compares; `spectrum`
and `decay` are the features beside it; `quality` and `bounces` say whether a tap can be used at all.
"""
