"""Areas: suspect points in, connected areas with outline, size and bounds out.

`indications` makes them, `references` checks points marked known good, `agreement` compares both methods.
"""
