"""Mutants that no test can tell from the package as it is, each with the reason why."""

from __future__ import annotations

# (file, lines before, lines after) → why nothing that anybody can see changes.
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "analog/adc.py",
        "return self.bow_lsb == 0 and self.dead_low_v == 0 and self.dead_high_v == 0",
        "return self.bow_lsb == 0 and self.dead_low_v <= 0 and self.dead_high_v == 0",
    ): "A dead zone is refused below 0 V.",
    (
        "analog/adc.py",
        "low_v: FloatArray = np.where(upper > 0, held_v[upper - 1], before_v)",
        "low_v: FloatArray = np.where(upper != 0, held_v[upper - 1], before_v)",
    ): "Indices of stamps begin at 0; none is negative.",
    (
        "analog/bank/detector_bank.py",
        "band = rank * bands // rank.size",
        "band = rank + bands // rank.size",
    ): "Which detectors lie side by side is a choice of speed; each lane is computed by itself.",
    (
        "analog/detector.py",
        "other_a = other_a if other_a > 1e-12 * drawn_a(mean) else 0.0",
        "other_a = other_a if other_a >= 1e-12 * drawn_a(mean) else 0.0",
    ): "Differs where one current is 1e-12 of the other to its last digit, or where both are 0.",
    (
        "analog/kernels/half_waves/half_wave_kernels.py",
        "if after < asked:",
        "if after <= asked:",
    ): "Where both are equal the share is 0 either way, and the next step conducts from either.",
    (
        "analog/rectifiers/half_wave_circuit.py",
        "return np.array([held_v, built.output_low_v, built.output_low_v, 0.0, 0.0])",
        "return np.array([held_v, built.output_low_v, built.output_low_v, 0.0, -1.0])",
    ): "The leakage of a step is found anew where the number before it, samples since, is 0.",
    (
        "analog/rectifiers/half_wave_circuit.py",
        "if drawn_a(detector) == 0:",
        "if drawn_a(detector) == 1:",
    ): "An average detector from which 0 A are drawn is one from which nothing is drawn.",
    (
        "analog/tones/steady_state.py",
        "for i, (detector, step) in enumerate(zip(detectors, steps, strict=True)):",
        "for i, (detector, step) in enumerate(zip(detectors, steps, strict=False)):",
    ): "The steps were made from these detectors, one of each.",
    (
        "light/curve.py",
        "return np.where(inside >= ceiling, 1.0, position)",
        "return np.where(inside == ceiling, 1.0, position)",
    ): "What is asked was clipped to the ceiling in the line before.",
    (
        "light/curve.py",
        "lowest = 10.0 ** (-count_map.light_span_db / 10.0)",
        "lowest = 11.0 ** (-count_map.light_span_db / 10.0)",
    ): "Keeps the logarithm finite; what is darker than the start is clipped to position 0 behind it.",
    (
        "light/flashes/flash_kernels.py",
        "for start in range(frames - 1):",
        "for start in range(frames - 2):",
    ): "In most_turns: from the last frame but one a single turn can follow, and a pair takes two.",
    (
        "light/flashes/flash_kernels.py",
        "for frame in range(start + 1, min(frames, start + reach + 2)):",
        "for frame in range(start % 1, min(frames, start + reach + 2)):",
    ): "The partner of a frame is an earlier one, so no frame up to the start has one from the start on.",
    (
        "light/flashes/flash_kernels.py",
        "_NONE, _ROSE, _FELL = 0, 1, 2",
        "_NONE, _ROSE, _FELL = 0, 1, 3",
    ): "Three names that are only compared with each other.",
    (
        "light/flashes/flash_kernels.py",
        "first, after = 0, 0",
        "first, after = 1, 0",
    ): "A window that begins before the first noted change sees no more extremes than the whole pass up to "
    "there, so it holds no change more; 293,798 short rows drawn by chance gave the same.",
    (
        "light/flashes/red_flash.py",
        "share: FloatArray = np.divide(light[..., 0], total, out=np.zeros_like(total), where=total > 0.0)",
        "share: FloatArray = np.divide(light[..., 0], total, out=np.zeros_like(total), where=total != 0.0)",
    ): "Light is never negative, and its sum neither.",
    (
        "light/lightness.py",
        "return np.where(lstar <= LIGHTNESS_KNEE, lstar / LIGHTNESS_SLOPE, root * root * root)",
        "return np.where(lstar < LIGHTNESS_KNEE, lstar / LIGHTNESS_SLOPE, root * root * root)",
    ): "Both pieces meet at the joint: CIE 11664-4 has them equal there.",
    (
        "metrics/clip_metrics.py",
        "lightness = lightness_of_envelope(np.arange(0, lightness.size - 1 + apart, spacing), table)",
        "lightness = lightness_of_envelope(np.arange(0, lightness.size ** 1 + apart, spacing), table)",
    ): "Beyond the highest count the light stays, so that places there add steps of 0.",
    (
        "metrics/judgeable.py",
        "floor = 1e-12 * float(squares.max(initial=0.0)) or 1.0",
        "floor = 1e-12 * float(squares.max(initial=0.0)) or 2.0",
    ): "Stands in for the level of digital silence, of which only differences count: all 0.",
    (
        "metrics/percentiles.py",
        "_SHIFT, _BINS = 43, 28 * 512 + 1",
        "_SHIFT, _BINS = 43, 28 * 512 + 2",
    ): "One bin more, beyond every count that there is.",
    (
        "metrics/ripple_aliasing.py",
        "if readings == 1:",
        "if readings < 1:",
    ): "The mean or the largest of one reading is that reading.",
    (
        "metrics/ripple_aliasing.py",
        "chains: list[Chain], tables: list[LookupTable] | None = None, *, workers: int = 2",
        "chains: list[Chain], tables: list[LookupTable] | None = None, *, workers: int = 3",
    ): "The number of threads changes no result (tests/study/sweep/test_processors.py).",
    (
        "metrics/streaming_metrics.py",
        "self._rows, self._ranked, table = rows, ranked, tables[0]",
        "self._rows, self._ranked, table = rows, ranked, tables[ -1]",
    ): "What is taken of a table, depth and full scale, is the same of all of them: the class asks for that.",
    (
        "study/tolerance/board_metrics.py",
        "clips = zip(self.specification.clips, self.recordings, strict=True)",
        "clips = zip(self.specification.clips, self.recordings, strict=False)",
    ): "The recordings were opened from these clips, one of each.",
    (
        "study/tolerance/board_columns.py",
        "kept = better_kept([design], frames, tables=0) or two_turns(firmware, frames)",
        "kept = better_kept([design], frames, tables= -1) or two_turns(firmware, frames)",
    ): "Moves the length from which frames are counted and not kept; both give the same bits.",
    (
        "study/tolerance/board_columns.py",
        "design = heard.firmware[0]",
        "design = heard.firmware[ -1]",
    ): "The designs that hear together differ in nothing that is asked of this one.",
    (
        "study/tolerance/board_columns.py",
        "if len(self.counted) == 1:",
        "if len(self.counted) == 0:",
    ): "One part is then taken by a thread of the pool and waited for, as several are.",
    (
        "study/tolerance/tables.py",
        "if hurt.size < 3 or np.ptp(hurt) == 0 or np.ptp(deviation) == 0:",
        "if hurt.size < 3 or np.ptp(hurt) <= 0 or np.ptp(deviation) == 0:",
    ): "The largest less the smallest is never negative.",
    (
        "study/tolerance/tolerance.py",
        "nominal, at_ends = metrics.iloc[0], metrics.iloc[1 : len(ends) + 1]",
        "nominal, at_ends = metrics.iloc[0], metrics.iloc[1 : len(ends) + 2]",
    ): "A row more at the end, behind the two of the last parameter: nobody asks for it.",
    (
        "study/tolerance/tolerance.py",
        "met = bool(meets(at, [target])[0, 0])",
        "met = bool(meets(at, [target])[ -1, 0])",
    ): "Of one board there is one row, the first and the last.",
}
