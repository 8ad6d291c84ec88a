"""What a file is called must not break a line, a column or a formula where its clip is named."""

import csv
import io

import pandas as pd
import pytest

from envlab import Clip

NAMES = ("two\nlines\r.wav", "=1+1.wav", "a\x1b[31m\u202e.wav", "n" * 5000 + ".wav", 'q",".wav')


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_a_label_is_one_short_line(name):
    clip = Clip(f"music/{name}", 92.0)
    assert clip.label.isprintable()
    assert len(clip.label) <= 610
    assert clip.label.endswith(" 92 dB")
    assert clip.file_name == name, "the file itself keeps its name"


def test_a_table_by_clips_keeps_its_columns():
    columns = [f"contrast_lstar [{Clip(name, 92.0).label}]" for name in NAMES]
    text = pd.DataFrame([range(len(columns))], columns=columns).to_csv(index=False, lineterminator="\n")
    header, values = csv.reader(io.StringIO(text))
    assert text.count("\n") == 2
    assert header == columns
    assert len(values) == len(columns)
    assert not any(name.startswith(("=", "+", "-", "@", "\t")) for name in header), (
        "no sheet takes it for a formula"
    )
