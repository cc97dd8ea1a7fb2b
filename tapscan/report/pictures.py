"""One picture of the page: its name, its bytes, and its words."""

import base64
from dataclasses import dataclass

__all__ = ["Picture"]


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One picture: its file name, its bytes, and what it shows, for those who cannot see it."""

    name: str
    png: bytes
    alt: str
    caption: str
    anchor: str = ""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels, as the head of every PNG file gives them."""
        return int.from_bytes(self.png[16:20], "big"), int.from_bytes(self.png[20:24], "big")

    @property
    def is_tall(self) -> bool:
        """Whether the picture needs a printed page for itself."""
        width, height = self.size
        return height > 0.8 * width

    @property
    def source(self) -> str:
        """The picture as an address that a page can carry in itself."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")
