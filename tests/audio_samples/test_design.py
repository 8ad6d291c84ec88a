"""The parade's design file uses the clips as SOURCES.md says they are meant."""

from __future__ import annotations

from envlab.study.specification.specification import demo_specification


def test_design_names_every_clip_with_its_tag_and_levels(told):
    used: dict[str, tuple[str, list[str]]] = {}
    for clip in demo_specification().clips:
        _, levels = used.setdefault(clip.path.stem, (" ".join(clip.tags) or "-", []))
        levels.append(f"{clip.level_db_spl:g}")
    assert {name: [tag, " / ".join(levels)] for name, (tag, levels) in used.items()} == {
        name: row[:2] for name, row in told.items()
    }


def test_design_takes_the_clips_of_this_folder_unweighted(folder):
    for clip in demo_specification().clips:
        assert clip.path.name in {path.name for path in folder.glob("*.flac")}
        assert clip.weighting == "Z"
