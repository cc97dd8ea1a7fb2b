"""The report: one page for the customer, its maps and its evidence. Draws what it is given, computes nothing.

`palette` holds the colours and signs of all of it; `sheets`, `layers` and `maps` the unrolled maps;
`evidence` the spectra, A-scans and B-scans; `words` and `sentences` the text; `html` and `page/` the page.
"""

from tapscan.report.pages.html import write_report

__all__ = ["write_report"]
