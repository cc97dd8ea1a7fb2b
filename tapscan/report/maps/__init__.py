"""Pictures: results in, PNG and SVG out.

`unrolled`, `rounds` and `photo_maps` draw a zone, `detectable` what could be found, `doubts` that a check
failed, `edges` the numbers along a map, `pods` and `setup_chart` curves; `palette` and `figures` make all of
them look alike.
"""
