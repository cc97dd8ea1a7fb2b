"""The cut face, measured: pixel coordinates in, lengths and areas with their uncertainty out.

``scale.py`` millimetres of a photo, from two clicks or from the corners of a printed square; ``measures.py``
thickness, voids, wrinkles, separations; ``joint.py`` the adhesive over a joint; ``porosity.py`` a share of
area and how sure it is; ``proposals.py`` what the computer takes for a void or for the edge of an adhesive
line, ``fibres.py`` which ply waves most, for a person to accept.
Nothing here reads a file. Pixel coordinates are (x to the right, y down), of the picture the right way up.
"""
