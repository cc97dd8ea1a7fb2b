"""A tapped zone, from recordings to areas, in the order of the way that a reading takes.

`readings` files in, taps in bands out · `points` taps in, points with their variances out · `baseline` how
far each point is from sound laminate of this zone · `damage` how likely that is damage, as learned from many
parts · `calls` how often a sound point would look so · `screen` all of it, and areas · `twins` and `change`
the same for the difference from a like zone or an earlier visit.
"""
