"""A scanned zone: traces in, what each point has lost and shows inside out.

In the order of the way, with the names of `screening.taps`: `readings` · `baseline` what sound laminate sends
back, by the `levels` of sound wall and what `bonds` do · `calls` what of the beam is lost or comes from
inside · `thickness` the wall as a result · `screen` all of it, and areas · `twins` and `change`.
"""
