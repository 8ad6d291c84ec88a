"""Picture of the level diagram: every node's levels stand where its numbers say."""

from __future__ import annotations

import math

import pytest

from envlab.chain import Chain
from envlab.plot.level_diagram import draw_levels, levels_sheet
from envlab.plot.style import sheet
from envlab.study.level_diagram import level_diagram


def test_lines_stand_at_the_levels():
    diagram = level_diagram(Chain(), 72, 104)
    ax = draw_levels(diagram, sheet(70).subplots())
    lines = {line.get_label(): line for line in ax.get_lines()}
    for words, name in (("104 dB SPL", "loud"), ("72 dB SPL", "quiet"), ("noise", "noise")):
        expected = [20 * math.log10(getattr(level, name)) for level in diagram.levels]
        assert list(lines[words].get_ydata()) == pytest.approx(expected)
    limits = [line.get_ydata()[0] for line in ax.get_lines() if len(line.get_ydata()) == 2]
    finite = [level.limit for level in diagram.levels if math.isfinite(level.limit)]
    assert limits == pytest.approx([20 * math.log10(limit) for limit in finite])
    assert [label.get_text() for label in ax.get_xticklabels()] == [level.node for level in diagram.levels]


def test_the_sheet_has_its_unit_and_names_what_clips_first():
    diagram = level_diagram(Chain(), 72, 104)
    (ax,) = levels_sheet(diagram).axes
    assert ax.get_ylabel() == "dB re 1 V (air: re 1 Pa)"
    node, level_db_spl = diagram.first_to_clip
    assert f"the {node} clips first, at {level_db_spl:.1f} dB SPL" in " ".join(t.get_text() for t in ax.texts)
