"""The whole way: sound → microphone → preamp → rectifier → detector → ADC → follower → table → duty."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from envlab.analog.adc import Adc
from envlab.analog.band_filter import BandFilter, NoBandFilter
from envlab.analog.detector import Detector, PeakDetector
from envlab.analog.envelope import BuiltRectifier, HoldState, check_goes_together
from envlab.analog.hold_capacitor import HoldCapacitor, as_built
from envlab.analog.microphone import Microphone
from envlab.analog.noise import noise_streams
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import PumpRectifier
from envlab.analog.stage import AnalogStage, Surroundings
from envlab.analog.tones.answer import answer_to_tone, steady_ratio
from envlab.analog.tones.nonlinear_steady_state import quiescent_state
from envlab.analog.tones.steady_state import ToneResponse
from envlab.circuit.board_rules import board_warnings
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.fixed_frame import MOST_DITHER_BITS, most_dither_bits, slowest_refresh_hz
from envlab.digital.followers import Follower, PassThrough
from envlab.engine.board import (
    front_end_of,
    rectifier_on,
    response_before_rectifier,
    surroundings_at_rectifier,
)
from envlab.engine.chain_result import ChainResult, whole_result
from envlab.engine.nodes import NodeBlock, Player, node_blocks
from envlab.engine.waves import waves
from envlab.errors import EnvlabWarning, ParameterError, check_choice, check_range
from envlab.light.costume_colour import CostumeColour
from envlab.light.curve import BrightnessMap, CountMap, LevelScale
from envlab.light.layout.board import check_layout
from envlab.light.layout.layout import Layout
from envlab.light.lightness import check_whole
from envlab.light.pixels import Pixels, Supply, supply_duty_limit
from envlab.light.power.battery import Pack
from envlab.light.power.coupling import Coupling
from envlab.light.power.feed import Feed
from envlab.light.simulated_scale import SimulatedScale
from envlab.light.table import LookupTable, build_table, held_at_limit, top_code
from envlab.light.timing import check_sending, sending_s
from envlab.seeds import Seed
from envlab.sound.recording import Recording
from envlab.units import FloatArray, IntArray, pressure_rms_pa
from envlab.worked_out import WorksOut, worked_out_once

CALIBRATION_HZ = 1000.0
REFERENCE_DB_SPL = 94.0
# A tone is judged 20 dB under the preamp's clipping; levels are simulated on this grid where they must be.
UNDER_CLIPPING = 0.1
SIMULATED_DB_SPL = tuple(float(level) for level in range(20, 145, 4))


@dataclass(frozen=True)
class Chain(WorksOut):
    """One board and what hangs on it; every value is a part or a setting, nothing is a result.

    The fields stand in the order of the signal. What a stage's output depends on, how a sound runs through
    the board and what may be kept for another board follow from this order and stand nowhere else
    (envlab.engine.board): a stage added to the board is one field here.

    The supply must carry the dark pixels and leave one code of duty for light.

    Parameters
    ----------
    microphone : Microphone
        What hears.
    preamp : Preamp
        What amplifies it.
    rectifier : Rectifier, ActiveRectifier or PumpRectifier
        What folds or cuts the wave: the ideal one or a passive diode, amplifiers, or doubler and bridge.
    detector : Detector
        What holds the envelope.
    adc : Adc
        What reads it.
    follower : Follower
        What the firmware makes of the readings.
    brightness : BrightnessMap
        Gate floor and ceiling in dB SPL; converted to counts through this chain's own gain.
    pixels : Pixels
        What shines.
    supply : Supply
        The converter that feeds the pixels.
    pixel_bits : int
        Depth of a pixel's duty, 1 to 16.
    frame_rate_hz : float
        10 to 1000, at most the ADC's rate.
    dither_bits : int
        Depth that temporal dithering adds to pixels of 8 bit or more, 0 to 4.
    current_limit : str
        What keeps the light within the supply: "table", scaled down whatever is lit, or "frame", a table up
        to full and the firmware's limiter, which adds up every frame.
    band_filter : BandFilter
        Between preamp and rectifier.
    hold_capacitor : HoldCapacitor
        What the detector's capacitor is made of.
    firmware : FirmwareSettings
        What the exported runtime does beside all that: sensitivity, guard.
    layout : Layout
        Which pixels light.
    pack, feed, coupling : Pack, Feed, Coupling
        The cells, the wires to the pixels, and what pixels and microphone share of them.
    colour : CostumeColour
        Of all pixels; none where none is chosen.

    Examples
    --------
    >>> import envlab
    >>> chain = envlab.Chain(detector=envlab.PeakDetector(4.7e3, 1e-6, 220e3))
    >>> round(chain.tone_response().attack_s, 4), round(chain.duty_limit, 3)
    (0.0228, 0.276)
    """

    microphone: Microphone = field(default_factory=Microphone)
    preamp: Preamp = field(default_factory=Preamp)
    band_filter: BandFilter = field(default_factory=NoBandFilter)
    rectifier: Rectifier | ActiveRectifier | PumpRectifier = field(default_factory=Rectifier)
    detector: Detector = field(default_factory=lambda: PeakDetector(4.7e3, 1e-6, 470e3))
    hold_capacitor: HoldCapacitor = field(default_factory=HoldCapacitor)
    adc: Adc = field(default_factory=Adc)
    follower: Follower = field(default_factory=PassThrough)
    brightness: BrightnessMap = field(default_factory=lambda: BrightnessMap(62.0, 98.0))
    pixels: Pixels = field(default_factory=Pixels)
    supply: Supply = field(default_factory=Supply)
    pixel_bits: int = 16
    frame_rate_hz: float = 100.0
    dither_bits: int = 0
    current_limit: str = "table"
    firmware: FirmwareSettings = field(default_factory=FirmwareSettings)
    layout: Layout = field(default_factory=Layout)
    pack: Pack = field(default_factory=Pack)
    feed: Feed = field(default_factory=Feed)
    coupling: Coupling = field(default_factory=Coupling)
    colour: CostumeColour = field(default_factory=CostumeColour)

    def __post_init__(self) -> None:
        check_range("frame_rate_hz", self.frame_rate_hz, 10, 1000, unit="Hz")
        check_whole("pixel_bits", self.pixel_bits, 1, 16)
        # Two limits: the schema of design files knows no depth of the pixels, and takes the first.
        check_whole("dither_bits", self.dither_bits, 0, MOST_DITHER_BITS)
        if self.dither_bits > (most := most_dither_bits(self.pixel_bits)):
            raise ParameterError("dither_bits", self.dither_bits, f"a whole number from 0 to {most}")
        self.colour.check_on(self.pixels)
        check_choice("current_limit", self.current_limit, ("table", "frame"))
        top_code(self.pixel_bits, self.duty_limit)
        if self.frame_rate_hz > self.adc.rate_hz:
            raise ParameterError(
                "frame_rate_hz", self.frame_rate_hz, f"at most the ADC's rate_hz ({self.adc.rate_hz:g} Hz)"
            )
        check_goes_together(self.rectifier_as_built, self.detector)
        if self.quiescent_v >= self.adc.reference_v:
            raise ParameterError(
                "quiescent_v", self.quiescent_v, f"below the ADC's reference_v ({self.adc.reference_v:g} V)"
            )
        check_layout(self)

    @property
    def microphone_as_loaded(self) -> AnalogStage:
        """The microphone with the preamp's input on its output."""
        return front_end_of(self)["microphone"]

    @worked_out_once
    def detector_as_built(self) -> Detector:
        """The detector with the capacitance that its capacitor really has and all that loads it.

        An ideal rectifier stands on its node without parts; what loads it counts from there.
        """
        node_v = 0.0 if self.rectifier.topology == "ideal" else self.rectifier.reference_node_v
        return as_built(self.detector, self.hold_capacitor, self.adc, node_v)

    @worked_out_once
    def adc_as_built(self) -> Adc:
        """The converter with the buffer that it has behind this rectifier."""
        return self.adc.behind(self.rectifier.topology)

    @worked_out_once
    def rectifier_as_built(self) -> BuiltRectifier:
        """The rectifier on this board's bias and supply."""
        return rectifier_on(front_end_of(self))

    @worked_out_once
    def quiescent_state(self) -> HoldState:
        """What the capacitors hold when nothing sounds."""
        around = self._around_rectifier
        return quiescent_state(
            self.detector_as_built,
            self.rectifier_as_built,
            bias_v=around.bias_v,
            resting_v=around.resting_v,
        )

    @property
    def bias_at_rectifier_v(self) -> float:
        """Bias that the signal at the rectifier's input stands on, V against ground."""
        return self._around_rectifier.bias_v

    @worked_out_once
    def _around_rectifier(self) -> Surroundings:
        # The same at any rate; a record of surroundings needs one.
        return surroundings_at_rectifier(front_end_of(self), CALIBRATION_HZ)

    @property
    def quiescent_v(self) -> float:
        """Detector's voltage at silence, V against the ADC's ground, the preamp's offset included."""
        return self.rectifier.reference_node_v + self.quiescent_state.held_v

    @worked_out_once
    def quiescent_counts(self) -> int:
        """ADC reading at silence without the ADC's own offset, never below 0: what the firmware subtracts."""
        return max(0, math.floor(self.adc_as_built.line_lsb(self.quiescent_v)))

    @property
    def counts_scale_with_level(self) -> bool:
        """Whether counts above quiescent are in proportion to the sound's pressure."""
        return self.rectifier.scales_with_level and self.adc.is_straight

    @property
    def design_rule_warnings(self) -> tuple[str, ...]:
        """What a bench would show to be wrong with this board, one sentence each."""
        return board_warnings(self)

    @property
    def duty_limit(self) -> float:
        """Largest duty that all pixels may have at once on this supply."""
        return supply_duty_limit(self.pixels, self.supply)

    @property
    def transmission_s(self) -> float:
        """Time until the last pixel has its frame, s: bits of 1.25 µs, then a latch of 280 µs.

        8 bit a channel, 16 where a code has more than 8. Common practice, no source.
        """
        return sending_s(self.pixels, self.pixel_bits)

    @property
    def refresh_hz(self) -> float:
        """Rate at which the pixels are written, Hz: the frame rate, a multiple of it where dithered."""
        return slowest_refresh_hz(self.dither_bits, self.frame_rate_hz)

    def check_sending(self) -> None:
        """Raise ParameterError, with values that work, where the pixels cannot be written so often."""
        check_sending(self.pixels, self.pixel_bits, "frame_rate_hz", self.frame_rate_hz)
        if self.dither_bits:
            check_sending(self.pixels, self.pixel_bits, "refresh_hz", self.refresh_hz)

    def tone_response(
        self, frequency_hz: float = CALIBRATION_HZ, peak_v: float | None = None
    ) -> ToneResponse:
        """How rectifier and detector answer a sine of peak_v; None: 20 dB under the preamp's clipping.

        Where the envelope scales with the level, as behind a precision rectifier, peak_v is of no account.
        """
        return answer_to_tone(
            self.detector_as_built,
            self.rectifier_as_built,
            frequency_hz,
            self.tone_peak_v if peak_v is None else peak_v,
            bias_v=self.bias_at_rectifier_v,
        )

    @property
    def tone_peak_v(self) -> float:
        """Peak of a sine 20 dB under the preamp's clipping, V at its output."""
        return UNDER_CLIPPING * min(self.preamp.swing_up_v, self.preamp.swing_down_v)

    def peak_at_rectifier_v(self, level_db_spl: float) -> float:
        """Return the peak at the rectifier of a 1 kHz sine at a level, V, as if nothing clipped."""
        peak_pa = math.sqrt(2) * pressure_rms_pa(level_db_spl)
        heard = self.microphone_as_loaded.response(CALIBRATION_HZ)
        return peak_pa * abs(heard * response_before_rectifier(self, CALIBRATION_HZ))

    def counts_at(self, level_db_spl: float) -> float:
        """Return the settled envelope of a 1 kHz sine at a level, counts above quiescent, not rounded.

        Not limited by clipping: it converts the map's floor and ceiling, which may lie above the swing.
        Simulated at this very level where the envelope does not scale with it; a converter's dead zone is
        taken off.
        """
        if self.counts_scale_with_level:
            return self.level_scale().counts(level_db_spl)
        peak_v = self.peak_at_rectifier_v(level_db_spl)
        settled_ratio = steady_ratio(
            self.detector_as_built,
            self.rectifier_as_built,
            CALIBRATION_HZ,
            peak_v,
            bias_v=self.bias_at_rectifier_v,
        )
        rise_v = peak_v * settled_ratio * self.adc.settled_share
        return self.adc_as_built.envelope_lsb(rise_v, self.quiescent_v)

    def level_scale(self) -> LevelScale:
        """Return how this board counts: counts_at any level, without a simulation for each."""
        if self.counts_scale_with_level:
            peak_v = self.peak_at_rectifier_v(REFERENCE_DB_SPL)
            settled_v = peak_v * self.tone_response().settled_ratio * self.adc.settled_share
            return LevelScale(settled_v / self.adc.lsb_v, REFERENCE_DB_SPL)
        counts = [self.counts_at(level) for level in SIMULATED_DB_SPL]
        rising = [i for i, some in enumerate(counts) if some > max(1e-12, *counts[:i], 0.0)]
        levels = tuple(SIMULATED_DB_SPL[i] for i in rising)
        reference, above = self.counts_at(REFERENCE_DB_SPL), tuple(counts[i] for i in rising)
        swallowed_lsb = self.adc_as_built.swallowed_lsb(self.quiescent_v)
        return SimulatedScale(reference, REFERENCE_DB_SPL, levels, above, swallowed_lsb)

    def count_map(self) -> CountMap:
        """Return floor and ceiling in counts for this board.

        Where counts do not scale with the level a floor of less than one count is one count: what lies in a
        diode's or a converter's dead zone cannot be told from silence.
        """
        if self.counts_scale_with_level:
            return self.brightness.in_counts(self.level_scale())
        asked = self.brightness
        floor = max(1.0, self.counts_at(asked.floor_db_spl))
        ceiling = max(self.counts_at(asked.ceiling_db_spl), 1.0 + floor)
        levels = (asked.floor_db_spl, asked.ceiling_db_spl)
        return asked.in_counts(SimulatedScale(ceiling, asked.ceiling_db_spl, levels, (floor, ceiling)))

    @property
    def table_entries(self) -> int | None:
        """Entries of the brightness table: None is one per count, for ADCs up to 12 bit."""
        return None if self.adc.bits <= 12 else 4097

    def brightness_table(self) -> LookupTable:
        """Return the table from envelope counts to the duty that all pixels show when lit alike.

        It is scaled by the supply's duty limit; with the limit per frame it goes up to full and is held at
        the duty limit, as the limiter does with a picture all of whose channels are alike. Dithered bits
        count as depth.
        """
        table = build_table(
            self.count_map(),
            adc_bits=self.adc.bits,
            entries=self.table_entries,
            bits=self.pixel_bits + self.dither_bits,
            duty_limit=self.duty_limit if self.current_limit == "table" else 1.0,
        )
        return table if self.current_limit == "table" else held_at_limit(table, self.duty_limit)

    def reading_of_frame(self, frames: int, first: int = 0) -> IntArray:
        """Return, for the frames from first to before frames, which ADC reading each shows: the latest."""
        ratio = self.adc.rate_hz / self.frame_rate_hz
        return np.asarray(np.floor(np.arange(first, frames) * ratio + 1e-9), dtype=np.int64)

    def node_blocks(self, pressure_pa: FloatArray, sample_rate_hz: float) -> Iterator[NodeBlock]:
        """Yield the analog nodes block by block, at the internal rate; the blocks joined are the whole.

        pressure_pa: shape (n,), Pa, at the file's rate sample_rate_hz.
        """
        sound = Recording(pressure_pa, sample_rate_hz)
        return node_blocks(self, waves(sound, self, None), sound.internal_rate_hz)

    def run(self, recording: Recording, rng: Seed | None = None) -> ChainResult:
        """Return the signal after every stage of the board.

        It keeps every internal sample: some 20 MB for each second of the recording.

        Parameters
        ----------
        recording : Recording
            What sounds at the microphone.
        rng : int, numpy Generator or None
            Of the noise of microphone, preamp and ADC, in three streams (envlab.analog.noise); None: none.

        Returns
        -------
        ChainResult

        Warns
        -----
        EnvlabWarning
            Of what is wrong with the board.

        Examples
        --------
        >>> import envlab
        >>> from envlab.sound.signals import tone
        >>> loud = envlab.Recording(tone(1000.0, 1.0, 0.5, 48_000.0), 48_000.0)
        >>> int(envlab.Chain().run(loud).adc_counts.max())
        110
        """
        for warning in self.design_rule_warnings:
            warnings.warn(warning, EnvlabWarning, stacklevel=2)
        return whole_result(self, Player(self, recording, None if rng is None else noise_streams(rng)))
