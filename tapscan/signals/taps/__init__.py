"""Taps: a recording in, each tap's bands, spectrum, decay and faults out.

`finding` cuts recordings into taps; `bands` and `spectrum` say what each sounds like; `decay` how fast it
dies away; `quality` and `bounces` whether it can be used at all.
"""
