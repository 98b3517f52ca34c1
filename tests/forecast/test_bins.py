"""The discs of a part of the track, gathered by spans of time."""

from sentinel.chain.forecast.bins import SHORTEST_S, Bins


def test_bins_are_forgotten_by_the_mean_time_of_their_discs() -> None:
    bins = Bins()
    for at_s in (0.2, 0.4, 1.2, 1.6):
        bins.add(at_s * SHORTEST_S, 100.0, 200.0, 0.1)
    assert (bins.arc().utc_s / SHORTEST_S).round(6).tolist() == [0.3, 1.4]
    for before, left in ((0.29, 2), (0.31, 1), (1.39, 1), (1.41, 0)):
        bins.forget(before * SHORTEST_S)
        assert (len(bins.arc()) if left else len(bins._sums)) == left
