"""Which stories a report shows: chosen by their result alone, none twice, and always the same."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.present.study.stories import EACH, choose
from tests.effort import EFFORT
from tests.studies.samples import study_of
from tests.studies.typed import typed

NOT_ASIDE = 28
"""So many setups of an invented study, and none of them is set aside."""


@settings(max_examples=8 * EFFORT)
@given(st.lists(st.integers(-40, 200).map(lambda each: each / 37), max_size=NOT_ASIDE), st.integers(0, 3))
def test_the_stories_are_the_best_the_worst_the_middle_and_some_at_random(net: list[float], seed: int) -> None:
    study = study_of(net, controls=1, seed=seed)
    chosen = choose(study)
    assert len({each.id for each in chosen}) == len(chosen) == min(len(net), 4 * EACH)
    ordered = sorted(net)
    for why, wanted in (("best", ordered[::-1][:EACH]), ("worst", ordered[:EACH])):
        found = sorted((each.net_r for each in chosen if each.why == why), reverse=why == "best")
        assert found == wanted[: len(found)]
    if len(net) >= 3 * EACH:
        middle = [each.net_r for each in chosen if each.why == "median"]
        below, above = (sum(sign * value <= sign * each for value in net for each in middle) for sign in (1, -1))
        assert abs(below - above) <= 2 * EACH * max(map(net.count, middle))


def test_neither_the_order_of_the_rows_nor_what_counts_in_no_figure_changes_the_choice() -> None:
    study = study_of([0.3, -1.05, 2.0, 0.1, -0.4, 1.1, -1.0, 0.6, -0.2, 0.9])
    shuffled = replace(study, trades=typed(study.trades.sample(frac=1, random_state=1)))
    assert choose(shuffled) == choose(study)
    aside = study.trades.copy()
    aside.loc[aside["id"] == choose(study)[0].id, "set_aside"] = "cost fails"
    others = choose(replace(study, trades=typed(aside)))
    assert choose(study)[0].id not in {each.id for each in others}
