"""A costume's colour out of a design file: both ends, chromaticities of its channels, what is refused."""

from __future__ import annotations

import pytest

from envlab.chain import Chain
from envlab.design_file import chain_of, design_text
from envlab.errors import EnvlabError, FileError, ParameterError
from envlab.files.tables import toml_of
from envlab.light.colour import SRGB_PRIMARIES, colour_from_hex
from envlab.light.costume_colour import CostumeColour
from envlab.light.pixels import Pixels


def read(text: str) -> Chain:
    return chain_of(toml_of(text, "mine.toml"), "mine.toml")


def test_none_is_chosen_unless_it_is_stated():
    assert CostumeColour().ramp is None
    assert read("").colour == CostumeColour()
    assert read("").colour.primaries == SRGB_PRIMARIES


def test_one_colour_throughout_or_from_dim_to_full():
    plain = read('[colour]\nfull = "#ff8000"\n').colour.ramp
    assert plain is not None
    assert plain.low == plain.high == pytest.approx(tuple(colour_from_hex("#ff8000")))
    ramp = read('[colour]\nfull = "#ffffff"\ndim = "#ff0000"\n').colour.ramp
    assert ramp is not None
    assert (ramp.low, ramp.high) == ((1.0, 0.0, 0.0), (1.0, 1.0, 1.0))


def test_chromaticities_by_data_sheet_and_what_is_taken():
    colour = read('[colour]\nfull = "#ff0000"\nred_xy = [0.69, 0.31]\n').colour
    assert colour.primaries.red == (0.69, 0.31)
    assert colour.primaries.green == SRGB_PRIMARIES.green
    assert colour.assumed == ("green", "blue", "white")


def test_it_is_written_and_read_back():
    chain = read('[colour]\nfull = "#ff8000"\ndim = "#400000"\nblue_xy = [0.14, 0.05]\n')
    assert read(design_text(chain)) == chain


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[colour]\nfull = "red"\n', "[colour] full is 'red'; it must be six hexadecimal digits after a #"),
        (
            '[colour]\ndim = "#ff0000"\n',
            "[colour] full is None; it must be the colour at full where dim is stated",
        ),
        ('[colour]\nfull = "#000000"\n', "[colour] full is '#000000'; it must be a colour with light"),
        ('[colour]\nfull = "#ff0000"\nred_xy = [0.31, 0.2]\n', "white is"),
        ('[colour]\nfull = "#ff0000"\nred_xy = 0.6\n', "red_xy is 0.6; it must be two numbers, [x, y]"),
        ('[colour]\nfull = "#ff0000"\nred_xy = [0.6, "y"]\n', "it must be two numbers, [x, y]"),
        ("[pack]\nopen_v = [3.0, 4.2]\n", "open_v is [3.0, 4.2]; it must be pairs of numbers, [[x, y], …]"),
        ("[pack]\nopen_v = [[0, 3.0]]\n", "two or more (share, V) points in rising order"),
        (
            '[pixels]\nchannels = 4\n[colour]\nfull = "#ff0000"\n',
            "channels is 4; it must be 3 for the colour #ff0000",
        ),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(text, said):
    with pytest.raises(EnvlabError) as refused:
        read(text)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
    assert isinstance(refused.value, FileError)


def test_pixels_of_other_channels_cannot_show_it():
    with pytest.raises(ParameterError, match="channels is 1; it must be 3"):
        Chain(pixels=Pixels(channels=1), colour=CostumeColour("#ff0000"))
