import itertools

from tapscan.synth.seeds import generator


def test_every_name_gives_another_stream():
    names = itertools.product((1, 2), ("noise", "strike"), ("A", "B", "AB"), (0, 1), (0, 1))
    draws = [generator(seed, purpose, code, *index).random() for seed, purpose, code, *index in names]
    assert len(set(draws)) == len(draws)
