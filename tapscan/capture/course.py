"""The points a capture walks, in order, and which of them comes next."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from tapscan.errors import TapscanError
from tapscan.plan import Plan, Point, parse_point
from tapscan.plan.photos.sharing import shared_points
from tapscan.records.inspection import objection
from tapscan.records.taking.walking import Walk, walked_points

__all__ = ["Course", "plan_course"]


@dataclass(frozen=True, slots=True)
class Course:
    """Points in walking order, and how many taps each of them needs."""

    points: tuple[Point, ...]
    taps_per_point: int

    def next_open(
        self, taken: Mapping[Point, int], skipped: Collection[Point], since: Point | None
    ) -> Point | None:
        """Find the first point that still needs taps, from `since` on and then from the beginning.

        A point that was skipped is passed over. None when nothing is left to strike.

        Examples
        --------
        >>> a, b, c = (Point("BM", 1, position) for position in (1, 2, 3))
        >>> course = Course((a, b, c), 2)
        >>> str(course.next_open({a: 2, b: 1}, {b}, a)), str(course.next_open({b: 2, c: 2}, (), b))
        ('BM-01-03', 'BM-01-01')
        """
        begin = 0 if since is None else self.points.index(since)
        for point in (*self.points[begin:], *self.points[:begin]):
            if taken.get(point, 0) < self.taps_per_point and point not in skipped:
                return point
        return None

    def is_open(self, zone: str, taken: Mapping[Point, int], skipped: Collection[Point]) -> bool:
        """Say whether any point of a zone still needs taps."""
        return any(
            point.zone == zone and point not in skipped and taken.get(point, 0) < self.taps_per_point
            for point in self.points
        )


def plan_course(plan: Plan, zones: Iterable[str], *, there_and_back: bool = False) -> Course:
    """Lay the walk through zones of a plan, or through single points, in the order in which they are named.

    Points that the plan skips are not part of it. With `there_and_back` even stations are walked from the
    last position down. A point that two photos show is struck once, by the name that it has on the first.

    Raises
    ------
    TapscanError
        When the plan has no such zone or point, or all points of a zone are skipped.
    """
    points: list[Point] = []
    for name in dict.fromkeys(name.upper() for name in zones):
        point = parse_point(name)
        if point is None:
            points += walked_points(plan, Walk(zone=name, there_and_back=there_and_back))
            continue
        fault = objection(plan, point)
        if fault is not None:
            raise TapscanError(name, *fault)
        points.append(point)
    same = shared_points(plan)
    return Course(tuple(dict.fromkeys(same.get(point, point) for point in points)), plan.taps_per_point)
