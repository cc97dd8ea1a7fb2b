"""From readings to calls: an inspection in, what each point is called and which areas are suspect out.

`scans` goes through all zones and methods; `taps` and `echoes` screen one zone, in each the modules
`readings`, `baseline` and `calls` one after the other; `areas` joins suspect points; `change` compares zones
and visits; `known` is what cutting showed; `reach` what could be found at all; `results` what comes out.
"""

__all__: list[str] = []
