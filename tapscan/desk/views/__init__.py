"""What the page shows: inspections and results in, plain data out.

`documents` is the whole zone, `closeups` one point, `rasters` many points, `details`, `papers`, `sounds`
and `tallies` what is beside them.
"""
