"""The report: results in, pages and pictures out. Draws what it is given, computes nothing.

`pages` has the HTML, `maps` the pictures of zones, `cuts` what the saw showed, `marking` sheets at true size;
`page/` the templates. `saving` writes all of it into ``results/``; `words` names things for people.
"""

from tapscan.report.pages.html import write_report

__all__ = ["write_report"]
