"""The back wall: echoes of a zone in, one surface and the first echo inside out.

`surface` decides which echo of each trace is the wall, over the whole zone at once: `labelling` gives the
least cost, `sheets` separates wall from damage in its place. By that surface `deciding` measures each trace's
wall and first inner echo, and `lost` what no echo counted for. `filling` carries a surface over gaps.
"""
