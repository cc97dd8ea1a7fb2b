"""Closed-form formulas: numbers in, numbers out, each with its source.

`plates` and `shells` bend, `patches` are loose pieces of a tube, `contact` is the tapper's, `waves`
ultrasound; `detectability` puts them together for the smallest delamination, `grids` for a patch between
points.
"""
