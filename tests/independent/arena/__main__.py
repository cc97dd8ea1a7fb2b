"""``python -m tests.independent.arena``: the table; ``make`` parts alone; ``learning`` the learning curve."""

import argparse
import os
from pathlib import Path

from rich.console import Console

from tapscan.screening.taps.damage import damage_class, parsed
from tests.independent.arena.families import CHOSEN_ON, FAMILIES, KEPT_BACK, ODD, UNSEEN, make_parts
from tests.independent.arena.judging import judge_family
from tests.independent.arena.learning import learning_curve, learning_table
from tests.independent.arena.table import family_table, reliability_table, write_json


def _names(asked: list[str]) -> list[str]:
    groups = {"chosen-on": CHOSEN_ON, "kept-back": KEPT_BACK, "unseen": UNSEEN, "odd": ODD, "all": FAMILIES}
    return list(dict.fromkeys(name for word in asked for name in groups.get(word, [word])))


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.independent.arena", description=__doc__)
    parser.add_argument("what", nargs="?", default="judge", choices=["judge", "make", "learning"])
    parser.add_argument("--cache", type=Path, default=Path("build/arena"), help="folder that keeps the parts")
    parser.add_argument(
        "--families",
        nargs="+",
        default=["chosen-on"],
        help="names, chosen-on, kept-back, unseen, odd or all",
    )
    parser.add_argument("--parts", type=int, default=12, help="of each family")
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--only-tapscan", action="store_true", help="neither floor nor ceiling")
    parser.add_argument("--json", type=Path, help="write the rows there, too")
    parser.add_argument(
        "--damage-class", type=Path, help="with learning: in place of the one tapscan carries"
    )
    arguments = parser.parse_args()
    names = _names(arguments.families)
    console = Console(width=240, highlight=False)
    if arguments.what == "make":
        for folder in make_parts(arguments.cache, names, arguments.parts, arguments.jobs):
            console.print(folder)
        return
    if arguments.what == "learning":
        own = arguments.damage_class
        trained = damage_class() if own is None else parsed(own.read_bytes())
        curves = []
        for name in names:
            curves.append(
                learning_curve(
                    name,
                    arguments.parts,
                    arguments.cache,
                    trained,
                    jobs=arguments.jobs,
                    say=console.print,
                )
            )
            console.print(learning_table(curves[-1:]))
        console.print(learning_table(curves))
        return
    rows = []
    for name in names:
        rows.append(
            judge_family(
                name,
                arguments.parts,
                arguments.cache,
                jobs=arguments.jobs,
                is_tapscan_only=arguments.only_tapscan,
                say=console.print,
            )
        )
        if arguments.json:
            write_json(rows, arguments.json)
    console.print(family_table(rows, f"Arena, {arguments.parts} parts a family"))
    reliable = reliability_table(rows)
    if reliable is not None:
        console.print(reliable)


if __name__ == "__main__":
    main()
