"""What the session's own values by the sun's altitude are worth, and from how many of them on."""

from sentinel.chain.judge.baseline import BANDS_PER_E, FEWEST, Baseline, learned, present, usual

HERE, HIGHER = 2.0, 1.0
"""Air masses in two bands that lie apart."""


def as_it_is(value: float, from_air: float, to_air: float) -> float:
    """Carry a value as if the air took nothing."""
    del from_air, to_air
    return value


def after(*values: float, air_mass: float = HERE, every_s: float = 60.0) -> Baseline:
    """Return what is known after values at one air mass."""
    known = Baseline()
    for number, value in enumerate(values):
        known = learned(
            known, value, air_mass, every_s * number, as_it_is, keep=True, within=0, most_slack=0.5
        )
    return known


def left(known: Baseline, at_s: float = 3000.0) -> Baseline:
    """Return what is known once the sun has left the band."""
    return learned(known, 0.0, HIGHER, at_s, as_it_is, keep=False, within=0, most_slack=0.5)


def test_five_values_are_something_to_compare_with_and_four_are_not() -> None:
    assert FEWEST == 5
    few, enough = after(*[-1.0] * 4), after(*[-1.0] * 5)
    assert present(few, HERE, as_it_is, within=0) is None
    assert usual(left(few), HERE, as_it_is, within=0) is None
    now, later = (
        present(enough, HERE, as_it_is, within=0),
        usual(left(enough), HERE, as_it_is, within=0),
    )
    assert now is not None
    assert now.value == -1.0
    assert later is not None
    assert (later.value, later.away, later.slack) == (-1.0, 0, 0.0)
    assert present(enough, HIGHER, as_it_is, within=0) is None


def test_what_is_doubtful_is_not_learned_though_time_passes() -> None:
    known = after(*[-1.0] * 5)
    doubted = learned(known, -9.0, HERE, 300.0, as_it_is, keep=False, within=0, most_slack=0.5)
    assert doubted == known


def test_a_sun_that_lingers_settles_what_was_collected_after_an_hour_and_not_before() -> None:
    known = after(*[-1.0] * 5)
    for at_s, settled in ((3600.0, False), (3601.0, True)):
        later = learned(known, -1.0, HERE, at_s, as_it_is, keep=True, within=0, most_slack=0.5)
        assert (usual(later, HERE, as_it_is, within=0) is not None) is settled


def test_a_better_value_gives_way_by_half_and_a_worse_one_by_less_than_a_sixth() -> None:
    """Or a slow worsening would become the measure of itself."""
    for new, expected in ((0.0, -0.5), (-2.0, -1.15)):
        known = left(after(*[-1.0] * 5))
        for number in range(5):
            at_s = 4000.0 + 60 * number
            known = learned(known, new, HERE, at_s, as_it_is, keep=True, within=0, most_slack=0.5)
        found = usual(left(known, 6000.0), HERE, as_it_is, within=0)
        assert found is not None
        assert abs(found.value - expected) < 1e-9


def test_a_band_that_is_not_known_is_compared_with_one_near_enough_and_no_farther() -> None:
    known = left(after(*[-1.0] * 5))
    next_air = HERE * 2.718281828 ** (1.0 / BANDS_PER_E)
    assert usual(known, next_air, as_it_is, within=0) is None
    found = usual(known, next_air, as_it_is, within=1)
    assert found is not None
    assert found.away == 1


def test_a_new_band_is_believed_worse_than_its_neighbour_by_the_slack_and_no_more() -> None:
    known = left(after(*[-1.0] * 5))
    next_air = HERE * 2.718281828 ** (1.0 / BANDS_PER_E)
    for number in range(6):
        at_s = 4000.0 + 60 * number
        known = learned(known, -3.0, next_air, at_s, as_it_is, keep=True, within=1, most_slack=0.5)
    known = learned(known, 0.0, HIGHER, 6000.0, as_it_is, keep=False, within=1, most_slack=0.5)
    found = usual(known, next_air, as_it_is, within=0)
    assert found is not None
    assert (found.value, found.slack) == (-1.5, 0.5)
