"""Inspections kept for decades: inspection folders in, sealed bags and what was asked of them out.

`bags` seals, checks and restores; `places` names them; `catalogue` is made of what `entries` reads, for
`searching`; `rerunning` computes inspections again, `spreading` over many machines, and `changes` says what
differs; `exporting` and `diconde` are for other programs.
"""
