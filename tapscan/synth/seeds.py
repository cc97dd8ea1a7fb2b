"""Random streams with names, so that no draw depends on the order in which things are simulated."""

import numpy as np

__all__ = ["generator"]


def generator(seed: int, purpose: str, zone_code: str, *index: int) -> np.random.Generator:
    """Return the stream of this purpose, zone and point under a seed; the same names give the same stream.

    Examples
    --------
    >>> first, again = (generator(1, "noise", "BM", 3, 4).random() for _ in range(2))
    >>> first == again, first == generator(1, "noise", "BM", 4, 3).random()
    (True, False)
    """
    names = [int.from_bytes(word.encode(), "big") for word in (purpose, zone_code)]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(*names, *index))))
