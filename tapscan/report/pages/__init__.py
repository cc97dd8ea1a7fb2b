"""Pages: results in, HTML out.

`html` is the report, `short` its first page, `change`, `section_page` and `pod_page` the other jobs;
`sentences`, `story` and `change_words` write what they say; `evidence` and `both` are parts of the report.
"""
