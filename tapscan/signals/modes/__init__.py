"""Modes: a tap in, the frequencies and dampings that ring in it out.

`ringing` fits the modes of one tap; `poles` refines all of them together; `lines` measures one line's
width.
"""
