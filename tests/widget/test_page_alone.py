"""The listening page in a browser, with a kernel that is not there: sound, lights, keys, safety.

The page is served from this machine to this machine; any other request fails the test. With
ENVLAB_ARTEFACTS=FOLDER pictures of it, light and dark, are left there to be looked at.
"""

from __future__ import annotations

import functools
import http.server
import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from envlab.light.lightness import srgb_encode
from envlab.widget.audition.page_files import joined_module, joined_style

PAGE = Path(__file__).parent / "page"
ROOT = ".envlab-audition"
RELEASE = '[data-key="detector.release_ohm"]'


class _Quiet(http.server.SimpleHTTPRequestHandler):
    extensions_map = http.server.SimpleHTTPRequestHandler.extensions_map | {".mjs": "text/javascript"}

    def log_message(self, *words: object) -> None:
        del words


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("page")
    for name in ("alone.html", "fake_kernel.mjs"):
        shutil.copy(PAGE / name, folder / name)
    (folder / "joined.js").write_text(joined_module(), encoding="utf-8")
    (folder / "audition.css").write_text(joined_style(), encoding="utf-8")
    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), functools.partial(_Quiet, directory=str(folder))
    )
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/alone.html"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("CI must have a browser: the page is played in it")
        pytest.skip("no browser on this machine; the page's modules are checked in node")
    options = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=program, args=options)
        yield running
        running.close()


@pytest.fixture
def opened(browser: Any, address: str) -> Iterator[Any]:
    """Return a function that opens the page and waits until it is ready; nothing may go wrong in it."""
    pages: list[Any] = []
    wrong: list[str] = []

    def watch(message: Any) -> None:
        if message.type in ("error", "warning"):
            wrong.append(message.text)

    def elsewhere(request: Any) -> None:
        if not request.url.startswith((address.rsplit("/", 1)[0], "blob:", "data:")):
            wrong.append(request.url)

    def open_page(query: str = "", **context: Any) -> Any:
        page = browser.new_page(**({"viewport": {"width": 1000, "height": 900}} | context))
        pages.append(page)
        page.on("console", watch)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", elsewhere)
        page.goto(f"{address}?{query}")
        page.wait_for_selector(f'{ROOT}[data-ready="true"]', timeout=15_000)
        return page

    yield open_page
    for page in pages:
        page.close()
    assert wrong == []


def hook(page: Any, expression: str) -> Any:
    return page.evaluate(
        f"(() => {{ const it = document.querySelector('{ROOT}').envlab; return {expression}; }})()"
    )


def wait(page: Any, condition: str) -> None:
    page.wait_for_function(
        f"() => {{ const root = document.querySelector('{ROOT}'), it = root.envlab; return {condition}; }}",
        timeout=15_000,
    )


def heard(page: Any) -> list[dict[str, Any]]:
    told = page.evaluate("model.heard")
    return [message for message in told if message["do"] != "ping"]


def test_what_stands_below_the_traces_stays_below_when_the_window_grows(opened):
    page = opened()
    for width in (760, 1000, 1600):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(200)
        canvas = page.locator("canvas[data-part=traces]").bounding_box()
        below = page.locator(".envlab-boards").bounding_box()
        assert canvas["height"] == pytest.approx(264, abs=1)
        assert canvas["y"] + canvas["height"] < below["y"]


def test_a_frame_is_drawn_in_the_colour_of_its_luminance(opened):
    page = opened()
    page.evaluate(f"document.querySelector('{ROOT}').envlab.engine.seek(0)")
    drawn = hook(page, "it.drawn()")
    sent = page.evaluate("[...lightCodes(1, 0)]")
    assert drawn["code"] == sent[0]
    code = round(255 * float(srgb_encode(np.array(sent[0] / 65535))))
    assert drawn["css"] == [f"rgb({code}, {code}, {code})"] * 24
    # The middle of a pixel on the canvas, in a line of 24, is that colour too.
    page.select_option("[data-key=layout]", "line")
    page.wait_for_timeout(100)
    seen = page.evaluate(
        "(() => { const c = document.querySelector('[data-part=lights]');"
        " return [...c.getContext('2d').getImageData(c.width / 48, c.height / 2, 1, 1).data]; })()"
    )
    assert seen[:3] == [code] * 3


def test_pixels_that_are_not_all_alike_are_drawn_each_in_its_own_light(opened):
    page = opened()
    page.select_option("[data-key=layout]", "line")
    page.evaluate(f"document.querySelector('{ROOT}').envlab.engine.seek(0.055)")
    page.evaluate("model.bar()")
    wait(page, "it.drawn().pixels && it.drawn().frame === 5")
    drawn = hook(page, "it.drawn()")
    code = page.evaluate("lightCodes(1, 0)[5]")
    wanted = np.clip(24 * code / 65535 - np.arange(24), 0, 1)
    assert 1 < wanted.sum() < 23
    assert np.allclose(drawn["pixels"], wanted, atol=1e-4)
    greys = np.round(255 * srgb_encode(np.round(wanted * 65535) / 65535)).astype(int).tolist()
    assert drawn["css"] == [f"rgb({grey}, {grey}, {grey})" for grey in greys]
    seen = page.evaluate(
        "(() => { const c = document.querySelector('[data-part=lights]');"
        " const row = c.getContext('2d').getImageData(0, c.height / 2, c.width, 1).data;"
        " return Array.from({length: 24}, (_, at) => row[4 * Math.floor(c.width * (at + 0.5) / 24)]); })()"
    )
    assert seen == greys
    folder = os.environ.get("ENVLAB_ARTEFACTS")
    if folder:
        page.select_option("[data-key=layout]", "shoulders")
        page.wait_for_timeout(200)
        page.screenshot(path=Path(folder) / "audition-bar.png")
    # Back at a board whose pixels are all alike.
    page.evaluate("model.tell(0, true)")
    page.wait_for_timeout(200)
    again = hook(page, "it.drawn()")
    assert again["pixels"] is None
    assert len(set(again["css"])) == 1


def test_it_plays_and_the_light_is_at_the_sound(opened):
    page = opened()
    page.click("[data-key=play]")
    wait(page, "it.position() > 0.3")
    for _ in range(5):
        drawn = hook(page, "it.drawn()")
        assert drawn["frame"] == int(drawn["position_s"] * 100 + 1e-6)
        page.wait_for_timeout(70)
    # The lights are drawn for the next refresh of the screen, at most some 17 ms ahead.
    apart = hook(
        page, "it.drawn().position_s - it.position() + (performance.now() - it.drawn().drawn_ms) / 1000"
    )
    assert -0.035 < apart < 0.035
    page.click("[data-key=play]")
    resting = hook(page, "it.position()")
    page.wait_for_timeout(120)
    assert hook(page, "it.position()") == resting
    assert hook(page, "it.engine.starts") == 1


def test_turning_a_part_changes_the_light_and_never_the_sound(opened):
    page = opened()
    page.locator(RELEASE).focus()
    page.keyboard.press("Space")
    wait(page, "it.position() > 0.2")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    wait(page, "it.drawn().number >= 2 && root.dataset.busy === 'false' && it.drawn().exact")
    assert hook(page, "it.playing()") is True
    assert hook(page, "it.engine.starts") == 1
    turns = [message for message in heard(page) if message["do"] == "turn"]
    assert turns[-1]["index"] == 4
    # JupyterLab looks for this on the very element in focus; without it, arrows move from cell to cell.
    assert page.locator(RELEASE).get_attribute("data-lm-suppress-shortcuts") == "true"
    assert [message["number"] for message in turns] == list(range(1, len(turns) + 1))
    assert page.locator(f"{RELEASE} >> xpath=.. >> output").inner_text() == "1M"
    assert page.locator(RELEASE).get_attribute("aria-valuetext") == "1M"
    page.keyboard.press("Space")
    drawn = hook(page, "it.drawn()")
    assert drawn["code"] == page.evaluate("[...lightCodes(4, 0)]")[drawn["frame"]]
    page.keyboard.press("Home")
    page.locator(f"{RELEASE} >> xpath=.. >> output").filter(has_text="47k").wait_for()


def test_two_boards_are_board_b_switched_and_taken_back(opened):
    page = opened()
    assert page.locator("[data-key=showing][value=board_b]").is_disabled()
    page.locator(RELEASE).focus()
    page.keyboard.press("2")
    assert "There is no board B" in page.locator("[data-part=error]").inner_text()
    page.click("[data-key=board_b]")
    page.locator(RELEASE).focus()
    page.keyboard.press("End")
    wait(page, "root.dataset.busy === 'false' && it.drawn().exact && it.drawn().number === 2")
    release = page.locator('[data-part=metrics] [data-name="release_ms"]')
    assert [release.locator(f"[data-board={board}]").inner_text() for board in ("board_a", "board_b")] == [
        "550",
        "220",
    ]
    page.keyboard.press("2")
    wait(page, "it.drawn().showing === 'board_b'")
    assert page.locator("[data-key=showing][value=board_b]").is_checked()
    drawn = hook(page, "it.drawn()")
    assert drawn["code"] == page.evaluate("[...lightCodes(1, 0)]")[drawn["frame"]]
    page.click("[data-key=take_back]")
    page.locator(f"{RELEASE} >> xpath=.. >> output", has_text="100k").wait_for(timeout=15_000)


def test_flashing_lights_play_only_after_one_more_click(opened):
    page = opened("flashing=3")
    warning = page.locator("[data-part=flash_warning]")
    assert "5 times; the limit is 3" in warning.inner_text()
    page.click("[data-key=play]")
    assert hook(page, "it.playing()") is False
    page.keyboard.press("Space")  # the focus is on the careful answer
    wait(page, "it.position() > 0.3")
    assert page.locator(ROOT).get_attribute("data-steady") == "true"
    first = hook(page, "it.drawn().luminance")
    page.wait_for_timeout(120)
    assert hook(page, "it.drawn().luminance") == first
    page.click("[data-key=play_anyway]")
    wait(page, "root.dataset.steady === 'false' && it.drawn().luminance !== " + repr(first))


def test_a_move_that_makes_it_flash_holds_the_lights_and_one_that_calms_it_frees_them(opened):
    page = opened("flashing=1")
    page.click("[data-key=play]")
    wait(page, "it.playing()")
    page.locator(RELEASE).focus()
    page.keyboard.press("Home")
    wait(page, "root.dataset.steady === 'true'")
    assert page.locator("[data-key=play_anyway]").inner_text() == "Let the lights flash"
    assert hook(page, "it.playing()") is True
    page.keyboard.press("End")
    wait(page, "root.dataset.steady === 'false'")
    assert page.locator("[data-part=flash_warning]").is_hidden()


def test_seeking_by_pointer_and_keys(opened):
    page = opened()
    bar = page.locator("[data-key=seek]")
    box = bar.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 20)
    assert hook(page, "it.position()") == pytest.approx(4.0, abs=0.05)
    page.keyboard.press("ArrowRight")
    assert hook(page, "it.position()") == pytest.approx(5.0, abs=0.05)
    page.keyboard.press("Home")
    assert hook(page, "it.position()") == 0
    page.wait_for_timeout(150)
    assert bar.get_attribute("aria-valuetext") == "0:00.0 of 0:08.0"


def test_another_clip_brings_its_sound_and_its_light(opened):
    page = opened()
    page.select_option("[data-key=clip]", "1")
    wait(
        page,
        "root.dataset.ready === 'true' && it.engine.clip === 1 && it.drawn().clip === 1 && it.drawn().exact",
    )
    assert hook(page, "it.drawn().code") == page.evaluate("[...lightCodes(1, 1)]")[0]


def test_saving_asks_before_it_replaces_a_file(opened):
    page = opened()
    page.fill("[data-key=save_path]", "taken.toml")
    page.click("[data-key=save]")
    page.wait_for_selector("[data-key=overwrite]:visible")
    assert "exists already" in page.locator("[data-part=error]").inner_text()
    page.click("[data-key=overwrite]")
    page.wait_for_function(
        "() => document.querySelector('[data-part=status]').textContent.includes('Written')"
    )
    assert [message["overwrite"] for message in heard(page)] == [False, True]
    page.fill("[data-key=save_path]", "a b 1 2.toml")  # spaces and numbers are letters here, not keys
    assert hook(page, "it.playing()") is False
    assert len(heard(page)) == 2


def test_a_recording_goes_up_with_its_level_and_what_is_wrong_is_said(opened):
    page = opened()
    page.click("[data-key=upload]")
    assert page.locator("[data-part=error]").inner_text() == "Choose a recording first."
    page.set_input_files(
        "[data-key=upload_file]", {"name": "x.wav", "mimeType": "audio/wav", "buffer": b"no sound"}
    )
    page.fill("[data-key=upload_level]", "300")
    page.click("[data-key=upload]")
    assert "from 20 to 140 dB SPL" in page.locator("[data-part=error]").inner_text()
    page.fill("[data-key=upload_level]", "72")
    page.click("[data-key=upload]")
    page.wait_for_function("() => document.querySelector('[data-part=error]').textContent.includes('x.wav')")
    (sent,) = heard(page)
    assert (sent["name"], sent["level_db_spl"], sent["buffers"]) == ("x.wav", 72, 1)


def test_a_kernel_that_died_is_shown_and_one_that_lives_again_too(opened):
    page = opened()
    page.clock.install()
    page.evaluate("shut(); again()")
    page.evaluate("model.answers = false")
    page.clock.run_for(9_000)
    page.wait_for_selector(f'{ROOT}[data-alive="false"]')
    assert "does not answer" in page.locator("[data-part=dead_kernel]").inner_text()
    assert page.locator(RELEASE).is_disabled()
    page.evaluate("model.answers = true")
    page.clock.run_for(3_000)
    page.wait_for_selector(f'{ROOT}[data-alive="true"]')
    assert page.locator(RELEASE).is_enabled()


def test_views_share_one_sound_which_falls_silent_with_the_last(opened):
    page = opened()
    page.evaluate("open()")
    page.locator("[data-key=play]").first.click()
    wait(page, "it.position() > 0.1")
    assert page.locator("[data-key=play]").all_inner_texts() == ["Pause", "Pause"]
    assert page.evaluate(
        f"(() => {{ const [a, b] = document.querySelectorAll('{ROOT}');"
        " return a.envlab.engine === b.envlab.engine; })()"
    )
    page.evaluate("shut()")
    assert hook(page, "it.playing()") is True
    page.evaluate("window.engine = document.querySelector('.envlab-audition').envlab.engine; shut()")
    assert page.evaluate("engine.playing") is False
    page.evaluate("open()")
    page.click("[data-key=play]")
    wait(page, "it.playing() && it.position() > 0.2")


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [420, 1000])
def test_it_fits_its_width_in_both_themes(opened, theme, width):
    page = opened(f"theme={theme}", viewport={"width": width, "height": 900})
    page.click("[data-key=board_b]")
    wait(page, "root.dataset.busy === 'false'")
    assert page.locator(ROOT).get_attribute("data-shade") == theme
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    folder = os.environ.get("ENVLAB_ARTEFACTS")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=Path(folder) / f"page_{theme}_{width}.png", full_page=True)


def test_who_asked_for_less_motion_is_told_and_nothing_plays_by_itself(opened):
    page = opened(reduced_motion="reduce")
    assert "the lights move only while you play" in page.locator(".envlab-keys").inner_text()
    assert hook(page, "it.playing()") is False


def test_space_plays_also_from_a_button_which_enter_presses(opened):
    page = opened()
    page.locator("[data-key=board_b]").focus()
    page.keyboard.press("Space")
    wait(page, "it.playing()")
    page.keyboard.press("Space")
    wait(page, "!it.playing()")
    assert heard(page) == []
    page.keyboard.press("Enter")
    assert [message["do"] for message in heard(page)] == ["board_b"]


def test_every_control_has_a_name(opened):
    page = opened()
    nameless = page.evaluate(
        "[...document.querySelectorAll('input, select, button')].filter((it) =>"
        " !(it.labels?.length || it.textContent.trim())).map((it) => it.dataset.key)"
    )
    assert nameless == []


def test_undo_and_redo_by_key_and_button(opened):
    page = opened()
    value = page.locator(f"{RELEASE} >> xpath=.. >> output")
    assert page.locator("[data-key=undo]").is_disabled()
    page.locator(RELEASE).focus()
    for expected in ("220k", "470k"):
        page.keyboard.press("ArrowRight")
        value.filter(has_text=expected).wait_for()
    page.keyboard.press("Control+z")
    value.filter(has_text="220k").wait_for()
    page.keyboard.press("Control+Shift+Z")
    value.filter(has_text="470k").wait_for()
    page.click("[data-key=undo]")
    value.filter(has_text="220k").wait_for()
    page.click("[data-key=redo]")
    value.filter(has_text="470k").wait_for()
    # Where one writes, the keys are the browser's.
    page.fill("[data-key=save_path]", "mine.toml")
    page.keyboard.press("Control+z")
    page.wait_for_timeout(100)
    assert [message["do"] for message in heard(page)][-2:] == ["undo", "redo"]
    assert len(heard(page)) == 6


def test_one_stroke_of_the_hand_is_undone_at_once(opened):
    page = opened()
    box = page.locator(RELEASE).bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.25, middle)
    page.mouse.down()
    for share in (0.5, 0.75, 0.99):
        page.mouse.move(box["x"] + box["width"] * share, middle)
        page.wait_for_timeout(80)
    page.mouse.up()
    wait(page, "root.dataset.busy === 'false' && it.drawn().exact && it.drawn().number >= 1")
    turns = [message for message in heard(page) if message["do"] == "turn"]
    assert len(turns) > 1
    assert {message["gesture"] for message in turns} == {0}
    page.keyboard.press("Control+z")
    page.locator(f"{RELEASE} >> xpath=.. >> output").filter(has_text="100k").wait_for()
    assert page.locator("[data-key=undo]").is_disabled()


def test_a_passage_is_marked_by_keys_and_loops_without_a_gap(opened):
    page = opened()
    words = page.locator("[data-part=loop]")
    page.evaluate(f"document.querySelector('{ROOT}').envlab.engine.seek(2)")
    page.locator(RELEASE).focus()
    page.keyboard.press("b")
    words.filter(has_text="Loops from 0:02.0 to 0:08.0").wait_for()
    page.evaluate(f"document.querySelector('{ROOT}').envlab.engine.seek(3)")
    page.keyboard.press("e")
    words.filter(has_text="Loops from 0:02.0 to 0:03.0").wait_for()
    page.keyboard.press("Space")
    wait(page, "it.playing()")
    seen = page.evaluate(
        f"""async () => {{
          const it = document.querySelector('{ROOT}').envlab;
          const seen = [];
          for (const until = performance.now() + 2600; performance.now() < until; ) {{
            seen.push([performance.now() / 1000, it.position(), it.drawn().frame]);
            await new Promise((done) => setTimeout(done, 20));
          }}
          return seen;
        }}"""
    )
    times, positions, frames = np.array(seen).T
    assert positions.min() >= 2.0
    assert positions.max() < 3.0
    assert frames.min() >= 200
    assert frames.max() < 300
    assert np.count_nonzero(np.diff(positions) < 0) >= 2
    # One sound the whole time, and its clock never stands still or jumps: gapless.
    unrolled = np.cumsum(np.r_[0.0, np.diff(positions) % 1.0])
    assert np.abs(unrolled - (times - times[0])).max() < 0.06
    assert hook(page, "it.engine.starts") == 1
    page.keyboard.press("w")
    wait(page, "it.engine.passage === null && it.playing()")
    assert words.inner_text() == ""


def test_the_looped_sound_is_the_passage_to_the_sample(opened):
    page = opened()
    page.evaluate("model.set({ state: { ...model.state, passage_s: [1.5, 2.25] } })")
    wait(page, "it.engine.passage !== null")
    apart = hook(
        page,
        "(() => { const e = it.engine, cut = e.passage.buffer, all = e.buffer.getChannelData(0);"
        " const rate = cut.sampleRate, part = cut.getChannelData(0); let most = 0;"
        " for (let at = 300; at < part.length - 300; at += 1)"
        " most = Math.max(most, Math.abs(part[at] - all[Math.round(1.5 * rate) + at]));"
        " return [most, part[0], part[part.length - 1], part.length / rate]; })()",
    )
    assert apart == [0, 0, 0, pytest.approx(0.75, abs=1e-4)]


def test_a_passage_is_marked_with_the_pointer(opened):
    page = opened()
    box = page.locator("[data-key=seek]").bounding_box()
    page.keyboard.down("Shift")
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + 20)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 20)
    page.mouse.up()
    page.keyboard.up("Shift")
    page.locator("[data-part=loop]").filter(has_text="Loops from 0:04.0 to 0:06.0").wait_for()
    assert hook(page, "it.position()") == pytest.approx(4.0, abs=0.05)
    # A click outside goes to the nearest instant that is looped.
    page.mouse.click(box["x"] + box["width"] * 0.95, box["y"] + 20)
    assert hook(page, "it.position()") == pytest.approx(6.0, abs=0.01)
    # A short stroke marks the least that can be looped.
    page.keyboard.down("Shift")
    page.mouse.click(box["x"] + box["width"] * 0.999, box["y"] + 20)
    page.keyboard.up("Shift")
    page.locator("[data-part=loop]").filter(has_text="to 0:08.0").wait_for()
    assert [message["passage_s"][1] - message["passage_s"][0] for message in heard(page)] == [
        pytest.approx(2.0, abs=0.02),
        pytest.approx(0.5),
    ]
    page.click("[data-key=loop_whole]")
    wait(page, "it.engine.passage === null")


def test_lights_of_a_passage_stay_still_until_its_flashes_are_agreed_to(opened):
    page = opened("flashing=3")
    page.click("[data-key=play]")
    page.click("[data-key=play_anyway]")
    wait(page, "it.playing() && root.dataset.steady === 'false'")
    page.click("[data-key=loop_begin]")
    wait(page, "it.engine.passage !== null && it.playing() && root.dataset.steady === 'true'")
