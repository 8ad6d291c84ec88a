"""The page of the listening widget without a browser: its modules in node, their joining, its colours."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from envlab.light.lightness import srgb_encode
from envlab.plot.palette import PALETTE
from envlab.widget.audition.page_files import PAGE_FOLDER, joined_module, joined_style
from envlab.widget.audition.payload import light_payload

TESTS = Path(__file__).parent / "page"
MODULES = sorted(PAGE_FOLDER.rglob("*.js"))


@pytest.fixture(scope="module")
def node() -> str:
    found = shutil.which("node") or shutil.which("nodejs")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("node is missing")
        pytest.skip("node is not installed")
    return found


def run(node: str, *arguments: str, text: str | None = None) -> str:
    done = subprocess.run(
        [node, *arguments], input=text, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize("path", sorted(TESTS.glob("*.test.mjs")), ids=lambda path: path.name)
def test_in_node(node, path):
    assert re.search(r"^# pass [1-9]", run(node, "--test", "--test-reporter=tap", str(path)), re.MULTILINE)


def script(body: str, *names: str) -> str:
    imports = [
        f"import * as {Path(name).name} from {json.dumps((PAGE_FOLDER / f'{name}.js').as_uri())};"
        for name in names
    ]
    return "\n".join([*imports, body])


def test_light_of_the_package_arrives_as_it_was_sent(node):
    luminance = np.linspace(0.0, 1.0, 777)
    header = {"number": 1, "clip": 0, "showing": "board_a", "frame_rate_hz": 100.0}
    header |= {"first_frame": 0, "total_frames": 777, "exact": True, "name": "Ω"}
    sent = light_payload(header, luminance)
    body = (
        f"const bytes = Uint8Array.from(Buffer.from('{sent.hex()}', 'hex'));"
        "const { header, codes } = payload.readLight(new DataView(bytes.buffer));"
        "console.log(JSON.stringify([header.name, [...codes]]));"
    )
    name, codes = json.loads(run(node, "--input-type=module", "-", text=script(body, "session/payload")))
    assert name == "Ω"
    np.testing.assert_array_equal(codes, np.rint(luminance * 65535))


def test_screen_codes_are_those_of_the_package(node):
    body = (
        "console.log(JSON.stringify(Array.from({length: 4097}, (_, i) => colour.screenFromLinear(i / 4096))))"
    )
    seen = json.loads(run(node, "--input-type=module", "-", text=script(body, "drawing/colour")))
    np.testing.assert_allclose(seen, srgb_encode(np.arange(4097) / 4096), rtol=0, atol=1e-12)


def test_the_joined_page_is_one_module(node, tmp_path):
    joined = tmp_path / "joined.mjs"
    joined.write_text(joined_module(), encoding="utf-8")
    run(node, "--check", str(joined))
    made = run(
        node,
        "--input-type=module",
        "-",
        text=f"import make from {json.dumps(joined.as_uri())}; console.log(Object.keys(make()).join())",
    )
    assert made.strip() == "initialize,render"


def declared(text: str) -> list[str]:
    return re.findall(r"^(?:export )?(?:async )?(?:function\*?|class|const|let) (\w+)", text, re.MULTILINE)


def test_no_two_modules_declare_the_same_name():
    names = [name for path in MODULES for name in declared(path.read_text(encoding="utf-8"))]
    assert len(names) > 40
    assert sorted(names) == sorted(set(names))


def test_modules_are_written_so_that_joining_is_safe():
    for path in MODULES:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"^export (?:\{|\*)", text, re.MULTILINE), path
        assert not re.search(r"^import .*\bas\b", text, re.MULTILINE), path
        assert ("export default" in text) == (path.name == "main.js"), path
        for name in re.findall(r'^import .* from "(.*)";$', text, re.MULTILINE):
            meant = (path.parent / name).resolve()
            assert meant.is_file(), (path, name)
            assert meant.is_relative_to(PAGE_FOLDER.resolve()), (path, name)
        imported = re.findall(r"^import .*$", text, re.MULTILINE)
        # Beside it, one folder down or one up.
        one = re.compile(r'import \{ [\w, ]+ \} from "(?:\./(?:\w+/)?|\.\./(?:\w+/)?)\w+\.js";')
        assert all(one.fullmatch(line) for line in imported), path


def test_nothing_comes_from_a_network():
    whole = joined_module() + joined_style()
    for way in (
        "http:",
        "https:",
        "fetch(",
        "XMLHttpRequest",
        "WebSocket",
        "EventSource",
        "import(",
        "@import",
        "url(",
    ):
        assert way not in whole


def test_no_timer_draws_and_no_audio_element_plays():
    whole = joined_module()
    assert "requestAnimationFrame" in whole
    assert whole.count("setInterval(") == 1
    assert 'make("audio"' not in whole
    assert "new Audio(" not in whole


def variables(block: str) -> dict[str, str]:
    return {name: value.strip() for name, value in re.findall(r"--envlab-([\w-]+):([^;]*);", block)}


def shades() -> list[tuple[dict[str, str], str]]:
    """Return the colours of the light and the dark shade, each with the page it stands on in JupyterLab."""
    style = joined_style()
    light = variables(style[: style.index('[data-shade="dark"]')])
    dark = variables(style[style.index('[data-shade="dark"]') : style.index(".envlab-hidden")])
    return [(light, "#ffffff"), (light | dark, "#111111")]


@pytest.mark.parametrize("place", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("quantity", ["pressure", "detector", "counts", "light"])
def test_a_quantity_has_its_colour(quantity, place):
    assert shades()[place][0][quantity] == PALETTE[quantity][place]


def relative_luminance(hex_colour: str) -> float:
    """Return the relative luminance of "#rrggbb" as WCAG 2.2 defines it."""
    channels = [int(hex_colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(one: str, other: str) -> float:
    low, high = sorted([relative_luminance(one), relative_luminance(other)])
    return (high + 0.05) / (low + 0.05)


def hex_of(value: str) -> str:
    found = re.search(r"#[0-9a-f]{6}", value)
    assert found, value
    return found.group()


# WCAG 2.2, 1.4.3: text 4.5 : 1. 1.4.11: lines that carry meaning, and the mark of the focus, 3 : 1.
@pytest.mark.parametrize("place", [0, 1], ids=["light", "dark"])
def test_contrast(place):
    colours, page = shades()[place]
    for text in ("ink", "soft", "error", "warn"):
        assert contrast(hex_of(colours[text]), page) >= 4.5, text
    for line in ("pressure", "detector", "counts", "light"):
        assert contrast(colours[line], colours["lane"]) >= 3.0, line
    assert contrast(colours["focus"], page) >= 3.0


def test_contrast_of_the_warning_which_is_dark_in_both_themes():
    block = joined_style().split(".envlab-warning {")[1].split("}")[0]
    back = re.search(r"background: (#\w{6});", block).group(1)
    first = joined_style().split(".envlab-warning p:first-child {")[1].split("}")[0]
    for text in (block, first):
        assert contrast(re.search(r"^  color: (#\w{6});", text, re.MULTILINE).group(1), back) >= 4.5
