"""Page files joined into one module, run by node where it is there."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from envlab.errors import FileError
from envlab.widget.audition.page_files import joined_module, joined_style


def folder_with(tmp_path, **files: str):
    for name, text in files.items():
        (tmp_path / f"{name}.js").write_text(text, encoding="utf-8")
    return tmp_path


def called(joined: str, tmp_path) -> str:
    """Return what node prints of a joined module's default export, called."""
    (tmp_path / "joined.mjs").write_text(joined, encoding="utf-8")
    code = f"import f from '{(tmp_path / 'joined.mjs').as_uri()}'; console.log(f());"
    told = subprocess.run(
        ["node", "--input-type=module", "-e", code], capture_output=True, text=True, check=True
    )
    return told.stdout


THREE = {
    "tools": (
        'const hidden = "t";\nexport function twice(x) {\n  return 2 * x;\n}\nexport const half = 0.5;\n'
    ),
    "lamp": (
        'import { twice as doubled,\n  half } from "./tools.js";\nconst hidden = "l";\n'
        "export class Lamp {\n  light() {\n    return doubled(half) + hidden;\n  }\n}\n"
    ),
    "main": (
        'import * as tools from "./tools.js";\nimport { Lamp } from "./lamp.js";\n'
        "export default () => new Lamp().light() + tools.twice(4);\n"
    ),
}


def test_joined_files_do_what_they_do_apart(tmp_path):
    joined = joined_module(folder_with(tmp_path, **THREE))
    assert not re.search(r"^import\b", joined, re.MULTILINE)
    assert re.findall(r"^export\b.*", joined, re.MULTILINE) == [
        "export default () => new Lamp().light() + tools.twice(4);"
    ]
    if not shutil.which("node"):
        pytest.skip("no node here")
    # 2 · 0.5, then "l" of the lamp's own hidden name, then 2 · 4
    assert called(joined, tmp_path) == "1l8\n"


def test_files_in_folders_are_named_from_where_they_are_named(tmp_path):
    for folder in ("one", "other"):
        (tmp_path / folder).mkdir()
    (tmp_path / "one" / "same.js").write_text('export const word = "one";\n', encoding="utf-8")
    (tmp_path / "other" / "same.js").write_text(
        'import { word } from "../one/same.js";\nexport const words = `${word} other`;\n', encoding="utf-8"
    )
    folder = folder_with(
        tmp_path,
        main='import { words } from "./other/same.js";\nimport { word } from "./one/same.js";\n'
        "export default () => `${words}, ${word}`;\n",
    )
    joined = joined_module(folder)
    assert joined.count("const word =") == 1
    if not shutil.which("node"):
        pytest.skip("no node here")
    assert called(joined, tmp_path) == "one other, one\n"


def test_what_is_not_needed_stays_out(tmp_path):
    folder = folder_with(tmp_path, main="export default 1;\n", other="export const unused = 1;\n")
    assert "unused" not in joined_module(folder)


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({}, "main.js: no such file"),
        ({"main": 'import { a } from "./gone.js";\n'}, "gone.js: no such file"),
        ({"main": 'import { a } from "far-away";\n'}, "is not an import of names from a file beside it"),
        ({"main": 'import { a } from "../a.js";\n'}, "main.js: '../a.js' lies outside the page"),
        ({"main": 'import "./a.js";\n', "a": "1;\n"}, "is not an import of names"),
        ({"main": 'import { a } from "./a.js";\n', "a": "export { b as a };\n"}, "is not an export before"),
        (
            {"main": 'import { a } from "./a.js";\n', "a": 'import { b } from "./main.js";\n'},
            "main.js: needs itself",
        ),
    ],
)
def test_what_cannot_be_joined_is_said(tmp_path, files, words):
    with pytest.raises(FileError, match=re.escape(words)):
        joined_module(folder_with(tmp_path, **files))


def test_the_widgets_own_page_is_whole():
    joined = joined_module()
    assert joined.count("\nexport default") == 1
    # Nothing is fetched from anywhere.
    assert not re.search(r"https?://(?!www\.w3\.org/)", joined + joined_style())
    assert ".envlab-audition" in joined_style()
