"""Pages from templates: text from outside is escaped, and what is missing is an error, never a gap."""

from typing import Any

from tapscan.report.maps.palette import css_variables

__all__ = ["filled"]


def filled(template: str, **values: Any) -> str:
    """Fill a page's template; the style sheet's colours come with it, light and dark.

    Raises
    ------
    jinja2.UndefinedError
        When the template asks for something that is not given.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("tapscan.report", "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(template).render(
        colours=css_variables(), dark=css_variables(dark=True), **values
    )
