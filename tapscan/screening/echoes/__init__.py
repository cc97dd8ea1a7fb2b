"""A scanned zone: traces in, what each point has lost and shows inside out.

The names are those of `screening.taps`: `readings`, `screen`, `twins` and `change`. `levels` is what sound
wall returns, `bonds` what a bonded insert does, `thickness` the wall as a result.
"""
