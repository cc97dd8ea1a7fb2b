"""A zone on a photo: points placed on a picture of an odd shape.

`layout` is what the plan says; `reading` checks it; `scale` turns pixels into millimetres and estimates how
sure that is; `cells` gives each point its neighbours and its area.
"""
