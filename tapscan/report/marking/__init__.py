"""Marking out: a zone in, sheets at true size out.

`files` says which there are, `wraps` lays the grid on paper, `outlining` and `cutting` the areas, `tiling`
and `sheaf` split them into sheets, `naming` and `tagging` label them.
"""
