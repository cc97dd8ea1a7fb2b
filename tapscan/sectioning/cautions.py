"""What to mind before a part is cut: said wherever cutting starts."""

__all__ = ["CUTTING_CAUTIONS", "EDGE_QUESTION"]

# Common practice; no published source.
EDGE_QUESTION = (
    "Saw and drill make separations of their own at the edge. Was it there before the cut? "
    "Grind and polish the edge back a little: what the cut made ends soon, what was there goes on."
)

CUTTING_CAUTIONS = (
    "Carbon dust harms lungs, skin and eyes: extraction, a fitted respirator, gloves, eye protection.",
    "Cut wet where you can, and wipe up wet; never blow dust off.",
    "The dust conducts: keep it out of machines, sockets and electronics.",
    "Clamp the part and let it give: stored strain can close on a blade. Splinters of cut fibre are needles.",
    "Photograph the part and the marked line before each cut, with the point's number in the picture.",
    "Label both halves of every cut with zone, station and side, and keep them.",
    "Cutting cannot be undone: ask the owner, and whoever may still want the part as evidence.",
)
