"""The notebooks as their reader meets them: opened in JupyterLab, Run All, a knob turned."""

from __future__ import annotations

from reference.audition_page import AuditionPage
from reference.lab import LabPage

KNOB_MS = 60_000


def words(page: LabPage) -> str:
    return " ".join(page.page.locator(".widget-html-content").all_inner_texts())


def turn(page: LabPage, label: str, value: str) -> tuple[str, str]:
    """Type a number into a labelled field; return the words before and after."""
    field = page.page.get_by_label(label).first
    field.scroll_into_view_if_needed()
    before = words(page)
    field.fill(value)
    field.press("Enter")
    page.page.wait_for_function(
        """before => [...document.querySelectorAll('.widget-html-content')]
            .map(one => one.innerText).join(' ') !== before""",
        arg=before,
        timeout=KNOB_MS,
    )
    page.idle(KNOB_MS / 1000)
    return before, words(page)


def test_parts_are_chosen_and_a_limit_judges_them_anew(page: LabPage) -> None:
    page.open("01_choose_parts.ipynb")
    took_s = page.run_all()
    print(f"Run All: {took_s:.0f} s")
    assert page.troubles() == []
    before, after = turn(page, "Contrast on the beat at least", "99")
    page.picture("notebook_01_knobs")
    # No light swings by 99 of its 100 L* on every beat, so no board can meet that.
    assert "0 meet every target" not in before
    assert "0 meet every target" in after


def test_from_run_all_to_playing(page: LabPage) -> None:
    audition = AuditionPage(page)
    took_s = audition.start("02_audition.ipynb")
    print(f"Run All to ready: {took_s:.0f} s")
    assert page.troubles() == []
    assert page.page.locator("video").evaluate("video => video.duration") > 5
    audition.play()
    seen = audition.ask("watch", 1500)
    assert seen[-1]["position_s"] - seen[0]["position_s"] > 1
    assert len({one["code"] for one in seen}) > 5
    audition.pause()
    # In the middle of a stroke; for the eye, in both themes.
    audition.control("seek").focus()
    for key in ("Home", "ArrowRight", "ArrowRight", "ArrowRight", "ArrowRight"):
        page.page.keyboard.press(key)
    audition.settle()
    for theme in ("Light", "Dark"):
        page.menu("Settings", "Theme", f"JupyterLab {theme}")
        page.page.wait_for_selector(f'body[data-jp-theme-name="JupyterLab {theme}"]', state="attached")
        page.page.wait_for_function(
            "shade => probe.root().dataset.shade === shade", arg=theme.lower(), timeout=10_000
        )
        page.picture(f"audition_{theme.lower()}", of=".envlab-audition")
    page.menu("Settings", "Theme", "JupyterLab Light")


def test_a_table_is_shaped_and_the_clips_follow(page: LabPage) -> None:
    page.open("03_export_table.ipynb")
    took_s = page.run_all()
    print(f"Run All: {took_s:.0f} s")
    assert page.troubles() == []
    before, after = turn(page, "floor, dB SPL", "80")
    page.picture("notebook_03_knobs")
    assert "below 80.0 dB SPL" not in before
    assert "below 80.0 dB SPL" in after


def test_what_goes_to_other_machines_or_to_the_console_is_noticed(page: LabPage) -> None:
    page.page.evaluate("() => console.error('seen by nobody')")
    page.page.wait_for_timeout(50)
    assert [text.split(" (")[0] for text in page.complaints()] == ["seen by nobody"]
    asked = page.asked
    page.asked = [*asked, "https://lanterns.invalid/a.js", "wss://lanterns.invalid/b", "data:,c"]
    strangers = page.strangers()
    page.asked = asked
    assert strangers == ["https://lanterns.invalid/a.js", "wss://lanterns.invalid/b"]
