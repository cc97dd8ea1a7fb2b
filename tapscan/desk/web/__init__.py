"""The server: requests in, answers out.

`routes` has one function for each, `guard` lets the right ones in, `serving`, `certificates` and `phones`
say where it listens and who can open it.
"""
