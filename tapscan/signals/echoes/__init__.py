"""Echoes: traces in, the times and strengths of the pulses in them out.

`measuring` reads a whole zone and `finding` a few traces; both go through `candidates`, `kernels` and
`pursuit`. `pulses`, `fronts`, `learning` and `losses` say what a zone's pulse and sound laminate look like.
"""
