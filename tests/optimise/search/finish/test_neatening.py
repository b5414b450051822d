"""Which neat variants the shell evaluates."""

from stiffen.model.layout import Layout
from stiffen.optimise.search.finish.neatening import SHELL_TRIALS, _to_try
from stiffen.optimise.search.finish.strike_out import AT_ONCE


def test_the_safest_variants_have_their_turn_after_the_neatest():
    likely = [Layout(gauge / 10) for gauge in range(5, 15)]
    values = dict.fromkeys(likely, 1.04) | {likely[7]: 0.7, likely[9]: 0.8}
    tried = _to_try(likely, values)
    assert len(tried) == SHELL_TRIALS * AT_ONCE
    assert tried == [*likely[:4], likely[7], likely[9]]
    assert _to_try(likely[:3], values) == likely[:3]
