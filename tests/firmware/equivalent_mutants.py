"""Changes of the C runtime that no stimulus can tell from the original, each with its reason."""

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
        "envlab_frame.c",
        "uint16_t factor = 0u;",
        "uint16_t factor = (0u + 1u);",
    ): "what it starts with is shifted out by the sixteen rounds",
}
