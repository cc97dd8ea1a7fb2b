"""Echoes: traces in, the times and strengths of the pulses in them out.

`measuring` measures a whole zone, by `learning` (its `pulses`, `losses`) → `kernels` → `candidates`, with
`pursuit` where echoes overlap; `signals.walls` decides. `finding` takes a few traces by themselves.
`quality` says whether a trace can be used at all; `sampling` chooses, shifts and cuts traces.
"""
