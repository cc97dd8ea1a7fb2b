"""Bags: an inspection in, a sealed folder out, and back.

`making` seals, `checking` compares with the checksums, `restoring` takes out, `copies` keeps a second one;
`manifests`, `folders` and `stored` are what a bag holds.
"""
