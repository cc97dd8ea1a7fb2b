"""Readings taken in: files in, one file a point in the inspection folder out.

`adding` copies, `walking` splits a long recording along the grid, `grouping` and `repeats` say which taps
belong together.
"""
