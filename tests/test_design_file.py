"""Design files: what is read, what is refused and in which words; nothing is lost on the way back."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.adc import Adc
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.microphone import Microphone
from envlab.analog.parts import series_values
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.design_file import design_text, digest, read_design, with_parts
from envlab.digital.followers import (
    AttackRelease,
    MeanSquare,
    MovingMaximum,
    MovingMean,
    OnePole,
    PassThrough,
    PeakHold,
)
from envlab.errors import FileError
from envlab.light.curve import BrightnessMap
from envlab.light.pixels import Pixels, Supply
from envlab.shipped import demo_design

DETECTOR = '[detector]\nkind = "peak"\nattack_ohm = "4k7"\nhold_farad = "1u"\nrelease_ohm = "470k"\n'


@pytest.fixture
def read(tmp_path: Path):
    """Read a design of this text."""

    def from_text(text: str | bytes) -> Chain:
        path = tmp_path / "mine.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_design(path)

    return from_text


def test_values_as_written_on_the_part(read):
    chain = read(
        '[preamp]\nfeedback_ohm = "47k"\nground_ohm = 1000\ncoupling_farad = "100 nF"\n'
        'ground_farad = "none"\ngain_bandwidth_hz = "10M"\nbias_v = "1.65 V"\n' + DETECTOR
    )
    assert chain.preamp == Preamp(47e3, 1e3, None, 1e-7)
    assert chain.detector == PeakDetector(4.7e3, 1e-6, 470e3)


def test_an_empty_file_is_the_default_chain_whose_frames_show_all_their_readings(read):
    # Its supply: a tenth of the limit stays free, and the controller's usual current is taken.
    supply = Supply(margin=0.1, controller_a=None)
    assert supply.counted_controller_a == 0.020
    assert read("") == replace(Chain(), follower=MovingMean(0.01), supply=supply)
    assert read("[frames]\nframe_rate_hz = 50\n").follower == MovingMean(0.02)
    assert read("[follower]\n").follower == PassThrough()
    with pytest.raises(FileError, match=r"\[frames\] frame_rate_hz is 0"):
        read("[frames]\nframe_rate_hz = 0\n")


def test_stages_that_are_left_out_keep_their_defaults(read):
    left_out = {"follower": MovingMean(0.01), "supply": Supply(margin=0.1, controller_a=None)}
    assert read("[adc]\nbits = 12\n") == Chain(adc=Adc(bits=12), **left_out)
    assert read("[supply]\nlimit_a = 2\n").supply == Supply(2.0, margin=0.1, controller_a=None)
    assert read("[supply]\nmargin = 0\ncontroller_a = 0\n").supply == Supply()


@pytest.mark.parametrize(
    ("text", "detector"),
    [
        ('[detector]\nkind="average"\nsmoothing_ohm="10k"\nhold_farad="1u"\n', AverageDetector(10e3, 1e-6)),
        (DETECTOR, PeakDetector(4.7e3, 1e-6, 470e3)),
    ],
)
def test_both_kinds_of_detector(read, text, detector):
    assert read(text).detector == detector


@pytest.mark.parametrize(
    ("text", "follower"),
    [
        ('kind = "none"', PassThrough()),
        ('kind = "one_pole"\ntime_s = "20m"', OnePole(0.02)),
        ('kind = "attack_release"\nattack_s = "5 ms"\nrelease_s = 0.2', AttackRelease(0.005, 0.2)),
        ('kind = "peak_hold"\nhold_s = 0.05\nrelease_s = 0.2', PeakHold(0.05, 0.2)),
        ('kind = "mean_square"\ntime_s = 0.125', MeanSquare(0.125)),
        ('kind = "moving_maximum"\nwindow_s = "10m"', MovingMaximum(0.01)),
        ('kind = "moving_mean"\nwindow_s = "16 ms"', MovingMean(0.016)),
        ('kind = "moving_mean"', MovingMean(0.01)),
    ],
)
def test_every_follower(read, text, follower):
    assert read(f"[follower]\n{text}\n").follower == follower


def test_demo_design_is_the_parade():
    chain = read_design(demo_design())
    # The scenario: 24 pixels of three channels of 150 mA, 3 A at 5 V, 10 bit, 3.3 V, 1 kHz, 100 Hz.
    assert chain.pixels == Pixels(24, 3, 0.150, 0.001, pwm_hz=16e3)
    lossy = {"light_load_a": 0.1, "light_load_efficiency": 0.75}
    assert chain.supply == Supply(3.0, 5.0, 0.9, margin=0.1, controller_a=0.03, brown_out_v=4.3, **lossy)
    assert (chain.adc.bits, chain.adc.reference_v, chain.adc.rate_hz) == (10, 3.3, 1000.0)
    assert chain.frame_rate_hz == 100.0


# file, section, key, value and limit, in one line
BAD = [
    ("[preamp]\ngain = 48\n", "mine.toml: [preamp] has an unknown key 'gain'"),
    (
        '[detector]\nkind = "peak"\natack_ohm = "4k7"\n',
        "[detector] has an unknown key 'atack_ohm'; did you mean 'attack_ohm'?",
    ),
    (
        "[micropone]\nlow_corner_hz = 40\n",
        "mine.toml has an unknown section 'micropone'; did you mean 'microphone'?",
    ),
    ('attack_ohm = "4k7"\n', "mine.toml has an unknown section 'attack_ohm'"),
    ('[preamp]\nfeedback_ohm = "47n F"\n', "[preamp] feedback_ohm is '47n F'; it must be a value in ohm"),
    ('[preamp]\nfeedback_ohm = "47 kHz"\n', "[preamp] feedback_ohm is '47 kHz'; it must be a value in ohm"),
    ('[preamp]\ncoupling_farad = "4k7 ohm"\n', "coupling_farad is '4k7 ohm'; it must be a value in F"),
    (
        '[preamp]\nfeedback_ohm = "-47k"\n',
        "[preamp] feedback_ohm is -47000.0; it must be from 1 to 1e+08 ohm",
    ),
    ('[preamp]\nfeedback_ohm = "47G"\n', "feedback_ohm is 47000000000.0; it must be from 1 to 1e+08 ohm"),
    ("[preamp]\nfeedback_ohm = 1" + 400 * "0" + "\n", "it must be a value in ohm"),
    ("[preamp]\nfeedback_ohm = inf\n", "feedback_ohm is inf; it must be a value in ohm"),
    ("[preamp]\nfeedback_ohm = true\n", "feedback_ohm is True; it must be a value in ohm"),
    (
        '[preamp]\nfeedback_ohm = "48k"\n',
        "feedback_ohm is 48k; it must be in an E series, such as 47k or 48k1",
    ),
    (DETECTOR.replace("4k7", "4k8"), "attack_ohm is 4k8; it must be in an E series, such as 4k7 or 4k81"),
    (
        DETECTOR.replace('"1u"', '"1.05u"').replace("470k", "471k"),
        "release_ohm is 471k; it must be in an E series",
    ),
    ("[preamp]\nsupply_v = [3.3]\n", "supply_v is [3.3]; it must be a value in V"),
    ("[preamp]\nbias_v = 9.0\n", "[preamp] bias_v is 9.0; it must be from 0 to 3.3 V"),
    ('[preamp]\nsupply_v = "many\\nlines"\n', "supply_v is 'many\\nlines'; it must be a value in V"),
    ("preamp = 3\n", "[preamp] is 3; it must be a section with keys"),
    ("[[preamp]]\nbias_v = 1\n", "it must be a section with keys"),
    ('[detector]\nkind = "quasi"\n', "[detector] kind is 'quasi'; it must be one of peak, average"),
    ('[detector]\nkind = ["peak"]\n', "[detector] kind is ['peak']; it must be one of peak, average"),
    ('[detector]\nkind = "average"\n', "[detector] has no smoothing_ohm and no hold_farad"),
    ('[follower]\nkind = "one_pole"\n', "[follower] has no time_s"),
    ('[rectifier]\nkind = "both"\n', "[rectifier] kind is 'both'; it must be one of half, full"),
    ("[rectifier]\nkind = 2\n", "[rectifier] kind is 2; it must be a text"),
    ("[adc]\nbits = 10.5\n", "[adc] bits is 10.5; it must be a whole number"),
    ("[adc]\nbits = nan\n", "[adc] bits is nan; it must be a whole number"),
    ('[adc]\nbits = "ten"\n', "[adc] bits is 'ten'; it must be a whole number"),
    ("[adc]\nbits = 1" + 400 * "0" + "\n", "[adc] bits is "),
    ("[adc]\nbits = 24\n", "[adc] bits is 24; it must be a whole number from 6 to 16"),
    ('[adc]\nnoise_lsb = "1"\n', "[adc] noise_lsb is '1'; it must be a number"),
    ("[microphone]\nsensitivity_dbv_pa = nan\n", "sensitivity_dbv_pa is nan"),
    ("[brightness]\nfloor_db_spl = 99\n", "ceiling_db_spl is 98.0; it must be above the floor of 99 dB SPL"),
    (
        "[brightness]\nfloor_db_spl = 90\nceiling_db_spl = 80\n",
        "ceiling_db_spl is 80.0; it must be above the floor of 90",
    ),
    (
        '[brightness]\nfloor_db_spl = 60\nceiling_db_spl = 80\ncurve = "magic"\n',
        "curve is 'magic'; it must be one of",
    ),
    ("[pixels]\ncount = -24\n", "[pixels] count is -24; it must be a whole number from 1"),
    ("[supply]\nlimit_a = 0\n", "[supply] limit_a is 0.0; it must be from 0.001 to 10000 A"),
    ("[supply]\nlimit_a = 0.01\n", "mine.toml: limit_a is 0.01; it must be above the idle current"),
    (
        "[frames]\npixel_bits = 99\n",
        "mine.toml: [frames] pixel_bits is 99; it must be a whole number from 1 to 16",
    ),
    (
        "[frames]\ndither_bits = 2\n",
        "mine.toml: [frames] dither_bits is 2; it must be a whole number from 0 to 0",
    ),
    ("[frames]\ncurrent_limit = 'both'\n", "mine.toml: [frames] current_limit is 'both'; it must be"),
    (
        "[frames]\npixel_bits = 8\n[pixels]\ncount = 400\n",
        "mine.toml: [frames] frame_rate_hz is 100.0; it must be at most 81.4 Hz: sending 400 pixels of 3"
        " channels of 8 bit down one line takes 12.28 ms (or at most 324 pixels on a line, here data_lines ="
        " 2)",
    ),
    (
        "[frames]\npixel_bits = 8\ndither_bits = 2\n[pixels]\ncount = 40\n",
        "mine.toml: refresh_hz is 800.0; it must be at most 675.6 Hz: sending 40 pixels",
    ),
    (
        "[frames]\nframe_rate_hz = 5000\n",
        "mine.toml: [frames] frame_rate_hz is 5000.0; it must be from 10 to 1000 Hz",
    ),
    (
        "[frames]\nmicrophone = 3\n",
        "[frames] has an unknown key 'microphone'; it can have pixel_bits, frame_rate_hz",
    ),
    ("frames = 100\n", "[frames] is 100; it must be a section with keys"),
    (
        "[rectifier]\nreference_node_v = 5\n",
        "mine.toml: quiescent_v is 5.00049504950495; it must be below the ADC's reference_v (3.3 V)",
    ),
    ("[preamp\n", "mine.toml: not a readable TOML file ("),
    ("[adc]\nbits = 10\nbits = 11\n", "mine.toml: not a readable TOML file ("),
    ("[adc]\nbits = 1" + 5000 * "0" + "\n", "mine.toml: not a readable TOML file ("),
    (b"\xff\xfe\x00\x01", "mine.toml: not a readable TOML file ("),
]


@pytest.mark.parametrize(("text", "said"), BAD, ids=[str(said)[:60] for _, said in BAD])
def test_bad_input_gets_one_clear_line(read, text, said):
    with pytest.raises(FileError) as caught:
        read(text)
    line = str(caught.value)
    assert said in line
    assert "mine.toml" in line
    assert "\n" not in line
    assert len(line) < 700


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(FileError, match=r"^.*nothing\.toml: no such file$"):
        read_design(tmp_path / "nothing.toml")


def test_a_folder_is_no_design(tmp_path):
    with pytest.raises(FileError, match=r": is a folder, not a design file$"):
        read_design(tmp_path)


def test_a_path_through_a_file(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match=r"not a readable TOML file|no such file"):
        read_design(tmp_path / "file" / "mine.toml")


def parts(unit_low: float, unit_high: float) -> st.SearchStrategy[float]:
    return st.sampled_from(
        [*series_values("E24", unit_low, unit_high), *series_values("E192", unit_low, unit_high)]
    )


RESISTORS, CAPACITORS = parts(1, 1e7), parts(1e-11, 1e-3)
FOLLOWERS = st.one_of(
    st.just(PassThrough()),
    st.builds(OnePole, st.floats(0, 10)),
    st.builds(AttackRelease, st.floats(0, 1), st.floats(0, 10)),
    st.builds(PeakHold, st.floats(0, 1), st.floats(0, 10)),
    st.builds(MeanSquare, st.floats(0, 10)),
    st.builds(MovingMaximum, st.floats(1e-3, 1)),
    st.builds(MovingMean, st.floats(1e-3, 1)),
)
CHAINS = st.builds(
    Chain,
    microphone=st.builds(
        Microphone,
        sensitivity_dbv_pa=st.floats(-80, 0),
        signal_to_noise_db=st.floats(30, 90),
        overload_db_spl=st.floats(90, 160),
        low_corner_hz=st.floats(1, 1e3),
        high_corner_hz=st.floats(2e3, 1e5),
    ),
    preamp=st.builds(
        Preamp,
        feedback_ohm=RESISTORS,
        ground_ohm=RESISTORS,
        ground_farad=st.none() | CAPACITORS,
        coupling_farad=CAPACITORS,
        input_ohm=st.floats(1, 1e8),
        gain_bandwidth_hz=st.floats(1e3, 1e10),
        bias_v=st.floats(0.1, 3.2),
        input_offset_v=st.floats(-0.1, 0.1),
        noise_v_per_rthz=st.floats(0, 1e-3),
    ),
    rectifier=st.builds(Rectifier, st.sampled_from(["half", "full"]), st.floats(0, 3.2)),
    detector=st.builds(PeakDetector, RESISTORS, CAPACITORS, RESISTORS)
    | st.builds(AverageDetector, RESISTORS, CAPACITORS),
    adc=st.builds(Adc, st.integers(6, 16), st.floats(3.3, 30), st.floats(1e3, 1e6), st.floats(0, 100)),
    follower=FOLLOWERS,
    brightness=st.builds(
        BrightnessMap,
        st.floats(0, 90),
        st.floats(91, 194),
        st.sampled_from(["lightness", "power", "straight", "decibel"]),
    ),
    pixels=st.builds(
        Pixels, st.integers(1, 500), st.integers(1, 8), st.floats(1e-3, 0.2), st.floats(0, 1e-3)
    ),
    supply=st.builds(Supply, st.floats(1, 100), st.floats(1, 60), st.floats(0.1, 1)),
    pixel_bits=st.integers(12, 16),
    frame_rate_hz=st.floats(10, 1000),
)


def in_time(chain: Chain) -> Chain:
    """As many frames a second as can be sent."""
    return replace(chain, frame_rate_hz=min(chain.frame_rate_hz, 0.99 / chain.transmission_s))


@examples(60)
@given(CHAINS)
def test_what_is_written_reads_back_to_the_same_chain(tmp_path_factory, made):
    chain = in_time(made)
    path = tmp_path_factory.getbasetemp() / "again.toml"
    path.write_text(design_text(chain), encoding="utf-8")
    again = read_design(path)
    assert again == chain
    assert digest(again) == digest(chain)


def test_values_are_written_as_on_the_part():
    text = design_text(Chain(preamp=Preamp(47e3, ground_farad=None)))
    assert 'feedback_ohm = "47k"' in text
    assert 'ground_farad = "none"' in text
    assert 'hold_farad = "1u"' in text


def test_a_value_of_more_than_three_digits_is_written_as_a_number():
    assert "input_ohm = 123456.0" in design_text(Chain(preamp=Preamp(input_ohm=123456.0)))


def test_digest_tells_any_two_values_apart_and_whole_numbers_not():
    chain = Chain()
    assert digest(chain) == digest(Chain())
    assert len(digest(chain)) == 12
    int(digest(chain), 16)
    assert digest(chain) != digest(Chain(frame_rate_hz=99.0))
    assert digest(Chain(frame_rate_hz=100, preamp=Preamp(gain_bandwidth_hz=10**7))) == digest(chain)


def test_new_parts_keep_comments_order_and_everything_else():
    source = demo_design().read_text(encoding="utf-8")
    changed = with_parts(
        source, {"detector.attack_ohm": 10e3, "preamp.feedback_ohm": 100e3, "detector.hold_farad": 4.7e-7}
    )
    before, after = source.splitlines(), changed.splitlines()
    assert len(before) == len(after)
    different = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert len(different) == 3
    for a, b in different:
        assert a.split("=")[0] == b.split("=")[0]
        assert a.partition("#")[2] == b.partition("#")[2] != ""
    assert 'attack_ohm = "10k"' in changed
    assert 'hold_farad = "470n"' in changed


def test_new_parts_read_back(tmp_path):
    path = tmp_path / "design.toml"
    path.write_text(
        with_parts(demo_design().read_text(encoding="utf-8"), {"detector.attack_ohm": 33e3}), encoding="utf-8"
    )
    parade = read_design(demo_design()).detector
    assert read_design(path).detector == replace(parade, attack_ohm=33e3)


def test_new_parts_make_a_section_that_is_missing(tmp_path):
    path = tmp_path / "design.toml"
    path.write_text(with_parts("# nothing yet\n", {"rectifier.kind": "half"}), encoding="utf-8")
    assert path.read_text(encoding="utf-8").startswith("# nothing yet\n")
    assert read_design(path).rectifier == Rectifier("half")


def test_written_design_is_plain_toml():
    document = tomlkit.parse(design_text(Chain()))
    stages = "microphone preamp band_filter rectifier detector hold_capacitor adc follower brightness"
    fed = ["pack", "feed", "coupling", "colour"]
    assert list(document) == [*stages.split(), "pixels", "supply", "firmware", *fed, "frames"]
    assert math.isclose(document["adc"]["reference_v"], 3.3)


@pytest.mark.parametrize(("topology", "kind"), [("passive_half_wave", "half"), ("passive_full_wave", "full")])
def test_a_passive_topology_by_its_name_needs_a_diode_and_no_more(read, topology, kind):
    chain = read(f'[rectifier]\ntopology = "{topology}"\ndiode = "schottky"\n')
    assert chain.rectifier == Rectifier(kind, diode="schottky")
    with pytest.raises(
        FileError, match=r"\[rectifier\] diode is 'none'; it must be one of silicon, schottky"
    ):
        read(f'[rectifier]\ntopology = "{topology}"\n')
    other = "full" if kind == "half" else "half"
    with pytest.raises(
        FileError, match=f"topology is '{topology}'; with these values it must be 'passive_{other}"
    ):
        read(f'[rectifier]\ntopology = "{topology}"\ndiode = "schottky"\nkind = "{other}"\n')
