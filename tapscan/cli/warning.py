"""Warnings of every command, on standard error."""

from collections.abc import Iterable

import click

from tapscan.errors import folded

__all__ = ["warn"]


def warn(warnings: Iterable[str]) -> None:
    """Print sentences on standard error, what many places share only once."""
    for warning in folded(warnings):
        click.echo(f"tapscan: {warning}", err=True)
