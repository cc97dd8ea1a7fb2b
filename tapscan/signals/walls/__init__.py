"""The back wall: echoes of a zone in, one surface and the first echo inside out.

`surface` decides over all traces at once, by `labelling`; `deciding` takes wall and inner echo for each
trace; `sheets` and `lost` say where the wall steps and where it is missing; `filling` carries a surface
over gaps.
"""
