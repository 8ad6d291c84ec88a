"""Changes of the C runtime that no record can tell from the original, each with its reason."""

from __future__ import annotations

# By file, original line and changed line.
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "envlab_runtime.c",
        "if (offset_step > last) {",
        "if (offset_step >= last) {",
    ): "the last step is set to itself",
    (
        "envlab_runtime.c",
        "unsigned target = (reading > zero) ? reading - zero : 0u;",
        "unsigned target = (reading >= zero) ? reading - zero : 0u;",
    ): "at the zero the difference is 0 as well",
    (
        "envlab_runtime.c",
        "if (target >= now) {",
        "if (target > now) {",
    ): "at the target the product is 0, added or subtracted",
    (
        "envlab_runtime.c",
        "while (envelope > 0x1FFFu) {",
        "while (envelope > (0x1FFFu + 1u)) {",
    ): "0x2000 in one octave and 0x1000 in the next are the same sum",
    (
        "envlab_runtime.c",
        "while (envelope < 0x1000u) {",
        "while (envelope <= 0x1000u) {",
    ): "0x1000 in one octave and 0x2000 in the one before are the same sum",
    (
        "envlab_runtime.c",
        "while (envelope < 0x1000u) {",
        "while (envelope < (0x1000u + 1u)) {",
    ): "0x1000 in one octave and 0x2000 in the one before are the same sum",
    (
        "envlab_runtime.c",
        "if (position < window) {",
        "if (position <= window) {",
    ): "the window is set to itself",
    (
        "envlab_runtime.c",
        "if (position > ENVLAB_RANGE) {",
        "if (position >= ENVLAB_RANGE) {",
    ): "the range is set to itself",
    (
        "envlab_runtime.c",
        "if (quarter < fall) {",
        "if (quarter <= fall) {",
    ): "the fall is set to itself",
    (
        "envlab_runtime.c",
        "if (zero + ENVLAB_ZERO_REACH < state->zero_limit) {",
        "if (zero + ENVLAB_ZERO_REACH <= state->zero_limit) {",
    ): "the limit is set to itself",
    (
        "envlab_runtime.c",
        "if (reading > state->highest) {",
        "if (reading >= state->highest) {",
    ): "the highest is set to itself",
    (
        "envlab_runtime.c",
        "unsigned reach = (peak > window) ? peak - window : 0u;",
        "unsigned reach = (peak >= window) ? peak - window : 0u;",
    ): "at the window the difference is 0 as well",
    (
        "envlab_runtime.c",
        "if (aim > ENVLAB_WINDOW_START) {",
        "if (aim >= ENVLAB_WINDOW_START) {",
    ): "the aim is set to itself",
    (
        "envlab_runtime.c",
        "} else if (reach > ENVLAB_RANGE) {",
        "} else if (reach >= ENVLAB_RANGE) {",
    ): "what the aim rises by is 0",
    (
        "envlab_runtime.c",
        "aim += (reach > step) ? step : reach;",
        "aim += (reach >= step) ? step : reach;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "unsigned before = (state->peak_before > window) ? state->peak_before - window : 0u;",
        "unsigned before = (state->peak_before >= window) ? state->peak_before - window : 0u;",
    ): "at the window the difference is 0 as well",
    (
        "envlab_runtime.c",
        "if (reach < before) {",
        "if (reach <= before) {",
    ): "the reach is set to itself",
    (
        "envlab_runtime.c",
        "aim = (fall > window - ENVLAB_WINDOW_LEAST) ? ENVLAB_WINDOW_LEAST : window - fall;",
        "aim = (fall >= window - ENVLAB_WINDOW_LEAST) ? ENVLAB_WINDOW_LEAST : window - fall;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "if (aim > most) {",
        "if (aim >= most) {",
    ): "the aim is set to itself",
    (
        "envlab_runtime.c",
        "if (aim > window) {",
        "if (aim >= window) {",
    ): "at the aim the window stays either way",
    (
        "envlab_runtime.c",
        "window += (aim > ENVLAB_WINDOW_RISE) ? ENVLAB_WINDOW_RISE : aim;",
        "window += (aim >= ENVLAB_WINDOW_RISE) ? ENVLAB_WINDOW_RISE : aim;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "window -= (aim > ENVLAB_WINDOW_FALL) ? ENVLAB_WINDOW_FALL : aim;",
        "window -= (aim >= ENVLAB_WINDOW_FALL) ? ENVLAB_WINDOW_FALL : aim;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "fade = (dim - fade > ENVLAB_FADE_STEP) ? fade + ENVLAB_FADE_STEP : dim;",
        "fade = (dim - fade >= ENVLAB_FADE_STEP) ? fade + ENVLAB_FADE_STEP : dim;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "if (position > state->peak) {",
        "if (position >= state->peak) {",
    ): "the peak is set to itself",
    (
        "envlab_frame.c",
        "uint16_t factor = 0u;",
        "uint16_t factor = (0u + 1u);",
    ): "what it starts with is shifted out by the sixteen rounds",
    (
        "envlab_guard.c",
        "return (light_t)((uint16_t)(duty - high - ((low > high) ? 1u : 0u) + 128u) >> 8);",
        "return (light_t)((uint16_t)(duty - high - ((low >= high) ? 1u : 0u) + 128u) >> 8);",
    ): "equal bytes are a code exactly, and a unit less of 256 rounds to the same",
    (
        "envlab_guard.c",
        "const uint16_t fine = (uint16_t)(duty - high - ((low_part > high_part) ? 1u : 0u));",
        "const uint16_t fine = (uint16_t)(duty - high - ((low_part >= high_part) ? 1u : 0u));",
    ): "equal parts are a code exactly, and a unit less rounds to the same",
    (
        "envlab_guard.c",
        "if (light > ENVLAB_GUARD_TOP) {",
        "if (light >= ENVLAB_GUARD_TOP) {",
    ): "the top is set to itself",
    (
        "envlab_guard.c",
        "if (light >= guard->low && (light_t)(light - guard->low) >= ENVLAB_GUARD_LEAST) {",
        "if (light > guard->low && (light_t)(light - guard->low) >= ENVLAB_GUARD_LEAST) {",
    ): "at the low the difference is 0, less than any change",
    (
        "envlab_guard.c",
        "for (n = ENVLAB_GUARD_ROOM; cell != here && n != 0u; n--) {",
        "for (n = ENVLAB_GUARD_ROOM; cell != here && n != 0u; n++) {",
    ): "more steps than there is room for write the time of now where it stands already",
    (
        "envlab_guard.c",
        "cell = (cell < here) ? (uint8_t)(cell + 1u) : (uint8_t)(cell - 1u);",
        "cell = (cell <= here) ? (uint8_t)(cell + 1u) : (uint8_t)(cell - 1u);",
    ): "the loop has ended where both are the same",
    (
        "envlab_guard.c",
        "left--;",
        "left++;",
    ): "writes past the state, which no record shows; the address sanitizer among the machines stops there",
    (
        "envlab_layout.c",
        "if (duty > start) {",
        "if (duty >= start) {",
    ): "at the start the product is 0",
    (
        "envlab_layout.c",
        "if (rise > ENVLAB_LAYOUT_SPAN) {",
        "if (rise >= ENVLAB_LAYOUT_SPAN) {",
    ): "at the top it is set to itself",
    (
        "envlab_dither.c",
        "return (uint16_t)(threshold | weight);",
        "return (((uint16_t)(threshold | weight)) & 0x7FFFu);",
    ): "thresholds are less than a code, at most 255",
}
