"""Run in a copy of the package to which a stage was added: what it does on every way there is, as JSON.

Arguments: a folder to write into, a clip. Every number here is compared by the test, or is a plain yes or no.
"""

from __future__ import annotations

import json
import sys
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from envlab.analog.smoother import Smoother
from scipy.signal import lfilter

import envlab
from envlab.analog.detector import detect
from envlab.analog.rectifiers.ideal import rectify
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.design_file import BOUGHT, design_text, read_design
from envlab.engine.board import before_rectifier, offered_to_detector, read_by_adc, upstream
from envlab.engine.board_readings import read_chains
from envlab.engine.node_table import nodes_at_readings
from envlab.errors import EnvlabWarning
from envlab.plot.schematic.schematic import drawn_joints, schematic_svg
from envlab.sound.clip import Clip
from envlab.sound.interpolate import internal_rate_hz
from envlab.study.feedback import Coupling, run_closed
from envlab.study.listening.firmware import FirmwareListening
from envlab.study.listening.listening import Listening
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.specification import Specification
from envlab.study.sweep.sweep import sweep
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.drawn_boards import board_of
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters

WIRE = Chain()
BOARD = replace(WIRE, smoother=Smoother(1e3, 100e-9))
HEAVIER = replace(WIRE, smoother=Smoother(1e3, 1e-6))


def by_hand(recording: envlab.Recording, board: Chain) -> Any:
    """Return the held voltage, the stage written here a second time."""
    whole = replace(board, smoother=Smoother()).run(recording)
    smoother, rate_hz = board.smoother, internal_rate_hz(recording.sample_rate_hz)
    take = 1 / (1 + smoother.series_ohm * smoother.shunt_farad * rate_hz)
    # Long on before the sound: the capacitor has the preamp's offset.
    rest_v = board.preamp.output_offset_v
    smoothed = rest_v + lfilter([take], [1, take - 1], whole.preamp_v - rest_v)
    held_v, _ = detect(
        rectify(smoothed, board.rectifier),
        board.detector_as_built,
        sample_rate_hz=rate_hz,
        start_v=board.quiescent_v - board.rectifier.reference_node_v,
    )
    return board.rectifier.reference_node_v + held_v


def tolerances(recording: envlab.Recording) -> dict[str, Any]:
    """Boards that differ in the stage's part alone."""
    asked = Tolerances(
        resistor_percent=0, capacitor_percent=0, parts_percent={"C91": 20}, microphone_db=0, offset_v=0,
        temperature_c=(25.0, 25.0), supply_v=(3.3, 3.3), reference_percent=0,
        deviations={"adc.offset_lsb": 0, "adc.gain_error_percent": 0, "adc.bow_lsb": 0},
    )  # fmt: skip
    varied = varied_parameters(BOARD, asked)
    boards = [board_of(BOARD, varied, np.array([percent])) for percent in (-20.0, 0.0, 20.0)]
    index = np.arange(0, 300, 10)
    read = read_boards(recording, BOARD, boards, index).envelope_counts
    alone = [read_chains(recording, [board], index).counts[0] for board in boards]
    return {
        "varied": [one.name for one in varied],
        "parts": [board.smoother.shunt_farad for board in boards],
        "boards_as_alone": bool(np.array_equal(read, np.stack(alone))),
        "boards_differ": bool((read[0] != read[2]).any()),
    }


def audition(recording: envlab.Recording) -> dict[str, Any]:
    """One board after the other on one clip: what was kept of the one must not serve the other."""
    listening, firmware = Listening(recording), None
    equal, near, drives, gains = [], [], [], []
    for board in (WIRE, BOARD, HEAVIER, BOARD):
        near.append(listening.window(board, 0.35).adc_counts)
        light, truth = listening.whole(board), board.run(recording)
        equal.append(bool(np.array_equal(light.adc_counts, truth.adc_counts)))
        window = near[-1]
        near[-1] = int(np.abs(window - truth.adc_counts[: window.size]).max())
        drives.append(float(sum(block.sum() for _, block in listening.rectified_blocks(board).blocks())))
        firmware = firmware or FirmwareListening(listening.wave)
        portions = firmware.in_portions(board, light)
        while True:
            try:
                next(portions)
            except StopIteration as done:
                gains.append(float(done.value.frame_counts.sum()))
                break
    return {"audition_as_run": equal, "window_off_by": near, "drives": drives, "firmware": gains}


def swept(clip: Path, folder: Path) -> dict[str, Any]:
    """A sweep over the stage's part, kept, and taken up again for another value of its resistor."""

    def run(board: Chain) -> tuple[Any, list[str]]:
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always", EnvlabWarning)
            ranges = {"smoother.shunt_farad": (1e-7, 1e-6)}
            asked = Specification(board, [Clip(clip, 92.0, ("beat",))], ranges)
            table = sweep(asked, checkpoint=folder / "kept")
        return table, [str(one.message) for one in told if "another question" in str(one.message)]

    first, _ = run(BOARD)
    again, same = run(BOARD)
    other, stale = run(replace(BOARD, smoother=replace(BOARD.smoother, series_ohm=2e3)))
    contrast = "beat_contrast_lstar"
    return {
        "sweep_differs": bool(first[contrast][0] != first[contrast][1]),
        "sweep_kept": bool(first.equals(again)) and not same,
        "sweep_stale": len(stale) > 0 and bool(other[contrast][0] != first[contrast][0]),
    }


def circuit_story() -> dict[str, Any]:
    """What the circuit, its drawing and its labels say of the stage."""
    circuit, drawn = circuit_of(BOARD), drawn_joints(BOARD)
    return {
        "joined": [circuit.component(name).nodes for name in ("R91", "C91")],
        "trace": circuit.of_trace("smoother_v").label,
        "next": circuit.component("R4").node_at("1"),
        "drawn": sorted((name, pin) for name, pin, _ in drawn.pins if name in ("R91", "C91")),
        "names": sorted({node for _, node in drawn.names if node == "smoother"}),
        "remarks": list(circuit.remarks),
        "wire_has": circuit_of(WIRE).has("R91"),
        "svg": "smoother" in schematic_svg(BOARD) or len(schematic_svg(BOARD)) > len(schematic_svg(WIRE)),
    }


def main() -> None:
    """Print the report."""
    folder, clip = Path(sys.argv[1]), Path(sys.argv[2])
    recording = envlab.read_recording(clip, 92.0)
    runs = {name: board.run(recording) for name, board in (("wire", WIRE), ("board", BOARD))}
    nodes = nodes_at_readings(BOARD, recording)
    (folder / "smoothed.toml").write_text(design_text(BOARD), encoding="utf-8")
    closed = run_closed(BOARD, Coupling(rail_ohm=0.0), recording)
    quiet = replace(BOARD, frame_rate_hz=BOARD.adc.rate_hz)
    index = np.arange(runs["board"].adc_counts.size)
    many = read_chains(recording, [WIRE, BOARD, HEAVIER], index).counts
    report = {
        "package": envlab.__file__,
        "wire_counts": runs["wire"].adc_counts.tolist(),
        "wire_duty": runs["wire"].duty.tolist(),
        "run_by_hand": float(np.abs(runs["board"].detector_v - by_hand(recording, BOARD)).max()),
        "columns": list(nodes),
        "simulate_as_run": bool(np.array_equal(nodes["adc_counts"], runs["board"].adc_counts)),
        "simulate_differs": bool((nodes["adc_counts"] != runs["wire"].adc_counts).any()),
        "many_as_run": [
            bool(
                np.array_equal(
                    counts, np.maximum(board.run(recording).adc_counts - board.quiescent_counts, 0)
                )
            )
            for counts, board in zip(many, (WIRE, BOARD, HEAVIER), strict=True)
        ],
        "feedback_differs": bool(
            (closed.duty != run_closed(WIRE, Coupling(rail_ohm=0.0), recording).duty).any()
        ),
        "design_file": read_design(folder / "smoothed.toml") == BOARD,
        "bought": list(BOUGHT["smoother"]),
        "parts": [
            (part.reference, part.key, part.value_text, part.tolerance_percent) for part in parts_list(BOARD)
        ],
        "circuit": circuit_story(),
        "level_scale_lower": BOARD.counts_at(80.0) < WIRE.counts_at(80.0),
        "upstream": {
            "before the rectifier": before_rectifier(BOARD) != before_rectifier(WIRE),
            "offered to the detector": offered_to_detector(BOARD) != offered_to_detector(WIRE),
            "read by the ADC": read_by_adc(BOARD) != read_by_adc(WIRE),
            "not before itself": upstream(BOARD, "preamp") == upstream(WIRE, "preamp"),
            "light apart": read_by_adc(quiet) == read_by_adc(BOARD),
        },
        "tolerance": tolerances(recording),
        "audition": audition(recording),
        "sweep": swept(clip, folder),
    }
    print(json.dumps(report))


if __name__ == "__main__":
    main()
